"""Says everything that is wrong with a canonical configuration, not only the first thing.

`problems` is what a board asks before it adopts a file; the desk asks the same functions. Nothing
here changes the data, fills in a default or needs a file. On the board it is imported when needed
and dropped. What fields must be to each other is in `consistent.py`.

A problem is a tuple (path, value, rule, limit, advice): a dotted path such as `channel.0.cap_ul`,
the value as stored, a rule in words ("at least"), the limit (a whole number in the unit of the
field, or words), and what to do.
"""

from aliquot.core import fields

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import Any

# Stands where the desk could not even convert what was written, and has said so already.
SKIP = object()
# More problems than this help nobody, and a board has no memory for them.
MOST = 100


def problems(data: "Any", date: int) -> "list[Any]":
    """Return every problem of canonical `data`, an empty list when it is valid.

    `date` is today's local date; the clock-change days of five years from it are tried too."""
    found: list[Any] = []
    for _ in steps(found, data, date):
        """Nothing else to do in between."""
    return found


def steps(found: "list[Any]", data: "Any", date: int) -> "Iterator[None]":
    """Add every problem to `found`, in slices, so that a board can do other work meanwhile."""
    _object(found, "", data, "")
    yield None
    if not found:
        from aliquot.core import consistent

        yield from consistent.steps(found, data, date)


def shape(data: "Any") -> "list[Any]":
    """Return the problems of each field by itself: missing, unknown, wrong type, out of range."""
    found: list[Any] = []
    _object(found, "", data, "")
    return found


def text(problem: "tuple[Any, ...]") -> str:
    """Return a problem as one line."""
    path, value, rule, limit, advice = problem
    line = path or "the file"
    if limit != "missing":
        line += " = " + short(value)
    line += ": %s %s" % (rule, limit)
    return line + ("; " + advice if advice else "")


def short(value: "Any") -> str:
    """Return a value as text of at most 40 characters, however large or deep it is."""
    if _is(value, dict):
        return "an object"
    if _is(value, list):
        return "a list of %d" % len(value)
    if value is None:
        return "null"
    if isinstance(value, int) and not -(1 << 62) < value < 1 << 62:
        return "a number of more than 18 digits"
    shown = str(value)
    return shown if len(shown) <= 40 else shown[:37] + "..."


def _is(value: "Any", kind: type) -> bool:
    return isinstance(value, kind)


def _object(found: "list[Any]", path: str, value: "Any", where: str) -> None:
    if value is SKIP or len(found) >= MOST:
        return
    if not _is(value, dict):
        found.append((where, value, "must be", "an object", "write its fields between braces"))
        return
    dot = where + "." if where else ""
    rows = fields.rows(path)
    inner = fields.children(path)
    known = [row[0] for row in rows] + inner
    advice = "take it out, or look for a slip: the fields here are " + ", ".join(known)
    for key in value:
        if key not in known and len(found) < MOST:
            found.append((dot + str(key), value[key], "is not", "a field", advice))
    for key, _, unit, least, most, default in rows:
        if key in value:
            if value[key] is not None or default != "?":
                _field(found, dot + key, value[key], unit, least, most, default)
        elif default != "~":
            found.append((dot + key, None, "is", "missing", "add it"))
    for name in inner:
        _section(found, (path + "." if path else "") + name, name, value, dot + name)


def _section(
    found: "list[Any]", path: str, name: str, owner: "dict[str, Any]", where: str
) -> None:
    """Look at the object, the list of objects or the null that stands for a section."""
    kind, least, most = fields.section(path)
    if name not in owner:
        found.append((where, None, "is", "missing", "add it"))
        return
    value = owner[name]
    if value is None and "?" in kind:
        return
    if kind[0] == "*":
        _list(found, path, value, where, least, most)
    else:
        _object(found, path, value, where)


def _list(found: "list[Any]", path: str, value: "Any", where: str, least: int, most: int) -> None:
    if value is SKIP:
        return
    if not _is(value, list):
        found.append((where, value, "must be", "a list", "write its entries between brackets"))
        return
    if not least <= len(value) <= most:
        found.append((where, value, "must have", "%d to %d entries" % (least, most), ""))
    for i in range(min(len(value), most)):
        _object(found, path, value[i], "%s.%d" % (where, i))


def _field(
    found: "list[Any]", where: str, value: "Any", unit: str, least: int, most: int, default: str
) -> None:
    if value is SKIP:
        return
    if unit in ("text", "id"):
        _text(found, where, value, unit, least, most)
    elif unit == "word":
        words = fields.choices(default)
        if value not in words:
            found.append((where, value, "must be", " or ".join(words), ""))
    elif unit == "ids":
        _ids(found, where, value, least, most)
    elif isinstance(value, bool) or not isinstance(value, int):
        found.append(
            (where, value, "must be", "a whole number", "write it without a point or quotes")
        )
    elif value < least:
        found.append((where, value, "at least", least, ""))
    elif value > most:
        found.append((where, value, "at most", most, ""))
    elif value % fields.STEP_S.get(unit, 1):
        found.append((where, value, "a multiple of", fields.STEP_S[unit], "round it"))


def _text(found: "list[Any]", where: str, value: "Any", unit: str, least: int, most: int) -> None:
    if not isinstance(value, str):
        found.append((where, value, "must be", "text", "write it between quotes"))
    elif not least <= len(value) <= most:
        found.append((where, value, "must have", "%d to %d characters" % (least, most), ""))
    elif unit == "id" and not all(_is_id(c) for c in value):
        wanted = "small letters, digits, - and _"
        found.append((where, value, "must be", wanted, "keep longer words for the label"))
    elif not all(_is_printable(ord(c)) for c in value):
        found.append(
            (where, value, "must be", "printable text", "take line ends and controls out")
        )


def _is_printable(code: int) -> bool:
    # Neither control characters nor halves of pairs, which cannot be stored as UTF-8.
    return 31 < code < 127 or 159 < code < 0xD800 or code > 0xDFFF


def _is_id(c: str) -> bool:
    return "a" <= c <= "z" or "0" <= c <= "9" or c in "-_"


def _ids(found: "list[Any]", where: str, value: "Any", least: int, most: int) -> None:
    if not _is(value, list) or not all(isinstance(i, str) for i in value):
        found.append((where, value, "must be", "a list of channel ids", 'such as ["a", "b"]'))
    elif not least <= len(value) <= most:
        limit = "%d" % least if least == most else "%d to %d" % (least, most)
        found.append((where, value, "must name", limit + " channels", ""))
