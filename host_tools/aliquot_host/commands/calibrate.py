"""`aliquot calibrate`: what a pump gives, from runs that were measured, and how sure that is.

Runs come from a board that is watched (--live), from options or from a file. The result goes to a
board, into a set-up file, or nowhere. A pump that was never calibrated must first be seen to turn,
the right one and the right way.
"""

from __future__ import annotations

import dataclasses
import datetime
import math
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from aliquot_host import calibrating, csv_file, errors, output, setup_file, weighing
from aliquot_host.board_talk import (
    ML,
    agreed,
    at_the_tank,
    channel_of,
    connect,
    done,
    person,
    sure,
)
from aliquot_host.calibrating import Calibration, Run
from aliquot_host.commands.pump_runs import held, line_back, run
from aliquot_host.line import Client, Reply, plain_ml
from aliquot_host.number_option import CONFIDENCE, DENSITY, PLOT, Finite, finite

if TYPE_CHECKING:
    from aliquot_host.plot_file import Target

LIVE_S = 30
# Further from the last calibration than this is more often a slip than a pump.
ODD_PCT = 20
ASKED_MOST = 5
MS = 1000
ML_MOST = 10_000.0
BEYOND = (
    "One run in twenty looks so without a reason. Was it a bubble, a drop, a misread scale? "
    "Leave it out only if you know why."
)


@click.command("calibrate")
@click.argument("channel")
@click.option("--live", is_flag=True, help="Run the pump into a cup, and ask what it gave.")
@click.option(
    "--repeat",
    type=click.IntRange(1, 30),
    default=1,
    show_default=True,
    help="Runs of a --live calibration.",
)
@click.option("--counts", type=click.IntRange(1, 10_000_000), help="Counts of the run.")
@click.option(
    "--seconds",
    type=click.IntRange(1, 900),
    multiple=True,
    help=f"Of a --live run, several times for several lengths; default: {LIVE_S} or less.",
)
@click.option("--ml", type=ML, help="What the run gave, measured.")
@click.option(
    "--run",
    "texts",
    metavar="COUNTS:ML",
    multiple=True,
    help="A measured run, several times: 12800:10.02, 30s:12.1 of a timed motor, 12800:9.98g.",
)
@click.option(
    "--runs",
    "file",
    type=click.Path(path_type=Path),
    metavar="FILE.csv",
    help="Measured runs: columns counts or seconds, and ml or g.",
)
@click.option(
    "--water",
    type=Finite(0, 100),
    metavar="C",
    help="Grams are water of that temperature.",
)
@DENSITY
@click.option(
    "--pressure",
    type=Finite(1, 2000),
    default=weighing.STANDARD_HPA,
    show_default=True,
    metavar="HPA",
    help="Of the air, for buoyancy.",
)
@click.option(
    "--humidity",
    type=Finite(0, 100),
    default=weighing.HUMIDITY_PCT,
    show_default=True,
    metavar="PCT",
    help="Of the air, for buoyancy.",
)
@click.option("--stated", type=ML, metavar="ML", help="What each run should have given.")
@click.option(
    "--error",
    "error_pct",
    type=Finite(0.1, 100),
    default=calibrating.ERROR_PCT,
    show_default=True,
    metavar="PCT",
    help="The most that a single dose may be off: it gives the least dose.",
)
@CONFIDENCE
@click.option("--timed", is_flag=True, help="A timed motor: runs of several lengths give its ms.")
@click.option(
    "--offset",
    type=click.IntRange(0, 60000),
    help="A timed motor's ms; default: those of its last calibration.",
)
@click.option(
    "--setup",
    type=click.Path(path_type=Path),
    metavar="SETUP.toml",
    help="The plan that it is for: its pump, and its smallest dose.",
)
@click.option(
    "--write",
    type=click.Path(path_type=Path),
    metavar="SETUP.toml",
    help="Write it into a set-up file; the old one stays as a comment.",
)
@click.option("--to-board", is_flag=True, help="Tell the board what --run or --runs gave.")
@PLOT
@at_the_tank
def command(channel: str, **options: Any) -> None:
    """Work out what the pump of CHANNEL gives: so many counts, so many mL.

    With --live the board runs the pump into a cup, by default for half a minute, and you say what
    is in it, in mL or, with --water or --density, in grams (9.98g); --repeat does so several
    times, and several --seconds find the dead time of a timed motor. With --counts and --ml the
    board is told one run.
    With --run or --runs nothing moves: mean, spread, interval and least dose come from runs that
    you measured. By weight is best: --water 21.5 turns grams into mL by ISO 8655-6.

    Before its first calibration each pump turns for a second, so that you see that it is the right
    one and turns the right way. 10 mL or more, five times, are worth the time.
    """
    asked = _Asked(channel=channel, **options)
    asked.fitting()
    if asked.measured:
        _from_runs(asked)
    else:
        _with_board(asked)


@dataclasses.dataclass(frozen=True)
class _Asked:
    """The options."""

    channel: str
    live: bool
    repeat: int
    counts: int | None
    seconds: tuple[int, ...]
    ml: int | None
    texts: tuple[str, ...]
    file: Path | None
    water: float | None
    density: float | None
    pressure: float
    humidity: float
    stated: int | None
    error_pct: float
    confidence: float
    timed: bool
    offset: int | None
    setup: Path | None
    write: Path | None
    to_board: bool
    plot: Path | None
    port: str | None
    yes: bool
    as_json: bool

    @property
    def plan(self) -> Path | None:
        """The set-up that tells pump and doses."""
        return self.write or self.setup

    @property
    def measured(self) -> bool:
        """Whether runs were named that are to be worked out."""
        return bool(self.texts or self.file)

    def fitting(self) -> None:
        """Bad input where the options do not go together."""
        if self.measured:
            other = next(
                (f"--{name}" for name in ("live", "counts", "ml", "seconds") if vars(self)[name]),
                "",
            )
            if other:
                advice = "Say how the runs come: from a board, or measured."
                raise errors.bad(other, limit="not beside --run or --runs", advice=advice)
            return
        if not self.live and (self.counts is None or self.ml is None or self.seconds):
            advice = "Say what was measured, or let the board run the pump."
            limit = "--run or --runs, --counts and --ml, or --live"
            raise errors.bad("--live", limit=limit, advice=advice)
        if self.live and self.ml is not None:
            advice = "It is asked for after the run: leave it out."
            raise errors.bad("--ml", plain_ml(self.ml), limit="not beside --live", advice=advice)
        if self.counts is not None and self.seconds:
            advice = "Say one of the two."
            raise errors.bad(
                "--seconds", self.seconds[0], limit="not beside --counts", advice=advice
            )
        if self.live and not person():
            advice = "In a script: aliquot calibrate CHANNEL --counts N --ml V"
            raise errors.bad("--live", limit="a person who measures", advice=advice)
        if self.repeat > 1 and not self.live:
            raise errors.bad(
                "--repeat", self.repeat, limit="beside --live", advice="Leave it out."
            )

    def factor(self) -> float | None:
        """mL for each gram; None where nothing was said."""
        return weighing.factor(self.water, self.density, self.pressure, self.humidity)


# Runs that were measured


def _from_runs(asked: _Asked) -> None:
    """Work the runs out, show it, and hand it on where that was asked for."""
    from aliquot_host import plot_file

    target = plot_file.target(asked.plot)
    planned = _planned(asked)
    pump = planned["pump"] if planned else None
    runs, seconds = _runs(asked, pump["speed_cps"] if pump else None)
    timed = asked.timed or bool(pump and pump["kind"] == "timed") or (seconds and not pump)
    offset = asked.offset
    if offset is None:
        offset = planned["calibration"]["offset"] if planned else 0
    found = _worked(asked, runs, timed, offset)
    _draw(asked, target, found)
    _tell(asked, found)
    if asked.write:
        _write(asked, found)
    if asked.to_board:
        with connect(asked.port) as client:
            own = channel_of(client.ask("status"), asked.channel)
            _take(client, own, found.counts, found.ul, found.offset, asked.yes)
        output.note(f"The board has it: {found.counts} counts give {plain_ml(found.ul)} mL.")


def _draw(asked: _Asked, target: Target | None, found: Calibration) -> None:
    if target:
        from aliquot_host import calibration_plot

        calibration_plot.draw(target, found, asked.channel)


def _planned(asked: _Asked) -> dict[str, Any] | None:
    """The channel in its set-up, None without one."""
    if not asked.plan:
        return None
    data = setup_file.load(asked.plan).data
    ids = [c["id"] for c in data["channel"]]
    if asked.channel not in ids:
        raise errors.bad("CHANNEL", asked.channel, limit=", ".join(ids), advice="Name one.")
    return data["channel"][ids.index(asked.channel)]


def _worked(asked: _Asked, runs: Sequence[Run], timed: bool, offset: int) -> Calibration:
    try:
        return calibrating.calibrate(
            runs,
            timed=timed,
            offset=offset,
            stated_ml=asked.stated / 1000 if asked.stated else None,
            error_pct=asked.error_pct,
            confidence=asked.confidence,
        )
    except ValueError as wrong:
        said = str(wrong)
        advice = f"{said[:1].upper()}{said[1:]}."
        raise errors.bad("--run", limit="runs that fit together", advice=advice) from None


def _runs(asked: _Asked, speed_cps: int | None) -> tuple[list[Run], bool]:
    """The runs of options and file, and whether they were told in seconds."""
    factor = asked.factor()
    found: list[Run] = []
    told_s = False
    for text in asked.texts:
        size, _, amount = text.partition(":")
        in_s = size.strip().endswith("s")
        told_s |= in_s
        grams = amount.strip().endswith("g")
        counts = _number("--run", text, size.strip().removesuffix("s"))
        ml = _number("--run", text, amount.strip().removesuffix("g").removesuffix("mL").strip())
        found.append(_run("--run", text, counts, in_s, ml, grams, factor, speed_cps))
    if asked.file:
        table = csv_file.read(asked.file, 1000)
        size = csv_file.need(table, ("counts", "seconds"))
        amount = csv_file.need(table, ("ml", "mL", "g"))
        told_s |= size == "seconds"
        for row in table.rows:
            counts, ml = row.number(size), row.number(amount)
            if counts is None or ml is None:
                column = size if counts is None else amount
                raise errors.bad(row.at(column), limit="a number", advice="Fill it in.")
            place = row.at(amount)
            found.append(
                _run(place, ml, counts, size == "seconds", ml, amount == "g", factor, speed_cps)
            )
    return found, told_s


def _number(path: str, whole: str, text: str) -> float:
    value = finite(text)
    if math.isnan(value):
        advice = "Write COUNTS:ML, 30s:ML, or with a g behind it grams."
        raise errors.bad(path, whole, limit="12800:10.02", advice=advice)
    return value


def _run(
    path: str,
    value: object,
    counts: float,
    in_s: bool,
    amount: float,
    grams: bool,
    factor: float | None,
    speed_cps: int | None,
) -> Run:
    """One run in counts and mL. BadInput: what cannot be a run."""
    if grams and factor is None:
        advice = "Say --water with its temperature, or --density."
        raise errors.bad(path, value, limit="mL, or grams with a density", advice=advice)
    whole = round(counts * (speed_cps or MS)) if in_s else round(counts)
    if not in_s and whole != counts:
        raise errors.bad(path, value, limit="whole counts", advice="Or seconds: 30s:12.1")
    if not 1 <= whole <= calibrating.COUNTS_MOST:
        limit = f"1 to {calibrating.COUNTS_MOST} counts"
        raise errors.bad(path, value, limit=limit, advice="Look for a slip.")
    ml = amount * (factor or 1.0) if grams else amount
    if not 0 < ml <= ML_MOST:
        limit = f"more than 0, to {ML_MOST:g} mL"
        raise errors.bad(path, value, limit=limit, advice="Look for a slip.")
    return Run(whole, ml)


def _tell(asked: _Asked, found: Calibration) -> None:
    """The result, for people or for programs."""
    if asked.as_json:
        numbers = _payload(asked, found)
        output.print_json("aliquot-calibration", {"channel": asked.channel, **numbers})
        return
    rows = [
        (i + 1, run.counts, f"{run.ml:.3f}", f"{run.counts / run.ml:.2f}")
        for i, run in enumerate(found.runs)
    ]
    columns = ("run", "counts", "mL", "counts/mL")
    output.table(columns, rows, numbers=columns)
    output.say(*sentences(found))
    for line in warnings(asked.plan, asked.channel, found):
        output.say(f"! {line}", style="yellow")
    pair = f"counts = {found.counts}, ml = {plain_ml(found.ul)}"
    output.say(
        f"calibration = {{ {pair}{f', offset = {found.offset}' if found.offset else ''} }}",
        style="bold",
    )


def _payload(asked: _Asked, found: Calibration) -> dict[str, Any]:
    """The result for programs."""
    payload = dataclasses.asdict(found)
    payload["warnings"] = warnings(asked.plan, asked.channel, found)
    if found.linearity:
        payload["linearity"]["holds"] = found.linearity.holds
    return payload


def sentences(found: Calibration) -> list[str]:
    """What the runs say."""
    lines = [f"K-factor {found.k_counts_ml:.2f} counts/mL"]
    if found.k_low and found.k_high:
        half = (found.k_high - found.k_low) / 2
        lines[0] += f", {found.confidence:g} % interval {found.k_low:.2f} to {found.k_high:.2f}"
        lines[0] += f" (±{100 * half / found.k_counts_ml:.2f} %)"
    s = found.same
    if s:
        lines.append(
            f"mean {s.mean:.4g} mL, standard deviation {s.sd:.2g} mL, CV {s.cv_pct:.2f} %"
        )
    if found.more_to_halve:
        lines.append(f"{found.more_to_halve} more such runs would halve the interval")
    if found.systematic_pct is not None:
        lines.append(f"systematic error {found.systematic_pct:+.2f} % (ISO 8655-6)")
    if found.offset_counts is not None:
        text = f"dead time {found.offset_counts:.0f} ms"
        if found.offset_low is not None and found.offset_high is not None:
            text += f" ({found.offset_low:.0f} to {found.offset_high:.0f})"
        lines.append(text)
    if found.linearity:
        word = "within" if found.linearity.holds else "beyond"
        lines.append(
            f"linearity {found.linearity.worst_pct:.2f} % of the largest run over "
            f"{found.linearity.turndown:.1f}:1, {word} {calibrating.LINEARITY_PCT:g} % (a term of "
            "API 675)"
        )
    if found.least_ul is not None:
        lines.append(
            f"least dose that stays within {found.error_pct:g} %: {plain_ml(found.least_ul)} mL"
        )
    return lines


def warnings(setup: Path | None, channel: str, found: Calibration) -> list[str]:
    """What makes the calibration less than it looks."""
    told: list[str] = []
    if found.outlier and found.outlier.beyond:
        told.append(
            f"Run {found.outlier.index + 1} stands out (Grubbs, G {found.outlier.g:.2f} beyond "
            f"{found.outlier.critical:.2f}). {BEYOND}"
        )
    if found.k_low is None:
        told.append("A single run shows no spread: measure five.")
    if found.linearity and not found.linearity.holds:
        told.append("The runs lie on no line: air, a slipping tube, or a dead time (--timed)?")
    if found.offset_counts is not None and round(found.offset_counts) != found.offset:
        told.append(
            f"No motor has such a dead time: {found.offset} ms are kept. Runs on after its end, a "
            "length that is wrong, or too much spread? Measure longer and shorter runs again."
        )
    if setup and found.least_ul is not None:
        data = setup_file.load(setup).data
        c = next(c for c in data["channel"] if c["id"] == channel)
        least = smallest_ul(c)
        if least and least < found.least_ul:
            told.append(
                f"The plan's smallest dose is {plain_ml(least)} mL: at this spread single doses "
                f"of it may be off by more than {found.error_pct:g} %. Give fewer and larger "
                "ones, or a weaker liquid."
            )
    return told


def smallest_ul(c: dict[str, Any]) -> int:
    """The smallest dose of a channel's ordinary day."""
    from aliquot.core.plan import count, volumes
    from aliquot.core.setup import channel as compiled

    made = compiled({**c, "ramp": None})
    if made.at:
        return min((ul for _, ul in volumes(made, made.daily_ul)), default=0)
    return made.daily_ul // max(1, count(made, made.daily_ul))


def _write(asked: _Asked, found: Calibration) -> None:
    """Put it into the set-up file, the old one as a comment above."""
    from aliquot_host import editing

    assert asked.write
    today = datetime.date.today()
    data = setup_file.load(asked.write).data
    old = next(c for c in data["channel"] if c["id"] == asked.channel)["calibration"]
    was = f"counts = {old['counts']}, ml = {plain_ml(old['ul'])}"
    was += f", offset = {old['offset']}" if old["offset"] else ""
    value: dict[str, object] = {"counts": found.counts, "ml": Decimal(found.ul) / 1000}
    if found.offset:
        value["offset"] = found.offset
    cv = f", CV {found.same.cv_pct:.2f} %" if found.same else ""
    many = "1 run" if len(found.runs) == 1 else f"{len(found.runs)} runs"
    comment = f"until {today}: {{ {was} }}; then {many}{cv}"
    edit = editing.Edit(f"channel.{asked.channel}.calibration", value, comment)
    for line in editing.change(asked.write, [edit], today):
        output.note(line)
    output.note(f"{errors.printable(str(asked.write), most=0)} is written.")


# Runs of a board


def _with_board(asked: _Asked) -> None:
    """Tell the board one run, or let it run and ask."""
    from aliquot_host import plot_file

    channel = asked.channel
    # What cannot be written afterwards is found before any pump turns.
    target, planned = plot_file.target(asked.plot), _planned(asked)
    asked.factor()
    with connect(asked.port) as client:
        own = channel_of(client.ask("status"), channel)
        offset = int(own["cal"][2]) if asked.offset is None else asked.offset
        if not asked.live:
            runs = [Run(asked.counts or 0, (asked.ml or 0) / 1000)]
            if runs[0].counts <= offset:
                advice = "The counts of a run hold its dead time."
                raise errors.bad("--offset", offset, limit="less than the counts", advice=advice)
            reply = _take(client, own, runs[0].counts - offset, asked.ml or 0, offset, asked.yes)
            found = _worked(asked, runs, False, offset) if asked.ml else None
        else:
            timed = asked.timed or offset > 0
            timed |= bool(planned and planned["pump"]["kind"] == "timed")
            try:
                found, reply = _live_runs(asked, client, own, timed, offset)
            except (errors.BadInput, errors.Finding, click.Abort) as left:
                if isinstance(left, click.Abort):
                    output.note("")  # below the question
                if channel_of(client.ask("status"), channel)["cup"]:
                    held(channel)
                raise
            line_back(client, channel, asked.yes)
    if found is None:  # the board has refused 0 mL
        return
    _draw(asked, target, found)
    said = f"{channel}: {found.counts} counts give {plain_ml(found.ul)} mL."
    numbers = _payload(asked, found)
    done(reply, said, asked.as_json, counts=found.counts, ul=found.ul, calibration=numbers)
    if asked.write:
        _write(asked, found)


def _live_runs(
    asked: _Asked, client: Client, own: dict[str, Any], timed: bool, offset: int
) -> tuple[Calibration, Reply]:
    """Run as often as wanted; what the runs make together, and the board's reply."""
    lengths = asked.seconds or (None,)
    asks = [seconds for seconds in lengths for _ in range(asked.repeat)]
    runs: list[Run] = []
    for i, seconds in enumerate(asks):
        if len(asks) > 1:
            output.note(f"Run {i + 1} of {len(asks)}: an empty cup, please.")
        runs.append(_live(asked, client, own, seconds))
        own = {**own, "seen": True}
    found = _worked(asked, runs, timed, offset)
    if len(runs) > 1:
        output.note(*sentences(found))
        output.note(*(f"! {line}" for line in warnings(asked.plan, asked.channel, found)))
    reply = _take(client, own, found.counts, found.ul, found.offset, asked.yes)
    return found, reply


def _live(asked: _Asked, client: Client, own: dict[str, Any], seconds: int | None) -> Run:
    """Run into a cup; what it truly turned, and what the user measured."""
    name, speed_cps = str(own["id"]), int(own["speed_cps"])
    counts, yes = asked.counts, asked.yes
    if counts is None:
        counts = (seconds or min(LIVE_S, int(own["run_most_s"]))) * speed_cps
    sure(f"Is the end of the line of {name} in a cup?", yes)
    if not own["seen"]:
        output.note(f"First {name} turns for one second. Look at the pumps.")
        run(client, own, "turn", speed_cps)
        question = f"Did the pump of {name} turn, and the right way, from container to outlet?"
        # Nobody but a person who looks can say so, whatever else goes without questions.
        if not agreed(question, yes=False):
            raise errors.Finding("Put wiring or `reverse` right, and begin again.")
        client.ask("right", channel=name)
        sure(f"Is the cup empty again? {name} now turns {counts} counts.", yes)
    given = int(run(client, own, "cup", counts, counts=counts)["last"][2])
    output.note(
        f"It turned {given} counts. You may also measure in peace, and then say:",
        f"aliquot calibrate {name} --counts {given} --ml V",
    )
    for _ in range(ASKED_MOST):
        text = click.prompt("How many mL are in the cup", err=True)
        try:
            return Run(given, _ml(str(text), asked.factor()))
        except errors.BadInput as wrong:
            output.problems(wrong.problems)
    raise errors.bad("ML", limit="millilitres", advice="Begin again when you have measured.")


def _ml(text: str, factor: float | None) -> float:
    """What a person typed, in mL: 10.02, or 9.98g where the liquid is known."""
    grams = text.strip().endswith("g")
    if grams and factor is None:
        advice = "Say mL now, and next time --water with its temperature, or --density."
        raise errors.bad("ML", text, limit="millilitres", advice=advice)
    ul = ML.convert(text.strip().removesuffix("g").removesuffix("mL"), None, None)
    if not ul:
        raise errors.bad("ML", text, limit="more than 0 mL", advice="Ctrl-C if nothing came.")
    return ul / 1000 * (factor if grams and factor else 1.0)


def _take(
    client: Client, own: dict[str, Any], counts: int, ul: int, offset: int, yes: bool
) -> Reply:
    """Hand a measured pair to the board; one that is far from the last one is asked about."""
    old_counts, old_ul, _ = own["cal"]
    if old_counts and ul:
        pct = (100 * ul * old_counts - 100 * old_ul * counts) // (old_ul * counts)
        if abs(pct) > ODD_PCT:
            than = f"{abs(pct)} % {'more' if pct > 0 else 'less'}"
            sure(f"That is {than} than at the last calibration. Is it right?", yes)
    return client.ask("calibrate", channel=own["id"], counts=counts, ul=ul, offset=offset)
