"""Whether overridden days stay within what a channel and its groups allow; asks only."""

from aliquot.core.layout import largest_ul
from aliquot.core.plan import day_ul

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.core.engine import Engine


def too_much(
    engine: "Engine", ch: int, over: list[int], today: int, days: int
) -> "tuple[str, int, int, str] | None":
    """What keeps a channel from the overrides `over` on one of `days` dates from `today` on: the
    field, the value, the limit and what to do; None where they fit."""
    c = engine.setup.channels[ch]
    for date in range(today, today + days):
        ul = day_ul(c, date, over)
        most = largest_ul(c, ul)
        if ul and ul < c.least_ul:
            return "daily_ul", ul, c.least_ul, "lower it by less, or trim to 0"
        if most > c.most_ul:
            return "dose_ul", most, c.most_ul, "give less, or raise dose_most_ml"
        if ul + 2 * most > c.cap_ul:
            return "daily_ul", ul, c.cap_ul - 2 * most, "the cap holds; give less"
        for cap_ul, members in engine.setup.groups:
            limit = cap_ul - 2 * most
            for m in members:
                if m != ch:
                    their = engine.state.channels[m].over
                    limit -= day_ul(engine.setup.channels[m], date, their)
            if ch in members and ul > limit:
                return "daily_ul", ul, limit, "the cap of the group holds; give less"
    return None
