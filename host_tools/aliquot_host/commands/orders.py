"""The commands that give a running board one order: stop, hold, trim, refill and their kind.

None of them interrupts the program on the board, and none does anything by itself: the board
checks, records and answers.
"""

from __future__ import annotations

import click

from aliquot_host import errors, output
from aliquot_host.board_talk import (
    EVERY,
    ML,
    NEAREST,
    SIGNED_ML,
    TIME,
    at_the_tank,
    channel_of,
    connect,
    done,
    owed,
    sure,
)
from aliquot_host.line import local_text, now_w, plain_ml

KEEP = click.option("--keep", is_flag=True, help="Do not cancel what is owed to the channel.")
ENTRIES = {"note": 0, "test": 1, "liquid": 2}
TEXT_MOST = 200


@click.command("stop")
@at_the_tank
def stop(port: str | None, yes: bool, as_json: bool) -> None:
    """Stop the motor that turns, and hold all channels until `aliquot release all`.

    It asks nothing. The button at the tank does the same.
    """
    with connect(port) as client:
        done(client.ask("stop"), "Stopped; all channels are held.", as_json)


@click.command("hold")
@click.argument("channel")
@click.option("--until", type=TIME, metavar="TIME", help="HH:MM, or YYYY-MM-DD HH:MM, here.")
@KEEP
@at_the_tank
def hold(
    channel: str, until: int | None, keep: bool, port: str | None, yes: bool, as_json: bool
) -> None:
    """Give nothing on CHANNEL, or on `all`, until TIME or until it is released."""
    with connect(port) as client:
        owed(client, channel, keep, yes, every=True)
        reply = client.ask("hold", channel=channel, until_w=until or 0, keep=int(keep))
    how = f"until {local_text(until)}" if until else "until it is released"
    done(reply, f"{channel}: held {how}.", as_json, keep)


@click.command("release")
@click.argument("channel")
@click.option("--line-back", "what", flag_value=1, type=int, help="Its line is in the tank again.")
@click.option("--lost-records", "what", flag_value=2, type=int, help="I know what was lost.")
@at_the_tank
def release(channel: str, what: int | None, port: str | None, yes: bool, as_json: bool) -> None:
    """End the hold of CHANNEL, or of `all`.

    --line-back after a run into a cup; --lost-records after records were lost and you have looked
    at what may have been given: what was lost counts as given in full.
    """
    if what == 2:
        sure("Have you looked at the tank, and may dosing go on?", yes)
    with connect(port) as client:
        reply = client.ask("release", channel=channel, what=what or 0)
    said = ("released", "its line is back", "lost records are answered for")[what or 0]
    done(reply, f"{channel}: {said}.", as_json)


def _trim(
    channel: str, percent: int, doses: int, keep: bool, port: str | None, yes: bool, as_json: bool
) -> None:
    with connect(port) as client:
        owed(client, channel, keep, yes)
        words = {"channel": channel, "percent": percent, "doses": doses, "keep": int(keep)}
        reply = client.ask("trim", **words)
    if not doses:
        said = "nothing is trimmed"
    elif percent == 100:
        said = f"the next {doses} dose{'s' * (doses > 1)} left out"
    else:
        said = f"{percent} % off the next {doses} dose{'s' * (doses > 1)}"
    done(reply, f"{channel}: {said}.", as_json, keep)


@click.command("skip")
@click.argument("channel")
@click.argument("doses", type=click.IntRange(0, 5000), default=1)
@KEEP
@at_the_tank
def skip(channel: str, doses: int, keep: bool, port: str | None, yes: bool, as_json: bool) -> None:
    """Leave out the next dose of CHANNEL, or the next DOSES; 0 takes that back."""
    _trim(channel, 100 if doses else 0, doses, keep, port, yes, as_json)


@click.command("trim")
@click.argument("channel")
@click.argument("percent", type=click.IntRange(0, 100))
@click.argument("doses", type=click.IntRange(0, 5000))
@KEEP
@at_the_tank
def trim(
    channel: str, percent: int, doses: int, keep: bool, port: str | None, yes: bool, as_json: bool
) -> None:
    """Take PERCENT off each of the next DOSES doses of CHANNEL; 0 DOSES takes that back."""
    _trim(channel, percent, doses, keep, port, yes, as_json)


@click.command("override", context_settings={"ignore_unknown_options": True})
@click.argument("channel")
@click.argument("ml_a_day", type=SIGNED_ML)
@click.argument("days", type=click.IntRange(0, 366))
@KEEP
@at_the_tank
def override(
    channel: str, ml_a_day: int, days: int, keep: bool, port: str | None, yes: bool, as_json: bool
) -> None:
    """Give ML_A_DAY more (or with a minus less) on CHANNEL for DAYS dates, today first.

    After that the plan goes on by itself. 0 DAYS takes all overrides of the channel back.
    """
    with connect(port) as client:
        owed(client, channel, keep, yes)
        words = {"channel": channel, "ul": ml_a_day, "days": days, "keep": int(keep)}
        reply = client.ask("override", **words)
    said = f"{plain_ml(ml_a_day)} mL a day for {days} day{'s' * (days > 1)}, today included"
    done(reply, f"{channel}: {said if days else 'the plan alone'}.", as_json, keep)


@click.command("extra")
@click.argument("channel")
@click.argument("ml", type=ML, required=False)
@click.option("--planned", is_flag=True, help="It may use the room of planned doses.")
@click.option("--cancel", is_flag=True, help="Take back an extra that has not started.")
@KEEP
@at_the_tank
def extra(
    channel: str,
    ml: int | None,
    planned: bool,
    cancel: bool,
    keep: bool,
    port: str | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Give ML once on CHANNEL, now, outside the timetable. It counts towards the cap."""
    if (ml is None) != cancel:
        raise errors.bad("ML", limit="a volume, or --cancel", advice="Say one of the two.")
    with connect(port) as client:
        if ml is None:
            reply = client.ask("cancel", channel=channel)
            done(reply, f"{channel}: the extra is taken back.", as_json)
            return
        owed(client, channel, keep, yes)
        sure(f"Give {plain_ml(ml)} mL into the tank on {channel} now?", yes)
        words = {"channel": channel, "ul": ml, "planned": int(planned), "keep": int(keep)}
        reply = client.ask("extra", **words)
    done(reply, f"{channel}: {plain_ml(ml)} mL as soon as it may run.", as_json, keep)


@click.command("refill")
@click.argument("channel")
@click.argument("ml", type=ML, required=False)
@click.option("--left", type=ML, metavar="ML", help="What was left in it before.")
@at_the_tank
def refill(
    channel: str, ml: int | None, left: int | None, port: str | None, yes: bool, as_json: bool
) -> None:
    """Say that the container of CHANNEL holds ML now.

    With --left you also say what was left before you filled it, or, without ML, what you see in
    it: from such looks `aliquot drift` tells what the pump gives, and whether its line is blocked.
    """
    if ml is None and left is None:
        raise errors.bad("ML", limit="millilitres", advice="Say ML, --left ML, or both.")
    now = left if ml is None else ml
    with connect(port) as client:
        if left is not None:
            client.ask("refill", channel=channel, ul=left)
        reply = client.ask("refill", channel=channel, ul=now)
    seen = "" if left is None else f", {plain_ml(left)} mL were left"
    done(reply, f"{channel}: {plain_ml(now or 0)} mL in its container{seen}.", as_json)


@click.command("new-tubing")
@click.argument("channel")
@at_the_tank
def new_tubing(channel: str, port: str | None, yes: bool, as_json: bool) -> None:
    """Say that CHANNEL has new tubing: it should be calibrated next."""
    with connect(port) as client:
        reply = client.ask("tubing", channel=channel)
    said = f"{channel}: new tubing. Calibrate it: aliquot calibrate {channel} --live"
    done(reply, said, as_json)


@click.command("note")
@click.argument("words", nargs=-1, required=True, metavar="[CHANNEL] TEXT")
@click.option("--test", "entry", flag_value="test", help="It is a water test.")
@click.option("--liquid", "entry", flag_value="liquid", help="A new batch of liquid went in.")
@at_the_tank
def note(
    words: tuple[str, ...], entry: str | None, port: str | None, yes: bool, as_json: bool
) -> None:
    """Write TEXT into the journal, about CHANNEL; about all of them where none is named."""
    if len(words) > 2:
        advice = "Put the text in quotes."
        raise errors.bad("TEXT", " ".join(words[1:]), limit="one text", advice=advice)
    *named, text = list(words)
    channel = named[0] if named else EVERY
    if not 1 <= len(text) <= TEXT_MOST:
        advice = "Write less, or several notes." if text else "Say what to write down."
        raise errors.bad("TEXT", text, limit=f"1 to {TEXT_MOST} characters", advice=advice)
    from aliquot_host import water_tests

    if entry == "test" and not water_tests.readable(text):
        output.note(
            f'"{errors.printable(text)}" has no value that `aliquot consumption` can read.'
        )
        output.note("Write it as: alkalinity 8.1 dKH, calcium 425 mg/L")
    with connect(port) as client:
        names = [str(one["id"]) for one in client.ask("status").get("channels", [])]
        if not named and text in (*names, EVERY):
            advice = f"Say what to write down about {text}: aliquot note {text} TEXT"
            raise errors.bad("TEXT", limit=f"1 to {TEXT_MOST} characters", advice=advice)
        reply = client.ask("note", channel=channel, text=text, entry=ENTRIES[entry or "note"])
    done(reply, "Written down.", as_json)


@click.command("set-clock")
@click.argument("time", type=NEAREST, required=False)
@at_the_tank
def set_clock(time: int | None, port: str | None, yes: bool, as_json: bool) -> None:
    """Set the board's clock to TIME, or to this computer's clock."""
    with connect(port) as client:
        status = client.ask("status")
        wall_w = now_w() if time is None else time
        known = status.get("wall_w") if status.get("clock") else None
        if known is not None and abs(wall_w - known) > 600:
            output.note(f"The board says {local_text(known)}, this is {local_text(wall_w)}.")
            sure("Correct it by more than ten minutes?", yes)
            wall_w = now_w() if time is None else time
        reply = client.ask("clock", wall_w=wall_w)
    done(reply, f"The clock says {local_text(wall_w)}.", as_json)


@click.command("clear-fault")
@click.argument("channel")
@at_the_tank
def clear_fault(channel: str, port: str | None, yes: bool, as_json: bool) -> None:
    """End a fault of CHANNEL, or of `all`, after you have seen to its cause.

    A latched fault takes two acts: say that you have seen it, then that dosing may go on.
    """
    with connect(port) as client:
        status = client.ask("status")
        found = status if channel == "all" else channel_of(status, channel)
        if not found.get("fault"):
            faulty = [one["id"] for one in status.get("channels", []) if one["fault"]]
            faulty += ["all"] if status.get("fault") else []
            limit = ", ".join(map(str, faulty)) or "one with a fault"
            advice = "Name one of them." if faulty else "There is no fault."
            raise errors.bad("CHANNEL", channel, limit=limit, advice=advice)
        from aliquot.core.faults import TABLE

        told = TABLE.get(int(found["fault"]))
        if told:
            output.note(told[3], told[4])
        if found.get("latched") == 1:
            sure("Have you seen its cause?", yes)
            client.ask("see", channel=channel)
        sure("Is it put right, and may dosing go on?", yes)
        reply = client.ask("clear", channel=channel)
    done(reply, f"{channel}: the fault is over.", as_json)


@click.command("restart")
@at_the_tank
def restart(port: str | None, yes: bool, as_json: bool) -> None:
    """Start the board anew, as soon as no motor turns."""
    sure("Start the board anew?", yes)
    with connect(port) as client:
        reply = client.ask("restart")
    done(reply, "It starts anew.", as_json)


@click.command("begin-anew")
@at_the_tank
def begin_anew(port: str | None, yes: bool, as_json: bool) -> None:
    """Begin a new journal beside one that the board cannot read. The old one is kept.

    Pull it first. The new one knows neither set-up nor calibrations, nor what was given today:
    load the set-up next, and say what was given.
    """
    with connect(port) as client:
        status = client.ask("status")
        if status.get("seq") or "channels" in status:
            advice = "Nothing is to begin anew: the board reads its journal."
            raise errors.bad("journal", limit="one that cannot be read", advice=advice)
        output.note(
            errors.printable(f"The board says: {status['why']}.", most=0),
            "Pull the old journal first. A new one knows no set-up and no calibration, nor what "
            "entered the tank today.",
        )
        sure("Begin a new journal?", yes)
        reply = client.ask("anew")
    done(reply, "A new journal. Load the set-up next: aliquot load FILE", as_json)
