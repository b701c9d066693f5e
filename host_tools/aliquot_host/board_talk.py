"""What the commands at the tank share: how a person writes things, questions, and what was done.

It turns words into an order's numbers and a reply into a sentence. It opens no port by itself and
knows no rule of dosing: the board judges each order.
"""

from __future__ import annotations

import datetime
import sys
from collections.abc import Callable
from typing import Any, TypeVar

import click

from aliquot.core import decimals
from aliquot_host import errors, output
from aliquot_host.line import EPOCH_S, Client, Reply, chosen, plain_ml, port_option

F = TypeVar("F", bound=Callable[..., Any])
EVERY = "all"
FORMAT = "aliquot-order"
ML_MOST = 100_000
YEARS = (2026, 2099)


class Millilitres(click.ParamType):  # pyright: ignore[reportMissingTypeArgument]
    """A volume in mL with at most three digits after the point, as whole microlitres."""

    name = "ML"

    def __init__(self, signed: bool = False) -> None:
        self.signed = signed

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The µL of a text; bad input says what is wrong."""
        if isinstance(value, int):
            return value
        text = str(value).strip()
        signed = self.signed and text[:1] in ("-", "+")
        less = signed and text[0] == "-"
        try:
            ul = int(decimals.micro(text[1:] if signed else text, 3))
        except ValueError as wrong:
            raise errors.bad(
                named(param, "ML"),
                value,
                limit="millilitres, at most 3 digits after the point",
                advice=sentence(str(wrong).rpartition(": ")[2]),
            ) from None
        if ul > ML_MOST * 1000:
            raise errors.bad(
                named(param, "ML"),
                value,
                limit=f"{f'-{ML_MOST}' if self.signed else '0'} to {ML_MOST} mL",
                advice="Write the volume in millilitres.",
            )
        return -ul if less else ul


def named(param: click.Parameter | None, usual: str) -> str:
    """A parameter as the command line spells it."""
    if param is None:
        return usual
    return param.opts[0] if isinstance(param, click.Option) else param.human_readable_name


def sentence(text: str) -> str:
    """A phrase as a sentence."""
    return f"{text[:1].upper()}{text[1:]}."


ML = Millilitres()
SIGNED_ML = Millilitres(signed=True)


class Moment(click.ParamType):  # pyright: ignore[reportMissingTypeArgument]
    """A time by this computer's clock, as wall seconds since 2000: 14:30, or 2026-12-01 14:30.

    A time of day alone is the next one to come, or with nearest=True the one nearest to now."""

    name = "TIME"
    whole = ("%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M")
    of_day = ("%H:%M:%S", "%H:%M")

    def __init__(self, nearest: bool = False) -> None:
        self.nearest = nearest

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The wall second; bad input says what is wrong."""
        if isinstance(value, int):
            return value
        for form in (*self.whole, "%Y-%m-%d"):
            read = _read(value, form)
            if read and YEARS[0] <= read.year <= YEARS[1]:
                return wall_of(read)
        for form in self.of_day:
            read = _read(value, form)
            if read:
                return self._day(read.time())
        raise errors.bad(
            named(param, "TIME"),
            value,
            limit=f"HH:MM, YYYY-MM-DD or YYYY-MM-DD HH:MM, from {YEARS[0]} to {YEARS[1]}",
            advice="Write the time as this computer's clock shows it.",
        )

    def _day(self, time: datetime.time) -> int:
        now = datetime.datetime.now()
        days = [now.date() + datetime.timedelta(days=n) for n in (-1, 0, 1)]
        walls = [wall_of(datetime.datetime.combine(day, time)) for day in days]
        now_w = wall_of(now)
        if self.nearest:
            return min(walls, key=lambda wall: abs(wall - now_w))
        return next(wall for wall in walls if wall > now_w)


def _read(text: str, form: str) -> datetime.datetime | None:
    try:
        return datetime.datetime.strptime(text, form)
    except ValueError:
        return None


def wall_of(local: datetime.datetime) -> int:
    """Wall seconds since 2000 of this computer's local time."""
    return int(local.timestamp()) - EPOCH_S


TIME = Moment()
NEAREST = Moment(nearest=True)


def at_the_tank(command: F) -> F:
    """The options that every order has: the port, no questions, JSON."""
    for option in (
        click.option("--json", "as_json", is_flag=True, help="Print one JSON document."),
        click.option("--yes", is_flag=True, help="Answer every question with yes."),
        port_option,
    ):
        command = option(command)
    return command


def connect(port: str | None) -> Client:
    """A line to the board."""
    return Client(chosen(port))


def person() -> bool:
    """Whether somebody is there to answer."""
    return sys.stdin.isatty()


def agreed(question: str, yes: bool) -> bool:
    """The answer to a question. Without a person at the keyboard `--yes` is needed."""
    if yes:
        return True
    if not person():
        raise errors.bad(
            "--yes", limit="a person who answers", advice=f'"{question}" Say --yes in a script.'
        )
    return click.confirm(question, default=False, err=True)


def sure(question: str, yes: bool) -> None:
    """Ask; leave where the answer is no."""
    if not agreed(question, yes):
        raise errors.Finding("Nothing was changed.")


def channel_of(status: Reply, name: str, every: bool = False) -> dict[str, Any]:
    """The channel of that name in a status; of all of them, its sums."""
    channels: list[dict[str, Any]] = status.get("channels", [])
    if every and name == EVERY:
        return {"id": EVERY, "owed_ul": sum(int(c["owed_ul"]) for c in channels)}
    for one in channels:
        if one["id"] == name:
            return one
    if not channels:
        raise errors.bad(
            "board", limit="a set-up", advice=f"It is not ready: {status.get('why')}."
        )
    names = [str(one["id"]) for one in channels] + ([EVERY] if every else [])
    raise errors.bad("CHANNEL", name, limit=", ".join(names), advice="Name one of them.")


def owed(client: Client, name: str, keep: bool, yes: bool, every: bool = False) -> None:
    """Say what is owed and would be forgiven by the order to come, and ask."""
    ul = int(channel_of(client.ask("status"), name, every)["owed_ul"])
    if ul and not keep:
        output.note(f"{plain_ml(ul)} mL are owed to {name}: this order cancels them.")
        output.note("--keep gives them back by catch-up all the same.")
        sure("Cancel what is owed?", yes)


def done(reply: Reply, sentence: str, as_json: bool, keep: bool = True, **more: object) -> None:
    """Say what was done, and what it cancelled, or that there was nothing to do."""
    if as_json:
        own = {key: value for key, value in reply.items() if key not in ("re", "ok")}
        output.print_json(FORMAT, {"said": sentence, **own, **more})
        return
    if not reply.get("done", 1):
        output.say("There was nothing to do.")
        return
    output.say(sentence)
    ul = int(reply.get("owed_ul", 0))
    if ul and not keep:
        output.say(f"{plain_ml(ul)} mL that were owed are cancelled.")
