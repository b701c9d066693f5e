"""Says everything that is wrong with a canonical configuration, field by field, not only the first.

`problems` is what a board asks before it adopts a file; the desk asks the same functions. Nothing
here changes the data, fills in a default or needs a file. On the board it is imported when needed
and dropped. What fields must be to each other is in `consistent.py`.

A problem is a tuple (path, value, rule, limit, advice): a dotted path such as `channel.0.cap_ul`, the
value as stored, a rule in words ("at least"), the limit (a whole number in the unit of the field, or
words), and what to do.
"""

from aliquot.core import fields

# Stands where the desk could not even convert what was written, and has said so already.
SKIP = object()


def problems(data: object, date: int) -> list:
    """Return every problem of canonical `data`, an empty list when it is valid.

    `date` is today's local date; the clock-change days of five years from it are tried too."""
    found = shape(data)
    if found:
        return found
    from aliquot.core import consistent

    return consistent.problems(data, date)


def shape(data: object) -> list:
    """Return the problems of each field by itself: missing, unknown, wrong type, out of range."""
    found: list = []
    _object(found, "", data, "")
    return found


def text(problem: tuple) -> str:
    """Return a problem as one line."""
    path, value, rule, limit, advice = problem
    line = "%s: %s is not right: %s %s" % (path or "the file", short(value), rule, limit)
    return line + ("; " + advice if advice else "")


def short(value: object) -> str:
    """Return a value as text of at most 40 characters, however large or deep it is."""
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, (list, tuple)):
        return "a list of %d" % len(value)
    if value is None:
        return "null"
    if isinstance(value, int) and not -(1 << 62) < value < 1 << 62:
        return "a number of more than 18 digits"
    shown = str(value)
    return shown if len(shown) <= 40 else shown[:37] + "..."


def _object(found: list, path: str, value: object, where: str) -> None:
    if value is SKIP:
        return
    if not isinstance(value, dict):
        found.append((where, value, "must be", "an object", "write its fields between braces"))
        return
    dot = where + "." if where else ""
    rows = fields.rows(path)
    inner = fields.children(path)
    known = [row[0] for row in rows] + inner
    for key in value:
        if key not in known:
            advice = "take it out, or look for a slip: the fields here are " + ", ".join(known)
            found.append((dot + str(key), value[key], "is not", "a field", advice))
    for key, _, unit, least, most, default in rows:
        if key in value:
            if value[key] is not None or default != "?":
                _field(found, dot + key, value[key], unit, least, most, default)
        elif default != "~":
            found.append((dot + key, None, "is", "missing", "add it"))
    for name in inner:
        _section(found, (path + "." if path else "") + name, name, value, dot + name)


def _section(found: list, path: str, name: str, owner: dict, where: str) -> None:
    """Look at the object, the list of objects or the null that stands for a section."""
    kind, least, most = fields.section(path)
    value = owner.get(name)
    if name not in owner:
        found.append((where, None, "is", "missing", "add it"))
    elif value is None and kind in ("?", "*?"):
        return
    elif kind[0] != "*":
        _object(found, path, value, where)
    elif value is not SKIP and not isinstance(value, list):
        found.append((where, value, "must be", "a list", "write its entries between brackets"))
    elif value is not SKIP:
        if not least <= len(value) <= most:
            limit = "%d to %d entries" % (least, most)
            found.append((where, value, "must have", limit, ""))
        for i in range(min(len(value), most)):
            _object(found, path, value[i], "%s.%d" % (where, i))


def _field(
    found: list, where: str, value: object, unit: str, least: int, most: int, default: str
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
        found.append((where, value, "must be", "a whole number", "write it without a point or quotes"))
    elif value < least:
        found.append((where, value, "at least", least, ""))
    elif value > most:
        found.append((where, value, "at most", most, ""))
    elif value % fields.STEP_S.get(unit, 1):
        found.append((where, value, "a multiple of", fields.STEP_S[unit], "round it"))


def _text(found: list, where: str, value: object, unit: str, least: int, most: int) -> None:
    if not isinstance(value, str):
        found.append((where, value, "must be", "text", "write it between quotes"))
    elif not least <= len(value) <= most:
        found.append((where, value, "must have", "%d to %d characters" % (least, most), ""))
    elif unit == "id" and not all([_is_id(c) for c in value]):
        wanted = "small letters, digits, - and _"
        found.append((where, value, "must be", wanted, "keep longer words for the label"))
    elif not all([31 < ord(c) < 127 or 159 < ord(c) < 0xD800 or ord(c) > 0xDFFF for c in value]):
        found.append((where, value, "must be", "printable text", "take line ends and controls out"))


def _is_id(c: str) -> bool:
    return "a" <= c <= "z" or "0" <= c <= "9" or c in "-_"


def _ids(found: list, where: str, value: object, least: int, most: int) -> None:
    if not isinstance(value, list) or not all([isinstance(i, str) for i in value]):
        found.append((where, value, "must be", "a list of channel ids", 'such as ["a", "b"]'))
    elif not least <= len(value) <= most:
        limit = "%d" % least if least == most else "%d to %d" % (least, most)
        found.append((where, value, "must name", limit + " channels", ""))
