"""`aliquot virtual`: the board's own program on the desk, with pumps and power of the small world.

Acts reach it over a TCP port of this computer alone, by the protocol of a board's serial port. No
set-up is changed, and no file is written but those of `--flash`.
"""

from __future__ import annotations

import contextlib
import math
import re
import signal
from collections.abc import Generator
from pathlib import Path
from types import FrameType

import click

from aliquot.core.decimals import stamp_text
from aliquot_host import errors, happenings, output, setup_file, silence, simulation, timetables
from aliquot_host.errors import bad
from aliquot_host.setup_file import Loaded
from aliquot_host.virtual_board import Folder, Memory
from aliquot_host.virtual_life import INPUTS, Desk, Press
from aliquot_host.virtual_line import HOST
from aliquot_host.virtual_view import Lines, Picture
from aliquot_host.world import Weather

SPEED_LEAST, SPEED_MOST = 0.01, 1_000_000.0
DURATION = re.compile(r"(?:(\d{1,4})d)?(?:(\d{1,5})h)?(?:(\d{1,6})m)?(?:(\d{1,9})s)?")
UNITS_S = (86400, 3600, 60, 1)
LIMIT = "a length of time such as 90s, 20m, 6h or 1d12h"
PRESS_S = 1
COLUMNS = ("channel", "doses", "planned mL", "commanded mL", "true mL", "missed mL", "refused mL")


@click.command("virtual")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--speed", default="1", show_default=True, help="Virtual seconds a second, or max.")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    help="The TCP port on 127.0.0.1; default: one that is free.",
)
@click.option("--start", metavar="DATE-TIME", help="When power comes; default: now.")
@click.option("--for", "length", metavar="LENGTH", help="End after so much virtual time.")
@click.option(
    "--flash",
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    help="Keep the board's flash in a folder, for the next time.",
)
@click.option(
    "--seed",
    type=click.IntRange(0, simulation.SEED_MOST),
    default=1,
    show_default=True,
    help="Draws how the pumps differ from their calibration, and more.",
)
@click.option("--no-network", is_flag=True, help="No server tells the time.")
@click.option(
    "--outage", "outages", metavar="AT,LENGTH", multiple=True, help="The power goes; repeatable."
)
@click.option(
    "--press",
    "presses",
    metavar="INPUT@AT[,LENGTH]",
    multiple=True,
    help=f"An input is on for 1s or so long: {', '.join(INPUTS)}; repeatable.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document at the end.")
def command(
    file: Path,
    speed: str,
    port: int,
    start: str | None,
    length: str | None,
    flash: Path | None,
    seed: int,
    no_network: bool,
    outages: tuple[str, ...],
    presses: tuple[str, ...],
    as_json: bool,
) -> None:
    """Run set-up FILE on a virtual board: the program of a real one, at any speed.

    AT and LENGTH are lengths of time such as 90s, 20m, 6h or 1d12h, AT counted from the start. One
    client is served at a time on socket://127.0.0.1:PORT; another one waits for its turn. Ctrl-C
    ends it: motors first, as at a board's prompt. With --flash the journal and the set-up
    stay in FOLDER, and the board goes on from there the next time.
    """
    loaded = setup_file.load(file)
    pace = speed_of(speed)
    for_s = duration("--for", length) if length is not None else 0
    start_w = start_of(start, loaded, for_s)
    weather = Weather(sorted(outage(text) for text in outages))
    poked = [press(text) for text in presses]
    view = view_of(as_json)
    desk = desk_of(
        loaded, flash, start_w, pace, seed, weather, poked, for_s, port, not no_network, view
    )
    try:
        with view.shown(desk), keyboard(desk):
            desk.live()
    except KeyboardInterrupt:
        if for_s:
            raise
    finally:
        desk.close()
    if as_json:
        output.print_json("aliquot-virtual", payload(desk))
    else:
        show(desk)


@contextlib.contextmanager
def keyboard(desk: Desk) -> Generator[None]:
    """Ctrl-C ends the program between two of its steps; pressed once more, at once."""

    def pressed(number: int, frame: FrameType | None) -> None:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        desk.interrupt()

    before = signal.signal(signal.SIGINT, pressed)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def view_of(as_json: bool) -> Lines | Picture:
    """A picture on a terminal, lines elsewhere; beside a JSON document on stderr."""
    terminal = output.console(err=as_json).is_terminal
    return Picture(as_json) if terminal else Lines(as_json)


def desk_of(
    loaded: Loaded,
    flash: Path | None,
    start_w: int,
    speed: float,
    seed: int,
    weather: Weather,
    presses: list[Press],
    for_s: int,
    port: int,
    network: bool,
    view: Lines | Picture,
) -> Desk:
    """The desk with its port open; BadInput where port or folder cannot be had."""
    if flash is not None and flash.exists() and not flash.is_dir():
        raise bad("--flash", str(flash), limit="a folder", advice="Name a folder, new or old.")
    if flash is not None and not flash.exists() and not flash.parent.is_dir():
        advice = "The folder above it does not exist: make it first."
        raise bad("--flash", str(flash), limit="a folder in one that exists", advice=advice)
    files = Memory() if flash is None else Folder(str(flash))
    try:
        return Desk(
            loaded, files, start_w=start_w, speed=speed, seed=seed, weather=weather,
            presses=presses, for_s=for_s, number=port, network=network, said=view.heard,
        )  # fmt: skip
    except OSError as wrong:
        advice = f"{wrong.strerror or wrong}: name another one, or leave it out."
        raise bad("--port", port, limit=f"a free port on {HOST}", advice=advice) from wrong


def speed_of(text: str) -> float:
    """Virtual seconds a second; 0 for max."""
    if text == "max":
        return 0
    try:
        speed = float(text)
    except ValueError:
        speed = math.nan
    if not SPEED_LEAST <= speed <= SPEED_MOST:
        limit = f"{SPEED_LEAST} to {SPEED_MOST:.0f}, or max"
        advice = "1 is the speed of life; max leaves all waiting out."
        raise bad("--speed", text, limit=limit, advice=advice)
    return speed


def duration(option: str, text: str, whole: str | None = None) -> int:
    """A length of time in seconds; BadInput names the option and what it was given."""
    found = DURATION.fullmatch(text)
    seconds = (
        sum(int(n or 0) * unit for n, unit in zip(found.groups(), UNITS_S, strict=True))
        if found
        else 0
    )
    if not 0 < seconds <= simulation.DAYS_MOST * 86400:
        value = text if whole is None else whole
        advice = f"At least one second, at most {simulation.DAYS_MOST} days."
        raise bad(option, value, limit=LIMIT, advice=advice)
    return seconds


def start_of(text: str | None, loaded: Loaded, for_s: int) -> int:
    """The second at which power comes; BadInput where a board would not believe its time."""
    zone = loaded.setup.zone
    if text is None:
        start_w = timetables.now_s()
    elif silence.FORM.fullmatch(text):
        start_w = silence.spans(text, zone, "--start")[0].from_w
    else:
        start_w = zone.day_start(timetables.date_given(text, 1, "--start"))
    simulation.date_checked(zone.date_of(start_w), for_s // 86400 + 1)
    return start_w


def outage(text: str) -> tuple[int, int]:
    """AT,LENGTH in seconds."""
    at, comma, length = text.partition(",")
    if not comma:
        advice = "When it begins, a comma, how long it lasts: 6h,90m."
        raise bad("--outage", text, limit="AT,LENGTH", advice=advice)
    return duration("--outage", at, text), duration("--outage", length, text)


def press(text: str) -> Press:
    """INPUT@AT or INPUT@AT,LENGTH."""
    what, sign, when = text.partition("@")
    if what not in INPUTS or not sign:
        advice = "Which input, the sign @, when, and how long: leak@6h,20m."
        limit = f"one of {', '.join(INPUTS)}, then @AT or @AT,LENGTH"
        raise bad("--press", text, limit=limit, advice=advice)
    at, comma, length = when.partition(",")
    at_s = duration("--press", at, text)
    return Press(what, at_s, duration("--press", length, text) if comma else PRESS_S)


def payload(desk: Desk) -> dict[str, object]:
    """What `--json` prints under its format and version."""
    board, zone = desk.board, desk.board.zone
    now_w = board.now_w()
    return {
        "start": stamp_text(board.start_w, zone.offset(board.start_w)),
        "end": stamp_text(now_w, zone.offset(now_w)),
        "totals": desk.totals(),
        "starts": {cause: desk.starts[cause] for cause in ("power", "watchdog", "program")},
        "faults": [
            {
                "kind": event.kind,
                "local": stamp_text(event.at_w, zone.offset(event.at_w)),
                "channel": event.channel or None,
                "text": event.text,
            }
            for event in desk.troubles()
        ],
        "why": desk.app.why if desk.app else "",
    }


def show(desk: Desk) -> None:
    """What came of it, for a person."""
    keys = ("planned_ul", "commanded_ul", "true_ul", "missed_ul", "refused_ul")
    table = [
        [name, str(sums["doses"]), *(f"{sums[key] / 1000:.2f}" for key in keys)]
        for name, sums in desk.totals().items()
    ]
    lived = happenings.span(desk.loop.now_us() // 1_000_000)
    output.table(COLUMNS, table, title=f"{lived} on a virtual board", numbers=COLUMNS[1:])
    starts = sum(desk.starts.values())
    many = "once" if starts == 1 else f"{starts} times"
    output.say(f"The board started {many}.")
    if desk.app and desk.app.why:
        output.say(errors.printable(f"It does not dose: {desk.app.why}.", most=0))
