"""How much may still go in under the caps of a channel and its groups. Asks and changes nothing."""

from aliquot.core.demand import forget

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.core.engine import Engine


def left_ul(engine: "Engine", ch: int, now_s: int) -> int:
    """What may enter through a channel at this moment: nothing passes it, ever."""
    setup, channels = engine.setup, engine.state.channels
    room = setup.channels[ch].cap_ul - channels[ch].ring.used_ul(now_s)
    for cap_ul, members in setup.groups:
        if ch in members:
            room = min(room, cap_ul - sum([channels[m].ring.used_ul(now_s) for m in members]))
    return room


def room_ul(engine: "Engine", ch: int, now_s: int) -> int:
    """What may enter beyond the plan: less what may have entered and what is planned in any 24 h
    of the coming 24 hours."""
    from aliquot.core import ahead

    room = ahead.room_ul(engine, ch, now_s)
    forget("aliquot.core.ahead", "aliquot.core.layout")
    return room
