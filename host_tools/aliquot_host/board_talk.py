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


class Millilitres(click.ParamType):  # pyright: ignore[reportMissingTypeArgument]
    """A volume in mL with at most three digits after the point, as whole microlitres."""

    name = "ML"

    def __init__(self, signed: bool = False) -> None:
        self.signed = signed

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The µL of a text; bad input says what is wrong."""
        if isinstance(value, int):
            return value
        try:
            text = str(value)
            sign = -1 if self.signed and text.startswith("-") else 1
            text = text[1:] if self.signed and text[:1] in ("-", "+") else text
            ul = sign * decimals.micro(text, 3)
        except ValueError as wrong:
            raise errors.bad(
                param.human_readable_name if param else "ML",
                value,
                limit="millilitres, at most 3 digits after the point",
                advice=f"{str(wrong).rpartition(': ')[2].capitalize()}.",
            ) from None
        if abs(ul) > ML_MOST * 1000 or (ul < 0 and not self.signed):
            least = f"-{ML_MOST}" if self.signed else "0"
            raise errors.bad(
                param.human_readable_name if param else "ML",
                value,
                limit=f"{least} to {ML_MOST} mL",
                advice="Write the volume in millilitres.",
            )
        return ul


ML = Millilitres()
SIGNED_ML = Millilitres(signed=True)


class Moment(click.ParamType):  # pyright: ignore[reportMissingTypeArgument]
    """A time by this computer's clock, as wall seconds since 2000: 14:30, or 2026-12-01 14:30."""

    name = "TIME"
    forms = ("%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S")

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The wall second; a time of day alone is the next one to come."""
        if isinstance(value, int):
            return value
        now = datetime.datetime.now().astimezone()
        for form in (*self.forms, "%Y-%m-%d", "%H:%M", "%H:%M:%S"):
            try:
                read = datetime.datetime.strptime(value, form)
            except ValueError:
                continue
            if "%Y" not in form:
                read = datetime.datetime.combine(now.date(), read.time())
                if read.astimezone() <= now:
                    read += datetime.timedelta(days=1)
            return int(read.astimezone().timestamp()) - EPOCH_S
        raise errors.bad(
            param.human_readable_name if param else "TIME",
            value,
            limit="HH:MM, YYYY-MM-DD or YYYY-MM-DD HH:MM",
            advice="Write the time as this computer's clock shows it.",
        )


TIME = Moment()


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


def sure(question: str, yes: bool) -> None:
    """Ask; leave where the answer is no. Without a person at the keyboard `--yes` is needed."""
    if yes:
        return
    if not sys.stdin.isatty():
        raise errors.bad(
            "--yes", limit="a person who answers", advice=f'"{question}" Say --yes in a script.'
        )
    if not click.confirm(question, default=False, err=True):
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


def done(reply: Reply, sentence: str, as_json: bool, **more: object) -> None:
    """Say what was done, or that the board had done it before."""
    if as_json:
        own = {key: value for key, value in reply.items() if key not in ("re", "ok")}
        output.print_json(FORMAT, {"said": sentence, **own, **more})
    elif reply.get("done", 1):
        output.say(sentence)
    else:
        output.say("There was nothing to do.")
