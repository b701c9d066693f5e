"""`aliquot new`: asks for a tank and its pumps, proposes the rest, and writes a set-up.

It never writes over a file unasked, and never writes one that `check` refuses.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import tomlkit

from aliquot.core import decimals, fields
from aliquot_host import (
    advice,
    boards,
    meaning,
    output,
    paths,
    proposals,
    raw_file,
    resources,
    setup_file,
    spelling,
    toml_text,
    zones,
)
from aliquot_host.commands.convert import write
from aliquot_host.errors import bad

CHANNELS_MOST = 8
KEYS = ("liquid", "daily_ml", "counts", "ml", "reservoir_ml")


@click.command("new")
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option("-o", "--out", type=click.Path(path_type=Path), help="The same as FILE.")
@click.option("--from", "example", metavar="EXAMPLE", help="Start from an example.")
@click.option("--yes", is_flag=True, help="Ask nothing: take options and proposals as they are.")
@click.option("--zone", help="Time zone; default: this machine's.")
@click.option("--board", help="Name of the board.")
@click.option("--litres", help="Water in the whole system.")
@click.option(
    "--channel",
    "written",
    multiple=True,
    metavar="ID,KEY=VALUE,...",
    help=f"A channel; keys: {', '.join(KEYS)}. May be given again.",
)
@click.option("--force", is_flag=True, help="Write over a file that is there.")
def command(
    file: Path | None,
    out: Path | None,
    example: str | None,
    yes: bool,
    zone: str | None,
    board: str | None,
    litres: str | None,
    written: tuple[str, ...],
    force: bool,
) -> None:
    """Ask for tank, liquids and pumps, propose doses and limits, and write a set-up to FILE.

    \b
    For scripts:
      aliquot new reef.toml --yes --zone Europe/Berlin --litres 260 \\
        --channel alk,liquid=alkalinity,daily_ml=36.5,reservoir_ml=2000
      aliquot new reef.toml --yes --from four_channels
    """
    target = out or file
    if target and not force and target.exists():
        advice_text = "Choose another name, or write over it with --force."
        raise bad(str(target), limit="a new file", advice=advice_text)
    if example and written:
        raise bad(
            "--channel", advice="An example has its channels: leave --from or --channel out."
        )
    ask = _Asking(yes)
    if example:
        text = _from_example(ask, _example(example), zone, board, litres)
    else:
        text = _from_answers(ask, zone, board, litres, written)
    loaded = setup_file.load(text.encode(), where=str(target or "the new set-up"))
    if target is None:
        click.echo(text, nl=False)
    else:
        write(target, text.encode(), force)
        output.note(f"{target} is written. Next: aliquot check {target}")
    output.problems(advice.warnings(loaded, datetime.date.today()))
    for caution in advice.cautions(loaded.data):
        output.note(f"caution: {caution}")


class _Asking:
    """Asks on the terminal, or with `yes` takes every default."""

    def __init__(self, yes: bool) -> None:
        self.yes = yes

    def value(self, question: str, default: str, read: Callable[[str], Any]) -> Any:
        """The answer as `read` gives it; what it refuses is asked for again."""
        if self.yes:
            try:
                return read(default)
            except ValueError as wrong:
                raise bad(
                    question, default or None, advice=spelling.sentence(str(wrong))
                ) from wrong

        def proc(text: str) -> Any:
            try:
                return read(text.strip())
            except ValueError as wrong:
                raise click.UsageError(str(wrong)) from wrong

        return click.prompt(
            question, default=default, value_proc=proc, show_default=bool(default), err=True
        )

    def agreed(self, question: str) -> bool:
        """Whether the answer is yes, which it is by default."""
        return self.yes or click.confirm(question, default=True, err=True)


def _from_answers(
    ask: _Asking, zone: str | None, board: str | None, litres: str | None, written: tuple[str, ...]
) -> str:
    plan = proposals.Plan(_zone(ask, zone, proposals.guess_zone()))
    plan.board = _option(ask, "--board", "Board (empty: not yet)", board, "", _board)
    plan.volume_ml = _option(ask, "--litres", "Litres of water in all", litres, "0", _litres)
    for text in written:
        plan.channels.append(_written(text))
    if not plan.channels:
        if ask.yes:
            limit = f"ID,KEY=VALUE,... with {', '.join(KEYS)}"
            raise bad("--channel", limit=limit, advice="With --yes name a channel, or --from.")
        _channels(ask, plan)
    ids = [channel.id for channel in plan.channels]
    if len(set(ids)) < len(ids):
        raise bad("--channel", ", ".join(ids), limit="ids that differ")
    proposals.propose(plan)
    if not ask.yes:
        _show(plan)
        if not ask.agreed("Keep all of this?"):
            _change(ask, plan)
    return proposals.text(plan)


def _option(
    ask: _Asking,
    name: str,
    question: str,
    given: str | None,
    default: str,
    read: Callable[[str], Any],
) -> Any:
    """The value of an option, or the answer where it was not given."""
    if given is None:
        return ask.value(question, default, read)
    try:
        return read(given)
    except ValueError as wrong:
        raise bad(name, given, advice=spelling.sentence(str(wrong))) from wrong


def _zone(ask: _Asking, given: str | None, guess: str) -> str:
    return _option(ask, "--zone", "Time zone", given, guess, _known_zone)


def _known_zone(name: str) -> str:
    try:
        if not name:
            raise ValueError("this machine does not say its zone: name one, such as Europe/Berlin")
        verdict = zones.check(name[:40], datetime.date.today())
    except zones.UnknownZone as unknown:
        close = ", ".join(unknown.close)
        raise ValueError(
            f"no such zone; close to it: {close}" if close else "no such zone"
        ) from None
    if not verdict.holds:
        raise ValueError(verdict.reason)
    return name


def _board(name: str) -> str:
    if name and name not in boards.known():
        raise ValueError("known boards: " + ", ".join(boards.known()))
    return name


def _litres(text: str) -> int:
    return _micro(text, "tank.volume_ml", zero=True)


def _micro(text: str, place: str, zero: bool = False) -> int:
    """A decimal number in the unit of a field, within its range."""
    _, _, unit, least, most, default = paths.rows()[place]
    value = decimals.micro(text)
    if not (zero and value == 0) and not least <= value <= most:
        raise ValueError(f"{text}: must be {spelling.span(unit, least, most, default)}")
    return value


def _daily(text: str) -> int:
    return _micro(text, "channel.daily_ul")


def _counts(text: str) -> int:
    return decimals.micro(text, 0)


def _measured_ul(text: str) -> int:
    return _micro(text, "channel.calibration.ul")


def _reservoir(text: str) -> int:
    return _micro(text, "channel.reservoir.size_ul", zero=True)


def _id(text: str) -> str:
    _, _, _, least, most, _ = paths.rows()["channel.id"]
    allowed = "abcdefghijklmnopqrstuvwxyz0123456789-_"
    if not least <= len(text) <= most or text.strip(allowed):
        raise ValueError(f"{least} to {most} small letters, digits, - or _")
    return text


def _liquid(text: str) -> str:
    most = paths.rows()["channel.liquid"][4]
    if len(text) > most or not text.isprintable():
        raise ValueError(f"at most {most} characters")
    return text


def _written(text: str) -> proposals.Channel:
    """A channel from `--channel ID,KEY=VALUE,...`."""
    name, *rest = text.split(",")
    readers: dict[str, Callable[[str], Any]] = {
        "liquid": _liquid,
        "daily_ml": _daily,
        "counts": _counts,
        "ml": _measured_ul,
        "reservoir_ml": _reservoir,
    }
    found: dict[str, Any] = {}
    try:
        name = _id(name.strip())
        for pair in rest:
            key, _, value = pair.strip().partition("=")
            if key not in readers:
                raise ValueError(f"no key is called {key}: use {', '.join(KEYS)}")
            if key in found:
                raise ValueError(f"the key {key} stands there twice")
            found[key] = readers[key](value)
        if "daily_ml" not in found:
            raise ValueError("the key daily_ml is missing")
        if ("counts" in found) != ("ml" in found):
            raise ValueError("the keys counts and ml belong together")
    except ValueError as wrong:
        raise bad("--channel", text, advice=spelling.sentence(str(wrong))) from wrong
    channel = proposals.Channel(name, found.get("liquid", ""), found["daily_ml"])
    channel.counts = found.get("counts", channel.counts)
    channel.ul = found.get("ml", channel.ul)
    channel.reservoir_ul = found.get("reservoir_ml", 0)
    return channel


def _channels(ask: _Asking, plan: proposals.Plan) -> None:
    """Ask for the channels one after the other."""
    while len(plan.channels) < CHANNELS_MOST:
        taken = [channel.id for channel in plan.channels]
        number = len(taken) + 1

        def fresh(text: str, taken: list[str] = taken) -> str:
            if text in taken:
                raise ValueError(f"{text} is there already")
            return _id(text)

        output.note(f"Channel {number}")
        name = ask.value("  Short name", f"c{number}", fresh)
        liquid = ask.value("  Liquid", name, _liquid)
        channel = proposals.Channel(name, liquid, ask.value("  mL a day", "", _daily))
        output.note("  Calibration: counts that moved a measured volume; as it stands if not yet.")
        channel.counts = ask.value("  Counts", str(channel.counts), _counts)
        channel.ul = ask.value("  moved mL", decimals.text_of(channel.ul), _measured_ul)
        channel.reservoir_ul = ask.value("  Reservoir, mL (0: none)", "0", _reservoir)
        plan.channels.append(channel)
        if number < CHANNELS_MOST and not click.confirm(
            "Another channel?", default=False, err=True
        ):
            return


def _show(plan: proposals.Plan) -> None:
    for c in plan.channels:
        each = meaning.ml(-(-c.daily_ul // c.doses))
        output.note(
            f"{c.id}: {c.doses} doses of {each} from {decimals.time_text(c.from_s)} on; "
            f"largest dose {meaning.ml(c.most_ul)}, cap {meaning.ml(c.cap_ul)} in any 24 h"
        )
    for a, b, seconds in plan.separate:
        output.note(f"{a} and {b}: {meaning.minutes(seconds)} apart")


def _change(ask: _Asking, plan: proposals.Plan) -> None:
    """Ask for each proposed value; the validator judges them together."""
    least, most = paths.rows()["channel.doses"][3:5]

    def number(text: str) -> int:
        if not least <= decimals.micro(text, 0) <= most:
            raise ValueError(f"{least} to {most}")
        return int(text)

    for c in plan.channels:
        c.doses = ask.value(f"{c.id}: doses a day", str(c.doses), number)
        start = decimals.time_text(c.from_s)
        c.from_s = ask.value(f"{c.id}: from", start, decimals.time_of_text)
        text = decimals.text_of(c.most_ul)
        c.most_ul = ask.value(f"{c.id}: largest dose, mL", text, decimals.micro)
        text = decimals.text_of(c.cap_ul)
        c.cap_ul = ask.value(f"{c.id}: cap, mL in any 24 h", text, decimals.micro)
    for i, (a, b, seconds) in enumerate(plan.separate):
        question = f"{a} and {b}: minutes apart"
        plan.separate[i] = (a, b, 60 * ask.value(question, str(seconds // 60), _counts))


def _example(name: str) -> Path:
    known = resources.examples()
    if name not in known:
        raise bad("--from", name, limit=", ".join(known), advice="Take one of these examples.")
    return known[name]


def _from_example(
    ask: _Asking, example: Path, zone: str | None, board: str | None, litres: str | None
) -> str:
    """The text of an example with what was answered put in; its comments stay."""
    content = raw_file.read(example)
    loaded = setup_file.load(content, where=str(example))
    data = loaded.data
    document: Any = tomlkit.parse(content.decode())
    name = _zone(ask, zone, data["timezone"])
    if name != data["timezone"]:
        document["timezone"] = name
    chosen = _option(ask, "--board", "Board (empty: not yet)", board, data["board"], _board)
    if chosen != data["board"]:
        document["board"] = chosen
    volume_ml = data["tank"]["volume_ml"] if data["tank"] else 0
    asked = _option(
        ask, "--litres", "Litres of water in all", litres, decimals.text_of(volume_ml), _litres
    )
    if asked and asked != volume_ml:
        document.setdefault("tank", tomlkit.table())
        document["tank"]["volume_l"] = toml_text.item("l", asked)
    for i, channel in enumerate(data["channel"]):
        if not channel["at"] and not ask.yes:
            _other_day(ask, channel, document["channel"][i])
    return tomlkit.dumps(document)


def _other_day(ask: _Asking, channel: dict[str, Any], table: Any) -> None:
    """Ask for a channel's day; another one needs another largest dose and cap."""
    shown = decimals.text_of(channel["daily_ul"])
    daily_ul = ask.value(f"{channel['id']}: mL a day", shown, _daily)
    if daily_ul == channel["daily_ul"]:
        return
    n = max(1, min(channel["doses"], daily_ul // channel["dose_least_ul"]))
    table["daily_ml"] = toml_text.item("ml", daily_ul)
    for key, proposed in (
        ("dose_most_ul", proposals.dose_most_ul(daily_ul, n)),
        ("cap_ul", proposals.cap_ul(daily_ul, n)),
    ):
        toml = next(row[1] for row in fields.rows("channel") if row[0] == key)
        question = f"{channel['id']}: {toml}"
        value = ask.value(question, decimals.text_of(proposed), decimals.micro)
        table[toml] = toml_text.item("ml", value)
