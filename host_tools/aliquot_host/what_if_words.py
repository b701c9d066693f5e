"""Both sides of `what-if` in words: the rows of its table, and what stands beside it.

The command and its page share it; it works out nothing.
"""

from __future__ import annotations

from aliquot.core.decimals import text_of
from aliquot_host import daybook
from aliquot_host.daybook import Day, Daybook
from aliquot_host.intake import Intake
from aliquot_host.what_if import WhatIf


def rows(found: WhatIf) -> list[tuple[str, str, str, str]]:
    """(channel, what, as it was, under the new plan) of everything that is compared."""
    was = found.was.sums(found.first, found.last)
    would = found.would.sums(found.first, found.last)
    made: list[tuple[str, str, str, str]] = []
    for name in dict.fromkeys([*found.was.ids, *found.would.ids]):
        a, b = was.get(name), would.get(name)
        both = [
            ("given, mL", _ml(a, "given_ul"), _ml(b, "given_ul")),
            ("of it made up, mL", _ml(a, "raised_ul"), _ml(b, "raised_ul")),
            ("missed, mL", _ml(a, "missed_ul"), _ml(b, "missed_ul")),
            ("refused, mL", _ml(a, "refused_ul"), _ml(b, "refused_ul")),
            ("left out, mL", _left_out(a), _left_out(b)),
            (
                "fullest 24 h, mL",
                _fullest(found, found.found, found.was, name),
                _fullest(found, found.would_found, found.would, name),
            ),
        ]
        made += [(name, what, one, other) for what, one, other in both]
    return made


def _ml(day: Day | None, field: str) -> str:
    return "-" if day is None else text_of(getattr(day, field))


def _left_out(day: Day | None) -> str:
    return "-" if day is None else text_of(day.skipped_ul + day.trimmed_ul)


def _fullest(both: WhatIf, found: Intake, book: Daybook, name: str) -> str:
    if name not in book.ids:
        return "-"
    zone = both.outcome.zone
    from_w, until_w = zone.day_start(both.first), zone.day_start(both.last + 1)
    return text_of(daybook.fullest(found, name, from_w, until_w))


def said(found: WhatIf) -> list[str]:
    """What stands beside the table."""
    lines: list[str] = []
    if found.left_out:
        lines.append(
            f"Orders to channels that the new set-up has not are left out: "
            f"{', '.join(found.left_out)}."
        )
    lines += [f"The new plan refuses: {text}" for text in dict.fromkeys(found.refused)]
    return [*lines, *found.approximate]
