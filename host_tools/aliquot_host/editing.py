"""Changes values of a set-up file that somebody wrote, and leaves everything else as it stands.

Comments, order and spelling are kept. What comes out is read by `setup_file.load` before a byte is
written: a file that would not be valid is never written, and the old one stays as it was. It never
raises a cap by itself; a caller that wants one changed has to name it.
"""

from __future__ import annotations

import contextlib
import dataclasses
import datetime
import os
import tempfile
from collections.abc import Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Float, Trivia

from aliquot_host import raw_file, set_up_diff, setup_file
from aliquot_host.errors import bad
from aliquot_host.paths import as_list, as_table, is_list, is_table
from aliquot_host.set_up_diff import Change
from aliquot_host.setup_file import Loaded

NAMED = {"channel": "id", "water": "name"}


@dataclasses.dataclass(frozen=True)
class Edit:
    """One change. path: `channel.alk.daily_ml`, `tank.water.calcium.use_per_day`,
    `channel.food.at.0.ml`; a channel by its id, a water by its name, an entry of a list by its
    place. `separate` alone appends an entry.

    value: int, Decimal, text, date, list or table of them; None takes the field out. comment: a
    line that is put above it, without the `#`."""

    path: str
    value: object
    comment: str = ""


@dataclasses.dataclass(frozen=True)
class Edited:
    """The text after the edits, both set-ups, and what differs between them in effect."""

    text: str
    before: Loaded
    after: Loaded
    changes: list[Change]

    def lines(self) -> list[str]:
        """The differences as sentences, for people."""
        return [
            f"{c.where or 'set-up'}: {c.what}: {c.before or 'not said'} -> {c.after or 'not said'}"
            for c in self.changes
        ]


def preview(file: Path, edits: Sequence[Edit], today: datetime.date | None = None) -> Edited:
    """What `change` would do; nothing is written. BadInput: the file is no TOML set-up, an edit
    names nothing in it, or what comes out is not valid."""
    before = setup_file.load(file, today=today)
    where = str(file)
    if not before.toml:
        advice = f"Turn it into TOML first: aliquot convert {where}"
        raise bad(where, limit="a set-up in TOML", advice=advice)
    source = raw_file.read(file).decode()
    try:
        document: Any = tomlkit.parse(source)
    except TOMLKitError as error:  # the reader of set-ups took it
        raise bad(where, limit="TOML", advice=f"It cannot be changed here: {error}.") from None
    for edit in edits:
        _apply(document, edit, where)
    text = str(tomlkit.dumps(document))  # type: ignore[reportUnknownMemberType]
    # A board file beside it is looked for there too, so the file's own name is no way in.
    after = setup_file.load(text.encode(), where=where, today=today, own=_own(before))
    return Edited(text, before, after, set_up_diff.compare(before.data, after.data))


def change(file: Path, edits: Sequence[Edit], today: datetime.date | None = None) -> list[str]:
    """Apply the edits to a set-up file, whole or not at all; returns what changed in effect."""
    edited = preview(file, edits, today)
    write(file, edited)
    return edited.lines()


def write(file: Path, edited: Edited) -> None:
    """Put an edited text in the file's place. BadInput: it cannot be written, or it was changed
    since it was read."""
    if setup_file.load(file).digest != edited.before.digest:
        advice = "Somebody changed it meanwhile: look at it, and ask again."
        raise bad(str(file), limit="as it was read", advice=advice)
    target = file.resolve()
    scratch = ""
    try:
        handle, scratch = tempfile.mkstemp(prefix=".aliquot-", dir=target.parent)
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as out:
            out.write(edited.text)
            out.flush()
            os.fsync(out.fileno())
        os.chmod(scratch, target.stat().st_mode & 0o777)
        os.replace(scratch, target)
    except OSError as error:
        with contextlib.suppress(OSError):
            os.unlink(scratch)
        advice = f"{error.strerror}; the file is as it was."
        raise bad(str(file), limit="can be written", advice=advice) from None


def _own(loaded: Loaded) -> Mapping[str, dict[str, Any]]:
    return {loaded.data["board"]: loaded.board} if loaded.board else {}


def _apply(document: Any, edit: Edit, where: str) -> None:
    parts = edit.path.split(".")
    at: Any = document
    if parts == ["separate"]:
        _append(document, edit)
        return
    for i, part in enumerate(parts[:-1]):
        found = _step(at, part, parts[i - 1] if i else "")
        if found is None:
            path = ".".join(parts[: i + 1])
            raise bad(path, limit=f"something that {where} has", advice="Look at its spelling.")
        at = found
    _put(at, parts[-1], edit)


def _step(at: Any, part: str, before: str) -> Any:
    if not is_list(at):
        return at.get(part)
    items = as_list(at)
    if part.isdigit():
        return items[int(part)] if int(part) < len(items) else None
    return next((one for one in items if one.get(NAMED.get(before, "id")) == part), None)


def _append(document: Any, edit: Edit) -> None:
    table: Any = tomlkit.table()
    value: Any = edit.value
    for key, one in value.items():
        table.add(key, _item(one))
    if edit.comment:
        table.comment(edit.comment)
    if "separate" not in document:
        array: Any = tomlkit.aot()
        array.append(table)
        document.append("separate", array)
    else:
        document["separate"].append(table)


def _put(at: Any, key: str, edit: Edit) -> None:
    if edit.value is None:
        if key in at:
            del at[key]
        return
    old = at.get(key)
    if is_table(edit.value) and hasattr(old, "items"):
        table = as_table(edit.value)
        for name in [name for name in old if name not in table]:
            del old[name]
        for name, one in table.items():
            old[name] = _item(one)
    else:
        at[key] = _item(edit.value)
    if edit.comment and hasattr(at[key], "trivia"):
        trivia: Trivia = at[key].trivia
        lines = [f"{trivia.indent}# {line}\n" for line in edit.comment.splitlines()]
        trivia.indent = "".join(lines) + trivia.indent


def _item(value: object) -> Any:
    """A value as TOML holds it; a Decimal keeps its digits."""
    if isinstance(value, Decimal):
        text = format(value, "f")
        # The text itself, because a float could print as 1e-06.
        return Float(float(text), Trivia(), text) if "." in text else int(text)
    if is_table(value):
        inline: Any = tomlkit.inline_table()
        for name, one in as_table(value).items():
            inline.append(name, _item(one))
        return inline
    return [_item(one) for one in as_list(value)] if is_list(value) else value
