"""What a command raises and how it is told: bad input, a finding. It never ends the program.

Exit codes of `aliquot`, from here alone:

| code | meaning |
|---|---|
| 0 | fine |
| 1 | a finding: the input is good, and what was asked about it does not hold |
| 2 | bad input: a file, a value or an option that cannot be used |
| 70 | a mistake in Aliquot itself (EX_SOFTWARE of the BSD sysexits.h, from memory) |
| 130 | interrupted from the keyboard (128 + SIGINT, the custom of shells) |
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from typing import Literal

FINE = 0
FOUND = 1
BAD_INPUT = 2
OUR_MISTAKE = 70
INTERRUPTED = 130

# More of a value than this says nothing about what is wrong with it.
VALUE_MOST_CHARS = 60

Level = Literal["error", "warning"]


@dataclasses.dataclass(frozen=True)
class Problem:
    """One thing that is wrong, and all that a person needs to put it right.

    path:   where, as the file spells it: `channel[1].daily_ml`, or a file or an option.
    value:  what was written there; None where nothing was.
    stored: the same as Aliquot keeps it, with its unit (`36500 µL`); "" where that says no more.
    limit:  what is allowed there, as a phrase: `0.001 to 10000 mL`.
    advice: what to do about it, as a sentence.
    level:  an "error" stops the command, a "warning" does not.
    """

    path: str
    value: object = None
    stored: str = ""
    limit: str = ""
    advice: str = ""
    level: Level = "error"

    def text(self) -> str:
        """The problem in at most three lines, free of control characters."""
        head = printable(self.path, most=0)
        if self.value is not None:
            head += f" = {shown(self.value)}"
        if self.stored:
            head += f" (kept as {printable(self.stored)})"
        lines = [head]
        if self.limit:
            lines.append(f"  limit: {printable(self.limit, most=0)}")
        if self.advice:
            lines.append(f"  {printable(self.advice, most=0)}")
        return "\n".join(lines)

    def as_json(self) -> dict[str, object]:
        """The shape that every `--json` output gives a problem."""
        return {
            "path": self.path,
            "value": None if self.value is None else shown(self.value),
            "stored": self.stored,
            "limit": self.limit,
            "advice": self.advice,
            "level": self.level,
        }


class BadInput(Exception):
    """The input cannot be used: exit code 2. `where` is the file or option that is to blame."""

    def __init__(self, problems: Problem | Iterable[Problem], where: str = "") -> None:
        self.problems = (problems,) if isinstance(problems, Problem) else tuple(problems)
        if not self.problems:
            raise ValueError("BadInput without a problem tells nobody what to do")
        self.where = where
        super().__init__("; ".join(problem.text() for problem in self.problems))


class Finding(Exception):
    """The input is good, but what was asked about it does not hold: exit code 1.

    `lines` are sentences for stderr; none where the command has said it all on stdout.
    """

    def __init__(self, *lines: str) -> None:
        self.lines = lines
        super().__init__("; ".join(lines))


def bad(
    path: str, value: object = None, *, limit: str = "", advice: str = "", where: str = ""
) -> BadInput:
    """A BadInput of one problem, for `raise bad(...)`."""
    return BadInput(Problem(path, value, limit=limit, advice=advice), where)


def shown(value: object) -> str:
    """A value as a person wrote it, near enough: texts in quotes, the rest plain, never long."""
    if isinstance(value, str):
        return '"' + printable(value) + '"'
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and value.bit_length() > 256:
        return "a number of more than 75 digits"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, (list, tuple)):
        return "a list"
    return printable(str(value))


def printable(text: str, most: int = VALUE_MOST_CHARS) -> str:
    """Text with control characters made visible, so that a file cannot write to the terminal.

    Longer texts lose their end; most = 0 keeps them whole.
    """
    if most and len(text) > most:
        text = text[: most - 1] + "…"
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
