"""`aliquot why`: one dose explained, by a set-up as it is planned or by a journal as it went.

It only explains; it changes neither. The reading of arguments is shared with `why-not`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path

import click

from aliquot.core.decimals import date_of_text, date_text
from aliquot_host import archive, errors, explain, explain_record, output, setup_file
from aliquot_host.archive import Archive
from aliquot_host.explain import Explanation, Plan, Step
from aliquot_host.setup_file import Loaded
from aliquot_host.trail import history_of, known_ids

KEY = re.compile(r"(\d{4}-\d\d-\d\d)#(\d{1,4})")
LIMIT = "a date and the number of the dose, such as 2026-03-29#5; the first of a date is #0"
SEGMENT = re.compile(r"j\d{8}\.txt")
LOOK_BYTES = 1 << 16
# Record numbers that a person still reads one by one.
SHOWN_MOST = 4


@click.command("why")
@click.argument("source", metavar="FILE|JOURNAL", type=click.Path(path_type=Path))
@click.argument("channel")
@click.argument("key", metavar="DATE#INDEX")
@click.option(
    "--setup",
    "files",
    metavar="FILE",
    multiple=True,
    type=click.Path(path_type=Path),
    help="The set-up that a journal was made with; may be given several times.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(source: Path, channel: str, key: str, files: tuple[Path, ...], as_json: bool) -> None:
    """Explain one dose of CHANNEL, from the day's volume to the counts.

    With a set-up FILE: the dose as it is planned. With a JOURNAL (a folder of segments, one
    segment, or an archive): the dose as it really went, each step with the records it rests on;
    what stands in the set-up alone needs --setup. INDEX counts the doses of a date from 0, as the
    records do. Exit code 1 where there is no such dose, or where the record of it is not what
    the set-up and the calibration lead to.
    """
    date, index = key_given(key)
    if is_journal(source):
        journal = archive.read_archive(source)
        setups = setups_for(journal, files)
        check_channel(channel, known_ids(journal))
        history = history_of(journal, channel)
        found: Sequence[Explanation] = explain_record.recorded(
            journal, setups, history, date, index
        )
        missing: list[Step] = []
        if not found:
            missing = explain_record.absent(journal, setups, history, date, index)
        tell_findings(journal)
    else:
        refuse_setups(files)
        plan = Plan(setup_file.load(source))
        check_channel(channel, plan.ids())
        made = explain.planned(plan, channel, date, index)
        found = [made] if isinstance(made, Explanation) else []
        missing = [made] if isinstance(made, Step) else []
    if as_json:
        output.print_json("aliquot-why", payload(channel, date, index, found, missing))
    else:
        for one in found:
            show(f"{channel} {date_text(date)}#{index}: {one.headline}", one.steps)
        if missing:
            show(f"{channel} {date_text(date)}#{index}: no such dose", missing)
    odd = [step.text for one in found for step in one.steps if step.name == "differs"]
    if odd or not found:
        raise errors.Finding(*([] if as_json else odd))


def payload(
    channel: str,
    date: int,
    index: int,
    found: Iterable[Explanation],
    missing: Iterable[Step],
) -> dict[str, object]:
    """What --json prints under its format and version."""
    return {
        "channel": channel,
        "date": date_text(date),
        "index": index,
        "doses": [one.as_json() for one in found],
        "missing": [step.as_json() for step in missing],
    }


def key_given(text: str) -> tuple[int, int]:
    """The date and index that a person wrote; BadInput otherwise."""
    found = KEY.fullmatch(text)
    if not found:
        raise errors.bad("DATE#INDEX", text, limit=LIMIT)
    try:
        return date_of_text(found[1]), int(found[2])
    except ValueError as wrong:
        raise errors.bad("DATE#INDEX", text, limit=LIMIT, advice=f"{wrong}.") from wrong


def is_journal(source: Path) -> bool:
    """Whether a path is a journal rather than a set-up: a folder, or something with an opening."""
    if source.is_dir() or SEGMENT.fullmatch(source.name):
        return True
    if not source.exists():
        advice = "There is no such file or folder: look at its name and place."
        raise errors.bad(str(source), advice=advice)
    with source.open("rb") as file:
        return archive.HEAD in file.read(LOOK_BYTES)


def check_channel(name: str, known: Sequence[str]) -> None:
    """BadInput where nothing is called so."""
    if name not in known:
        limit = "one of " + ", ".join(known) if known else "a channel; there is none"
        raise errors.bad("CHANNEL", name, limit=limit)


def refuse_setups(files: Sequence[Path]) -> None:
    """BadInput where --setup stands beside a set-up."""
    if files:
        advice = "It belongs to a journal; the set-up to be explained is named already."
        raise errors.bad("--setup", str(files[0]), advice=advice)


def setups_for(journal: Archive, files: Iterable[Path]) -> dict[str, Loaded]:
    """SHA-256 -> set-up of every file given; BadInput where a journal never knew one of them."""
    known = digests(journal)
    found: dict[str, Loaded] = {}
    for file in files:
        loaded = setup_file.load(file)
        if loaded.digest not in known:
            limit = "a set-up of this journal: SHA-256 " + " or ".join(known)
            if not known:
                limit = "a set-up of this journal, which records none"
            advice = f"This one has {loaded.digest}: find the file as it was loaded then."
            raise errors.bad("--setup", str(file), limit=limit, advice=advice)
        found[loaded.digest] = loaded
    return found


def digests(journal: Archive) -> list[str]:
    """The SHA-256 of every set-up that a journal records, oldest first."""
    found = [journal.opening[1].split(" ")[0]]
    found += [r.text.split(" ")[0] for r in journal.records if r.kind == "C"]
    return [one for one in dict.fromkeys(found) if one != "-"]


def tell_findings(journal: Archive) -> None:
    """Damage of the journal, on stderr: what is explained may rest on it."""
    for finding in journal.findings:
        output.note(f"warning: {finding.text}", style="yellow")


def show(title: str, steps: Iterable[Step]) -> None:
    """One explanation for a person: a row a step, with the records it rests on."""
    steps = list(steps)
    output.say(title, style="bold")
    some = any(any(step.records) for step in steps)
    headings = ("step", "how", "records")[: 2 + some]
    rows = [(step.name, step.text, numbers(step.records))[: 2 + some] for step in steps]
    output.table(headings, rows)


def numbers(records: Iterable[int]) -> str:
    """Record numbers for a person: "#12 #14", or "#12 … #98 (24)"."""
    listed = sorted({record for record in records if record})
    if len(listed) > SHOWN_MOST:
        return f"#{listed[0]} … #{listed[-1]} ({len(listed)})"
    return " ".join(f"#{record}" for record in listed)
