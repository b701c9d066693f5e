"""`aliquot status`: how a running board stands, what comes next, and what needs a person."""

from __future__ import annotations

import time
from typing import Any

import click

from aliquot_host import errors, output
from aliquot_host.board_talk import connect
from aliquot_host.happenings import ml, why
from aliquot_host.line import Reply, local_text, port_option

CLOCKS = ("unset: nothing is dosed until it is set", "estimated", "trusted")
COLUMNS = ("channel", "next dose", "planned", "given", "owed", "room", "left", "lasts", "state")
NUMBERS = ("planned", "given", "owed", "room", "left", "lasts")
HELD, FAULT, CUP, LOST, UNCALIBRATED = 2, 4, 3, 9, 8
DUE = {"calibration": "aliquot calibrate {} --live", "tubing": "aliquot new-tubing {}"}
# Where the clock is not set the engine looks for no dose.
SOON_DAYS = 3


@click.command("status")
@port_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
@click.option("--follow", is_flag=True, help="Show it again every two seconds, until Ctrl-C.")
@click.pass_context
def command(ctx: click.Context, port: str | None, as_json: bool, follow: bool) -> None:
    """Show how the board stands: clock, channels, what is held and why, what needs you.

    Exit code 1 where something needs a person. What was given is what the pumps were told to give:
    where nothing senses flow, nobody has verified it.
    """
    if follow and as_json:
        raise errors.bad("--json", limit="without --follow", advice="JSON is one document.")
    with connect(port) as client:
        while True:
            status = client.ask("status")
            found = needs(status)
            if as_json:
                output.print_json("aliquot-status", {**_own(status), "needs": found})
            else:
                show(status, found)
            if not follow:
                break
            time.sleep(2)
    ctx.exit(errors.FOUND if found else errors.FINE)


def _own(status: Reply) -> dict[str, object]:
    """What the board says, without what belongs to the line; `version` is the document's."""
    names = {"version": "program"}
    return {names.get(k, k): value for k, value in status.items() if k not in ("re", "ok")}


def show(status: Reply, found: list[str]) -> None:
    """For a person."""
    channels: list[dict[str, Any]] = status.get("channels", [])
    name = f"board {status['board']}, " if status.get("board") else ""
    output.say(f"{name}Aliquot {status['version']}, record #{status['seq']}", style="bold")
    if channels:
        when = f", {local_text(int(status['wall_w']))}" if status["clock"] else ""
        output.say(f"clock {CLOCKS[int(status['clock'])]}{when}")
        running = f"{status['running']} runs" if status["running"] else "all motors rest"
        output.say(f"{running}; what was given is {status['delivery']}")
        clock = bool(status["clock"])
        output.table(COLUMNS, [_row(one, clock) for one in channels], numbers=NUMBERS)
    if status.get("findings"):
        output.say(f"it found: {'; '.join(map(str, status['findings']))}")
    for line in found:
        output.say(f"! {line}", style="bold")
    if not found:
        output.say("Nothing needs you.")


def _row(one: dict[str, Any], clock: bool) -> tuple[str | None, ...]:
    following = int(one["next_w"])
    left = int(one["left_ul"])
    lasts = int(one["days_left"])
    return (
        str(one["id"]),
        local_text(following) if following > 0 else None,
        ml(one["planned_ul"]),
        ml(one["commanded_ul"]),
        ml(one["owed_ul"]) if one["owed_ul"] else None,
        ml(max(0, one["room_ul"])),
        ml(left) if left >= 0 else None,
        f"{lasts} days" if lasts >= 0 else None,
        _state(one, clock),
    )


def _state(one: dict[str, Any], clock: bool) -> str:
    """Why a channel does not dose, or that it does, and what the next doses lack."""
    text = "doses" if clock else "waits for the clock"
    if one["blocked"]:
        text = why(int(one["blocked"]))
    if not one["trim_n"]:
        return text
    return f"{text}; next {one['trim_n']}: {one['trim_pct']} % less"


def needs(status: Reply) -> list[str]:
    """What a person has to do, the most important first."""
    from aliquot.core.faults import TABLE

    found: list[str] = []
    if status.get("why"):
        found.append(f"It doses nothing: {status['why']}. {_way_out(str(status['why']))}")
    channels: list[dict[str, Any]] = status.get("channels", [])
    if not channels:
        return found
    for name, one in (("all", status), *((str(c["id"]), c) for c in channels)):
        code = int(one["fault"])
        row = TABLE.get(code)
        who = "" if name == "all" else f"{name}: "
        if code and not row:
            # A board may know faults that are newer than this program.
            found.append(f"{who}Fault {code}, which this version does not know: update Aliquot.")
        elif row:
            end = f" Then: aliquot clear-fault {name}" if name != "all" or one["latched"] else ""
            found.append(f"{who}{row[3]} {row[4]}{end}")
    if status["lost"]:
        found.append("Records are lost: dosing is held. aliquot release all --lost-records")
    if status["unwritten"]:
        found.append("The journal cannot be written: nothing is dosed until it can.")
    if not status["clock"]:
        found.append("The clock is unset: aliquot set-clock")
    if status["hold_w"] == 0 or status["hold_w"] > status["wall_w"]:
        found.append(f"All channels are held{_until(status)}: aliquot release all")
    found += [text for one in channels for text in _of_channel(status, one)]
    found += [
        f"{channels[int(ch)]['id']}: {what} is due ({why}): "
        + DUE.get(what, "").format(channels[int(ch)]["id"])
        for ch, what, why in status["reminders"]
    ]
    return found


def _way_out(why: str) -> str:
    """What helps a board that has no engine, by the beginning of its own reason."""
    if why.startswith("the journal cannot be read"):
        return "Keep what is there: aliquot pull ARCHIVE. Then: aliquot begin-anew"
    if why.startswith(("the flash", "the start failed")):
        return "Try: aliquot restart. If it stays so, install the board anew."
    return "Load a set-up: aliquot load FILE"


def _until(one: Reply) -> str:
    """The end of a hold that has one."""
    return f" until {local_text(int(one['hold_w']))}" if one["hold_w"] else ""


def _of_channel(status: Reply, one: dict[str, Any]) -> list[str]:
    name = one["id"]
    found: list[str] = []
    if one["hold_w"] == 0 or one["hold_w"] > status["wall_w"]:
        found.append(f"{name} is held{_until(one)}: aliquot release {name}")
    if one["cup"]:
        found.append(f"{name}: its line is over a cup: aliquot release {name} --line-back")
    if int(one["blocked"]) == UNCALIBRATED:
        found.append(f"{name} is not calibrated: aliquot calibrate {name} --live")
    if one["low"] or 0 <= int(one["days_left"]) < SOON_DAYS:
        found.append(f"{name} runs low, {ml(one['left_ul'])} left: aliquot refill {name} ML")
    return found
