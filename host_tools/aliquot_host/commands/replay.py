"""`aliquot replay`: folds a journal again and shows where it leads, whether its accounts balance.

It reads only. What is odd in the journal is told, never mended.
"""

from __future__ import annotations

from pathlib import Path

import click

from aliquot.core.decimals import date_text, stamp_text, text_of
from aliquot.core.ledger import ChannelState
from aliquot_host import archive, errors, output, replaying
from aliquot_host.explain import decimal, signed, span, triples_of
from aliquot_host.meaning import ml

HEADINGS = ("channel", *(name.removesuffix("_ul") for name in replaying.TOTALS), "owed")


@click.command("replay")
@click.argument("journal", type=click.Path(path_type=Path))
@click.option("--until", type=int, metavar="N", help="Stop after record N.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(journal: Path, until: int | None, as_json: bool) -> None:
    """Fold the records of JOURNAL again and show the state that they add up to.

    JOURNAL is a folder of segments, one segment, or an archive. Two machines that fold the same
    records print the same SHA-256. Exit code 1 where a line is damaged or an account does not
    balance.
    """
    found = replaying.replay(archive.read_archive(journal), until)
    if as_json:
        output.print_json("aliquot-replay", replaying.payload(found))
    else:
        show(found)
    if found.odd:
        raise errors.Finding(*(f"{word}: {text}" for word, text in found.odd if not as_json))


def show(found: replaying.Replay) -> None:
    """The state for a person: the board, the totals, then each channel."""
    state = found.state
    records = "1 record" if found.records == 1 else f"{found.records} records"
    output.say(f"{records}, #{found.first} to #{found.last}", style="bold")
    if found.first_w is not None and found.last_w is not None:
        ends = f"{stamp_text(found.first_w)} to {stamp_text(found.last_w)}"
        output.say(f"{ends}, {found.days} dates in UTC")
    starts = "1 start" if found.starts == 1 else f"{found.starts} starts"
    output.say(
        f"powered {span(found.powered_s)}, {starts} of the board",
        f"clock {replaying.QUALITIES[state.quality]}",
        f"set-up {state.hash or 'none recorded'}",
        f"state {found.sha256}",
    )
    output.say(*board(found))
    rows = [
        (
            name,
            *(
                c.tot[at] if key.endswith("counts") else text_of(c.tot[at])
                for key, at in replaying.TOTALS.items()
            ),
            text_of(sum(c.owed[1::2])),
        )
        for name, c in zip(state.ids, state.channels, strict=True)
    ]
    output.table(HEADINGS, rows, title="Totals in mL", numbers=HEADINGS[1:])
    for name, account in replaying.accounts(state):
        mark = "balances" if account.holds else "DOES NOT BALANCE"
        output.say(f"  {name}: {account.name}: {mark} at {ml(account.left_ul)}")
    for name, c in zip(state.ids, state.channels, strict=True):
        output.say("", name, style="bold")
        output.say(*(f"  {line}" for line in channel(found, c)))


def board(found: replaying.Replay) -> list[str]:
    """What stands for all channels, where something does."""
    state = found.state
    lines: list[str] = []
    if state.hold_w >= 0:
        lines.append("on hold " + until(state.hold_w))
    if state.fault:
        lines.append(fault(state.fault, state.latched))
    if state.gap:
        lines.append(f"{state.gap} lost records that nobody has answered for: dosing is held")
    if state.foreign:
        lines.append(f"record #{state.foreign} is of a kind unknown here: dosing is held")
    if state.open:
        place, ul, counts, *_ = state.open
        lines.append(f"{state.ids[place]} is running: {ml(ul)}, {counts} counts")
    return lines


def channel(found: replaying.Replay, c: ChannelState) -> list[str]:
    """What stands for one channel."""
    lines = [f"revision {c.rev}" + (f", last date {date_text(c.date)}" if c.date else "")]
    if c.cal_ul:
        dead = f", dead time {c.cal_offset} counts" if c.cal_offset else ""
        lines.append(f"calibrated: {c.cal_counts} counts for {ml(c.cal_ul)}{dead}")
        lines.append(f"carried over: {decimal(c.rem, c.cal_ul)} counts")
    else:
        lines.append("not calibrated")
    used = c.ring.used_ul(found.state.now_s)
    lines.append(f"in the last 24 h of powered time: {ml(used)} may have entered")
    if c.fill_ul >= 0:
        low = ", low" if c.low else ""
        lines.append(f"reservoir: {ml(c.fill_ul - c.taken_ul)} of {ml(c.fill_ul)} left{low}")
    if c.hold_w >= 0:
        lines.append("on hold " + until(c.hold_w))
    if c.cup:
        lines.append("its line is out of the tank, over a cup")
    if c.fault:
        lines.append(fault(c.fault, c.latched))
    if c.trim_n:
        lines.append(f"trim: {c.trim_pct} % off the next {c.trim_n} doses")
    for ul, first, days in triples_of(c.over):
        lines.append(f"override: {signed(ul)} a day, {days} dates from {date_text(first)}")
    for due_w, ul in zip(c.owed[::2], c.owed[1::2], strict=True):
        lines.append(f"owed: {ml(ul)}, due {stamp_text(due_w)}")
    if c.extra:
        lines.append(f"an extra of {ml(c.extra[0])} waits")
    return lines


def until(hold_w: int) -> str:
    """How long a hold lasts."""
    return f"until {stamp_text(hold_w)}" if hold_w else "until released"


def fault(code: int, latched: int) -> str:
    """A fault in words."""
    from aliquot.core.faults import TABLE

    name, _, _, alert, _ = TABLE.get(code, ("", "", 0, "a fault that is not in the table", ""))
    seen = {1: ", latched", 2: ", latched and seen"}.get(latched, "")
    return f"fault {code}{f' ({name})' if name else ''}{seen}: {alert}"
