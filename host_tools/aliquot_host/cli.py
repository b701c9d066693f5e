"""The command `aliquot`: finds a command's module, runs it, and turns what it raises into words.

It never imports a command that does not run: `--help` reads the table below and nothing else.
"""

from __future__ import annotations

import dataclasses
import importlib
import os
import sys
from collections.abc import Sequence
from importlib.util import find_spec
from typing import NoReturn, TextIO

import click

from aliquot_host import errors

SET_UP = "Set up"
PLAN = "Plan"
REHEARSE = "Rehearse"
AT_THE_TANK = "At the tank"
LOOK_BACK = "Look back"
PROVE = "Prove"
DEVELOP = "Develop"
SECTIONS = (SET_UP, PLAN, REHEARSE, AT_THE_TANK, LOOK_BACK, PROVE, DEVELOP)


@dataclasses.dataclass(frozen=True)
class Entry:
    """One row of the help: its section, the module under aliquot_host.commands, one line.

    A module with several commands is `module:function`."""

    section: str
    module: str
    help: str


COMMANDS = {
    "new": Entry(SET_UP, "new", "Ask for tank, liquids and pumps; write a set-up file."),
    "check": Entry(SET_UP, "check", "Say what is wrong with a set-up, and what to do."),
    "convert": Entry(SET_UP, "convert", "Turn a set-up into the board's JSON and back."),
    "diff": Entry(SET_UP, "diff", "Show what differs between two set-ups, in effect."),
    "boards": Entry(SET_UP, "boards", "List boards, show their pins, draw the wiring."),
    "parts": Entry(SET_UP, "parts", "List what to buy for a set-up, as ratings."),
    "zone": Entry(SET_UP, "zone", "Show a time zone's rule, and how far it can be relied on."),
    "schema": Entry(SET_UP, "schema", "Print the JSON Schema of set-up files for editors."),
    "timetable": Entry(PLAN, "timetable", "List the doses of a date: times, volumes, counts."),
    "liquid": Entry(PLAN, "liquid", "How strong a stock is, and grams for a strength."),
    "consumption": Entry(PLAN, "consumption", "What the tank uses a day, from dated tests."),
    "propose": Entry(PLAN, "propose", "A plan from tests and target, within limits."),
    "away": Entry(PLAN, "away", "What would run out or come due while you are away."),
    "why": Entry(PLAN, "why", "Explain one dose, from the plan to the counts."),
    "why-not": Entry(PLAN, "why_not", "Explain why a channel gave nothing at a time."),
    "simulate": Entry(REHEARSE, "simulate", "Run a set-up for days in seconds, with outages."),
    "what-if": Entry(REHEARSE, "what_if", "The last month of a journal under another plan."),
    "demo": Entry(REHEARSE, "demo", "A month of a made-up tank, as a story and a report."),
    "virtual": Entry(REHEARSE, "virtual", "Run the board's own program on the desk, with a port."),
    "status": Entry(AT_THE_TANK, "status", "How the board stands, and what needs you."),
    "logs": Entry(AT_THE_TANK, "logs", "The last records of the board, in words."),
    "pull": Entry(AT_THE_TANK, "pull", "Read the board's journal into a folder."),
    "load": Entry(AT_THE_TANK, "load", "Put a set-up onto a running board."),
    "stop": Entry(AT_THE_TANK, "orders:stop", "Stop the motor, and hold everything."),
    "hold": Entry(AT_THE_TANK, "orders:hold", "Give nothing until released, or until a time."),
    "release": Entry(AT_THE_TANK, "orders:release", "End a hold; say that a line is back."),
    "skip": Entry(AT_THE_TANK, "orders:skip", "Leave out the next dose, or several."),
    "trim": Entry(AT_THE_TANK, "orders:trim", "Take a percentage off the next doses."),
    "override": Entry(AT_THE_TANK, "orders:override", "So much a day more or less, for days."),
    "extra": Entry(AT_THE_TANK, "orders:extra", "Give a volume once, now."),
    "refill": Entry(AT_THE_TANK, "orders:refill", "Say what a container holds now."),
    "prime": Entry(AT_THE_TANK, "pump_runs:prime", "Fill a line, into a cup or the tank."),
    "calibrate": Entry(AT_THE_TANK, "calibrate", "What a pump gives, and how sure that is."),
    "new-tubing": Entry(AT_THE_TANK, "orders:new_tubing", "Say that a pump has new tubing."),
    "set-clock": Entry(AT_THE_TANK, "orders:set_clock", "Set the board's clock."),
    "note": Entry(AT_THE_TANK, "orders:note", "Write into the board's journal."),
    "clear-fault": Entry(AT_THE_TANK, "orders:clear_fault", "End a fault that was seen to."),
    "restart": Entry(AT_THE_TANK, "orders:restart", "Start the board anew."),
    "begin-anew": Entry(AT_THE_TANK, "orders:begin_anew", "Begin a journal beside a broken one."),
    "replay": Entry(LOOK_BACK, "replay", "Read a journal again and show where it leads."),
    "history": Entry(LOOK_BACK, "history", "What went in day by day; a CSV and a report."),
    "drift": Entry(LOOK_BACK, "drift", "What each pump really gives, by its refills."),
    "accuracy": Entry(LOOK_BACK, "accuracy", "How even a pump runs, from a balance."),
    "cuts": Entry(PROVE, "cuts", "Cut the power at every change of the flash, and look."),
    "soak": Entry(PROVE, "soak", "Let boards live through trouble, and look at every rule."),
    "test": Entry(DEVELOP, "test_", "Run the tests of this checkout; arguments go to pytest."),
    "bench": Entry(DEVELOP, "bench", "Measure speed and memory against what must be reached."),
}

EPILOG = """\b
Examples:
  aliquot new reef.toml --yes --from four_channels
  aliquot timetable reef.toml --days 2

\b
Exit codes: 0 fine, 1 a finding, 2 bad input. ALIQUOT_DEBUG=1 shows tracebacks.
"""


def present(name: str) -> bool:
    """Whether the module of a command is there: half a checkout lists only what it has."""
    module = COMMANDS[name].module.partition(":")[0]
    return find_spec(f"aliquot_host.commands.{module}") is not None


class Commands(click.Group):
    """The group whose commands are rows of COMMANDS."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [name for name in COMMANDS if present(name)]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        if not present(cmd_name):
            raise click.UsageError(f"'{cmd_name}' is planned, but not part of this version.", ctx)
        own, _, function = COMMANDS[cmd_name].module.partition(":")
        module = importlib.import_module(f"aliquot_host.commands.{own}")
        command: click.Command = getattr(module, function or "command")
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        names = self.list_commands(ctx)
        widest = max(map(len, names))
        for section in SECTIONS:
            rows = [
                (name.ljust(widest), COMMANDS[name].help)
                for name in names
                if COMMANDS[name].section == section
            ]
            if rows:
                with formatter.section(section):
                    formatter.write_dl(rows)


def show_version(ctx: click.Context, _option: click.Parameter, wanted: bool) -> None:
    """Print the version, which the board's package holds, and leave."""
    if wanted and not ctx.resilient_parsing:
        from aliquot import __version__

        click.echo(f"aliquot {__version__}")
        ctx.exit()


@click.group(
    cls=Commands,
    epilog=EPILOG,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.option(
    "--version",
    is_flag=True,
    expose_value=False,
    is_eager=True,
    callback=show_version,
    help="Show the version and exit.",
)
def cli() -> None:
    """Plan, check and rehearse the dosing of a marine aquarium.

    Turns so many millilitres a day into motor counts at the right minute, with the engine that
    the board runs. For aquariums alone: not for people, not for medicine.
    """


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line (default: the process's own) and return its exit code."""
    stdout = sys.stdout
    try:
        returned = cli.main(
            args=None if arguments is None else list(arguments),
            prog_name="aliquot",
            standalone_mode=False,
        )
        # A command that ends through ctx.exit(code) arrives here as its code.
        code = returned if isinstance(returned, int) else errors.FINE
        # What is still in the buffer may meet a closed pipe: better here than at shutdown.
        sys.stdout.flush()
        return code
    except errors.Finding as finding:
        tell("", *finding.lines)
        return errors.FOUND
    except errors.BadInput as wrong:
        tell_bad_input(wrong)
        return errors.BAD_INPUT
    except click.Abort as abort:
        if isinstance(abort.__context__, EOFError) or isinstance(abort.__cause__, EOFError):
            tell("aliquot: ", "a question had no answer, because the input ended.")
            return errors.BAD_INPUT
        tell("", "", "Interrupted.")
        return errors.INTERRUPTED
    except click.ClickException as wrong:
        wrong.show()
        return errors.BAD_INPUT
    except KeyboardInterrupt:
        tell("", "", "Interrupted.")
        return errors.INTERRUPTED
    except BrokenPipeError:
        return leave_quietly()
    except SystemExit:
        # click answers a closed pipe with another stdout and with 1, which here means a finding.
        if sys.stdout is not stdout:
            return leave_quietly()
        raise
    except OSError as wrong:
        if wrong.filename is None:
            return tell_our_mistake(wrong)
        tell_bad_input(errors.bad(str(wrong.filename), advice=f"{wrong.strerror}."))
        return errors.BAD_INPUT
    except Exception as mistake:  # noqa: BLE001 - a person is told, a programmer may look closer
        return tell_our_mistake(mistake)


def leave_quietly() -> int:
    """The reader has seen enough (`aliquot timetable ... | head`): no mistake. The exit code."""
    # What is still in the buffer goes nowhere, so that Python's flush at the end meets no pipe.
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    return errors.FINE


def tell(head: str, *lines: str) -> None:
    """Sentences on stderr, the first after a head."""
    for line in lines:
        click.echo(head + line, err=True)
        head = ""


def tell_bad_input(wrong: errors.BadInput) -> None:
    """The problems, errors first, then how many there are and where."""
    from aliquot_host import output

    output.problems(wrong.problems)
    count = sum(problem.level == "error" for problem in wrong.problems)
    if wrong.where or count > 1:
        place = f" in {errors.printable(wrong.where, most=0)}" if wrong.where else ""
        tell("aliquot: ", f"{count} error{'' if count == 1 else 's'}{place}.")


def tell_our_mistake(mistake: Exception) -> int:
    """What nobody foresaw: short for a person, whole with ALIQUOT_DEBUG=1. Gives the exit code."""
    if os.environ.get("ALIQUOT_DEBUG") == "1":
        import traceback

        traceback.print_exception(mistake)
    what = errors.printable(str(mistake), most=200)
    tell(
        "aliquot: ",
        f"this is a mistake in Aliquot, not in your file ({type(mistake).__name__}: {what}).",
        "Run it again with ALIQUOT_DEBUG=1 and report what it prints.",
    )
    return errors.OUR_MISTAKE


def forgive(stream: TextIO) -> None:
    """A terminal that cannot show µ or × gets a question mark, not a traceback."""
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="replace")


def main() -> NoReturn:
    """The console script: run() with the process's arguments, streams and exit code."""
    forgive(sys.stdout)
    forgive(sys.stderr)
    sys.exit(run())
