"""`aliquot cuts`: cuts the power at every change of the flash and looks at what becomes of it.

The flash is the real littlefs in memory, the engine and the store are the board's own. No board is
needed, and no file of this machine is touched.
"""

from __future__ import annotations

import os
from typing import Any

import click

from aliquot_host import cuts, errors, output
from aliquot_host.cut_scenarios import SCRIPTS, SIZES
from aliquot_host.cuts import Case, Recording, Tally
from aliquot_host.flash import BOARDS, TEARS

JOBS_MOST = 256


@click.command("cuts")
@click.option(
    "--board",
    type=click.Choice([*BOARDS, "both"]),
    default="both",
    show_default=True,
    help="Whose flash: its parameters and its size.",
)
@click.option(
    "--mode",
    type=click.Choice(cuts.MODES),
    default="every",
    show_default=True,
    help="none: no cut. every: one cut, everywhere. log: lives cut ever later. "
    "pairs: a second cut at every change of the start after the first.",
)
@click.option(
    "--scenario",
    type=click.Choice(list(SCRIPTS)),
    help="What happens meanwhile; default: short for pairs, else standard.",
)
@click.option(
    "--sizes",
    type=click.Choice(list(SIZES)),
    default="small",
    show_default=True,
    help="small: a journal that rotates within hours; real: as on a board, which takes long.",
)
@click.option(
    "--tears",
    default="".join(TEARS),
    show_default=True,
    metavar="LETTERS",
    help="What a cut leaves of a change: " + ", ".join(f"{k} {v}" for k, v in TEARS.items()) + ".",
)
@click.option(
    "--seed",
    type=click.IntRange(0, cuts.SEED_MOST),
    default=1,
    show_default=True,
    help="Shifts volumes and minutes of the scenario.",
)
@click.option(
    "--jobs",
    type=click.IntRange(1, JOBS_MOST),
    default=lambda: min(JOBS_MOST, os.cpu_count() or 1),
    help="Processes at a time; default: one a core.",
)
@click.option("--replay", metavar="STRING", help="Make one case again, from its string alone.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(
    board: str,
    mode: str,
    scenario: str | None,
    sizes: str,
    tears: str,
    seed: int,
    jobs: int,
    replay: str | None,
    as_json: bool,
) -> None:
    """Cut the power everywhere: nothing may be given twice, nothing forgotten.

    A scenario is lived through once, with every program and erase of the flash noted. Then power
    is cut at each of them, clean and torn, and before, during and after each run of a motor; each
    time the board starts again and lives on under the checks of the invariants. Exit code 1 where
    one does not hold, where a cut was left out, or where the scenario lacks what it is for.
    """
    if replay is not None:
        again(cuts.parse(replay), as_json)
        return
    if not tears or set(tears) - set(TEARS) or len(set(tears)) < len(tears):
        raise errors.bad("--tears", tears, limit="each of " + ", ".join(TEARS) + " at most once")
    named = scenario or ("short" if mode == "pairs" else "standard")
    boards = list(BOARDS) if board == "both" else [board]
    done = [one(mode, Case(name, sizes, named, seed, ()), tears, jobs, as_json) for name in boards]
    passed = all(run["passed"] for run in done)
    if as_json:
        output.print_json("aliquot-cuts", {"mode": mode, "runs": done, "passed": passed})
    if not passed:
        raise errors.Finding(*([] if as_json else ["The cuts did not pass; see above."]))


def one(mode: str, case: Case, tears: str, jobs: int, as_json: bool) -> dict[str, Any]:
    """A mode on one board: done, shown, and as JSON."""
    tally, found = cuts.cut(mode, case, tears, jobs)
    lacks = cuts.missing(found, case.scenario) if found else []
    row = {
        "board": case.board,
        "scenario": case.scenario,
        "sizes": case.sizes,
        "seed": case.seed,
        "happened": dict(found.kinds) if found else {},
        "records": dict(sorted(found.records.items())) if found else {},
        "tried": dict(tally.tried),
        "expected": dict(tally.expected),
        "lacks": lacks,
        "violations": [
            {"number": number, "text": text, "replay": name}
            for number, text, name in tally.violations
        ],
        "passed": not tally.violations and not lacks and tally.tried == tally.expected,
    }
    if not as_json:
        show(mode, case, tally, found, lacks)
    return row


def show(mode: str, case: Case, tally: Tally, found: Recording | None, lacks: list[str]) -> None:
    """What happened, the cuts and the verdict, for a person."""
    title = f"{case.board}, {case.scenario} scenario, {case.sizes} sizes, seed {case.seed}"
    if found:
        words = cuts.RECORDS[case.scenario]
        rows = list(found.kinds.items())
        rows += [
            (f"record {kind}" + (f" ({words[kind]})" if kind in words else ""), n)
            for kind, n in sorted(found.records.items())
        ]
        output.table(["what happened", "times"], rows, title=title, numbers=["times"])
    kinds = [*tally.expected, *(kind for kind in tally.tried if kind not in tally.expected)]
    if kinds:
        rows = [(kind, tally.tried[kind], tally.expected[kind]) for kind in kinds]
        output.table(
            ["cuts", "tried", "expected"],
            rows,
            title=f"mode {mode}",
            numbers=["tried", "expected"],
        )
    for text in lacks:
        output.say(f"LACKS {text}", style="bold")
    for number, text, name in tally.violations:
        output.say(f"VIOLATION {number}: {text}", f"  aliquot cuts --replay {name}", style="bold")
    if tally.tried != tally.expected and not tally.violations:
        output.say("The cuts tried are not the cuts expected.", style="bold")
    many = len(tally.violations)
    output.say(f"{tally.cuts} cuts, {many} violation{'' if many == 1 else 's'}.", "")


def again(case: Case, as_json: bool) -> None:
    """One case, made again from its name."""
    broken = cuts.run_case(case)
    told = cuts.told(case)
    if as_json:
        found = {"number": broken.number, "text": broken.text} if broken else None
        output.print_json("aliquot-cut", {"replay": case.name, "cuts": told, "violation": found})
    else:
        output.say(case.name, *(f"  {line}" for line in told))
        if broken:
            output.say(f"VIOLATION {broken.number}: {broken.text}", style="bold")
        else:
            output.say("No violation.", style="bold")
    if broken:
        raise errors.Finding()
