"""`aliquot why-not`: why a channel gave nothing at a time, by a set-up or by a journal.

It only explains. Arguments are read as `why` reads them.
"""

from __future__ import annotations

from pathlib import Path

import click

from aliquot.core.decimals import stamp_text
from aliquot_host import archive, output, setup_file, silence
from aliquot_host.commands import why
from aliquot_host.explain import Plan, local
from aliquot_host.silence import Answer
from aliquot_host.trail import history_of, known_ids


@click.command("why-not")
@click.argument("source", metavar="FILE|JOURNAL", type=click.Path(path_type=Path))
@click.argument("channel")
@click.argument("time")
@click.option(
    "--setup",
    "files",
    metavar="FILE",
    multiple=True,
    type=click.Path(path_type=Path),
    help="The set-up that a journal was made with; may be given several times.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(source: Path, channel: str, time: str, files: tuple[Path, ...], as_json: bool) -> None:
    """Explain why CHANNEL gave nothing at TIME, or show that it did.

    TIME is local time at the tank, such as 2026-03-29T14:05, or ends in Z or +02:00; without
    seconds it means the whole minute. With a set-up FILE: what is planned around it. With a
    JOURNAL: what the records say; local times there need --setup, since a journal knows no zone.
    """
    answers: list[Answer] = []
    if why.is_journal(source):
        journal = archive.read_archive(source)
        setups = why.setups_for(journal, files)
        zone = list(setups.values())[-1].setup.zone if setups else None
        why.check_channel(channel, known_ids(journal))
        for asked in silence.spans(time, zone):
            history = history_of(journal, channel, (asked.from_w, asked.until_w - 1))
            answers += silence.recorded(journal, setups, history, asked, zone)
        why.tell_findings(journal)
    else:
        why.refuse_setups(files)
        plan = Plan(setup_file.load(source))
        zone = plan.setup.zone
        why.check_channel(channel, plan.ids())
        answers = [silence.planned(plan, channel, span) for span in silence.spans(time, zone)]
    if as_json:
        output.print_json("aliquot-why-not", payload(channel, time, answers))
        return
    for answer in answers:
        at = local(answer.span.from_w, zone)
        at += f" ({answer.span.note})" if answer.span.note else ""
        why.show(f"{channel} at {at}: {answer.headline}", answer.steps)


def payload(channel: str, time: str, answers: list[Answer]) -> dict[str, object]:
    """What --json prints under its format and version."""
    return {
        "channel": channel,
        "time": time,
        "answers": [
            {
                "from_utc": stamp_text(answer.span.from_w),
                "until_utc": stamp_text(answer.span.until_w),
                "note": answer.span.note,
                **answer.as_json(),
            }
            for answer in answers
        ],
    }
