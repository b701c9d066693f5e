"""A rehearsal as one page for people: self-contained HTML that asks no network for anything.

It reads an outcome and shows it; nothing is worked out here that the outcome does not say. The
same outcome gives the same bytes. What it writes begins with a mark by which it is known again,
and it writes over nothing else.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from pathlib import Path

from aliquot import __version__
from aliquot_host import plots, simulation, story
from aliquot_host.errors import bad
from aliquot_host.happenings import digits, ml, span
from aliquot_host.plots import Plot
from aliquot_host.simulation import Outcome

BEATS_MOST = 300
MARK = "<!doctype html>\n<!-- aliquot {kind} report -->\n"

CUT = """Counting steps is not measuring flow. What the board believes, it believes because it \
told a motor to turn; of the following it would notice nothing."""
LIMITS = (
    ("A blocked or pinched line", "weigh or measure a cup now and then, and test the water"),
    ("Air in the line", "prime it after every change, and look at it"),
    ("An empty container", "enter refills, heed the low mark, or add a float switch"),
    ("A dead motor supply, or a motor that slips", "a supply-sense pin; calibrate again"),
    ("A siphon", "every outlet above the water, with a siphon break"),
)
WORLD = """The rehearsal itself is simple: one well-mixed tank, use that is even through the day, \
pumps that are off by a little and wear by a little. It knows no chemistry, no evaporation and no \
water changes. The engine that decided every dose is the one that runs on a board."""
CAUTIONS = (
    "For aquariums. Not for people, and not for medicine.",
    "Strong alkalis burn skin and eyes: gloves, glasses, and water at hand.",
    "Too much of anything kills animals: begin with low caps, raise slowly, test the water.",
    "Salt water and mains do not go together: a low-voltage supply behind a residual-current"
    " device, and a drip loop in every cable.",
)


def may_write(path: Path, kind: str, force: bool) -> None:
    """BadInput where `path` is something else than a report of this kind, or cannot be written."""
    if path.is_dir() or not path.parent.is_dir():
        advice = "Name a file in a folder that is there."
        raise bad("--report", str(path), limit="a file", advice=advice)
    if force or not path.exists():
        return
    mark = MARK.format(kind=kind).encode()
    with path.open("rb") as there:
        if there.read(len(mark)) != mark:
            limit = f"a new file, or a {kind} report"
            advice = "There is another file: choose another name, or write over it with --force."
            raise bad("--report", str(path), limit=limit, advice=advice)


def write(path: Path, outcome: Outcome, kind: str, title: str, more: Sequence[str] = ()) -> None:
    """Write the report of an outcome; see `may_write` for what it may go over."""
    path.write_bytes(page(outcome, kind, title, more).encode())


def page(outcome: Outcome, kind: str, title: str, more: Sequence[str] = ()) -> str:
    """The whole page. kind: the word in its mark; title: its heading; more: further sections."""
    beats = story.tell(outcome)
    parts = [
        _head(outcome, title),
        _figures(outcome),
        _ribbons(outcome),
        section(
            "delivered",
            "Delivered against planned",
            "Bars are what the engine commanded on a date, extras among it; the dash across is the"
            " plan; dots are what truly left the pump, which no board can know.",
            [plots.delivered(outcome)],
        ),
        _water(outcome),
        _containers(outcome),
        _beats(beats, kind),
        _totals(outcome),
        *more,
        _limits(),
    ]
    body = "\n".join(part for part in parts if part)
    return shell(kind, title, f"{body}\n{_foot(outcome)}")


def shell(kind: str, title: str, body: str) -> str:
    """A page around its body; kind: the word in its mark, by which it may be written over."""
    return (
        MARK.format(kind=kind)
        + f'<html lang="en">\n<head>\n<meta charset="utf-8">\n<title>{esc(title)}</title>\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<style>{STYLE}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def esc(text: object) -> str:
    """A text as HTML holds it."""
    return html.escape(str(text))


def _head(outcome: Outcome, title: str) -> str:
    first, last = outcome.days[0].date, outcome.days[-1].date
    days = "one day" if len(outcome.days) == 1 else f"{len(outcome.days)} days"
    data = outcome.world.setups[0][1]
    tank = f" in {data['tank']['volume_ml'] / 1000:g} litres" if data["tank"] else ""
    n = len(outcome.ids)
    when = story.day_text(first, year=True)
    if last > first:
        when += f" to {story.day_text(last, year=True)}"
    broken = bool(outcome.world.violations)
    lead = (
        f"{days.capitalize()}, {when}, {data['timezone']}."
        f" {_many(n, 'channel').capitalize()}{tank}, {_many(outcome.outages, 'power cut')},"
        f" seed {outcome.seed}. Nothing here was dosed: the engine of the board ran in a small"
        " made-up world."
    )
    word, look = ("Broken", "bad") if broken else ("Held", "good")
    return (
        f'<header>\n<p class="brand">Aliquot <span>rehearsal</span></p>\n<h1>{esc(title)}</h1>\n'
        f'<p class="lead">{esc(lead)}</p>\n<p class="verdict {look}"><b>{word}</b> '
        f"{esc(simulation.verdict(outcome))}</p>\n</header>"
    )


def _many(n: int, what: str) -> str:
    words = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    number = words[n] if n < len(words) else str(n)
    return f"{number} {what}{'' if n == 1 else 's'}"


def _figures(outcome: Outcome) -> str:
    """The key figures, each a number and a sentence, and the three volumes on one scale."""
    sums = list(outcome.totals().values())
    planned, commanded, true = (
        sum(one[key] for one in sums) for key in ("planned_ul", "commanded_ul", "true_ul")
    )
    cards = [
        (
            f"{100 * commanded / planned:.1f} %" if planned else "0",
            f"of what was planned was commanded: {ml(commanded)} of {ml(planned)},"
            " extras among it.",
        ),
        *_cards(outcome),
    ]
    most = max(planned, commanded, true, 1)
    bars = "".join(
        f'<div><dt>{name}</dt><dd><i style="width:{100 * ul / most:.2f}%"></i>'
        f"<b>{ml(ul)}</b></dd></div>"
        for name, ul in (("planned", planned), ("commanded", commanded), ("truly given", true))
    )
    items = "".join(f"<li><b>{esc(n)}</b> {esc(text)}</li>" for n, text in cards)
    return (
        '<section id="figures">\n<h2>In short</h2>\n'
        f'<dl class="scale">{bars}</dl>\n<ul class="cards">{items}</ul>\n</section>'
    )


def _cards(outcome: Outcome) -> Iterable[tuple[str, str]]:
    world = outcome.world
    runs = [run for run in world.runs if run.into == "dose"]
    passed: dict[str, int] = dict.fromkeys(("missed", "refused", "skipped"), 0)
    for one in world.passed:
        passed[one.kind] += one.doses
    yield (
        f"{len(runs):,}",
        f"doses ran. {passed['missed']} were missed, {passed['refused']} refused and"
        f" {passed['skipped']} left out.",
    )
    away = sum(event.seconds for event in outcome.events if event.kind == "outage")
    if away:
        sums = outcome.totals().values()
        missed, raised = (sum(one[key] for one in sums) for key in ("missed_ul", "raised_ul"))
        yield (
            span(away),
            f"without power. {ml(missed)} were missed for that and other reasons; {ml(raised)}"
            " came back as small raises of later doses.",
        )
    fullest = _fullest(outcome)
    if fullest:
        share, name, peak, cap = fullest
        yield (
            f"{share} %",
            f"of a cap is the most that any 24 hours came to: {ml(peak)} of {ml(cap)},"
            f" {outcome.label(name)}.",
        )
    off = [
        (abs(one["true_ul"] / one["commanded_ul"] - 1), name, simulation.difference(one))
        for name, one in outcome.totals().items()
        if one["commanded_ul"]
    ]
    if off:
        _, name, difference = max(off)
        yield (
            f"{difference.replace('-', '−')} %",
            f"is how far the worst pump, {outcome.label(name)}, was off what the board believed.",
        )
    yield (f"{world.records:,}", "records stand in the journal, each with a checksum of its own.")


def _fullest(outcome: Outcome) -> tuple[int, str, int, int] | None:
    """The cap that was used most: percent, channel, the fullest 24 h, the cap."""
    found: list[tuple[int, str, int, int]] = []
    for c in outcome.world.setup.channels:
        peak = outcome.world.peaks[outcome.ids.index(c.id)]
        found.append((-(-100 * peak // c.cap_ul), c.id, peak, c.cap_ul))
    return max(found) if found else None


def _ribbons(outcome: Outcome) -> str:
    """One date like most, and the first on which the clocks change."""
    dates = [(date, "an ordinary date") for date in list(simulation.quiet_dates(outcome))[:1]]
    if not dates:
        dates = [(outcome.date, "the first date")]
    for day in outcome.days:
        if day.length_s != 86400:
            dates.append((day.date, f"{day.length_s / 3600:g} hours, because the clocks change"))
            break
    figures = [
        figure(
            plots.ribbon(outcome, date),
            f"{story.day_text(date)} {story.day_text(date, year=True).split()[-1]}, {what}",
        )
        for date, what in dates
    ]
    text = (
        "Each stroke is a dose, where it ran and as high as its volume against the channel's"
        " largest of the date; a dotted stroke is one besides the plan, a cross a dose that did"
        " not run. Hours are those that really pass, with the time on the wall below."
    )
    return wrap("ribbon", "A day", text, "\n".join(figures))


def _water(outcome: Outcome) -> str:
    if not outcome.waters:
        return ""
    text = (
        "What the animals use lowers a value evenly, every dose lifts it. The line goes hour by"
        " hour, the band is what each date spans, the dotted line is where it began."
    )
    return section("water", "The water", text, [plots.water(outcome)])


def _containers(outcome: Outcome) -> str:
    if not any(outcome.left):
        return ""
    text = (
        "The area is what the board counts as left, the dotted line what is truly in the"
        " container; the dashed line is the low mark, at which it says so once a fill."
    )
    return section("containers", "The containers", text, [plots.reservoirs(outcome)])


def _beats(beats: Sequence[story.Beat], kind: str) -> str:
    shown = beats[:BEATS_MOST]
    rows = "".join(
        f'<tr class="{esc(beat.kind)}"><th scope="row">{esc(beat.when)}</th>'
        f"<td>{esc(beat.text)}</td></tr>\n"
        for beat in shown
    )
    more = (
        f"<p>And {len(beats) - len(shown)} more, which this page leaves out.</p>"
        if len(beats) > len(shown)
        else ""
    )
    title = "The month, told" if kind == "demo" else "What happened"
    return wrap(
        "events",
        title,
        "",
        '<table class="story"><thead><tr><th scope="col">When</th><th scope="col">What</th></tr>'
        f"</thead><tbody>\n{rows}</tbody></table>{more}",
    )


TOTALS = (
    ("planned_ul", "planned"),
    ("commanded_ul", "commanded"),
    ("true_ul", "truly given"),
    ("missed_ul", "missed"),
    ("raised_ul", "raised again"),
    ("lapsed_ul", "lapsed"),
    ("skipped_ul", "left out"),
    ("refused_ul", "refused"),
    ("uncertain_ul", "uncertain"),
    ("extra_ul", "extra"),
)


def _totals(outcome: Outcome) -> str:
    totals = outcome.totals()
    head = "".join(f'<th scope="col">{word}</th>' for _, word in TOTALS)
    rows = ""
    for name, sums in totals.items():
        place = outcome.ids.index(name) % len(plots.CHANNELS)
        cells = "".join(
            f'<td data-name="{word}"{_none(sums[key])}>{digits(sums[key])}</td>'
            for key, word in TOTALS
        )
        off = simulation.difference(sums).replace("-", "−")
        rows += (
            f'<tr><th scope="row"><i style="background:var(--c{place})"></i>'
            f"{esc(outcome.label(name))}</th>{cells}"
            f'<td data-name="true against commanded">{off} %</td></tr>\n'
        )
    text = (
        "Millilitres. Planned and raised and extra together are what was commanded, left out,"
        " missed and refused: the books of the board balance, or a rule would be broken above."
    )
    return wrap(
        "totals",
        "What came of it",
        text,
        f'<table class="sums"><thead><tr><th scope="col">channel</th>{head}'
        f'<th scope="col">true against commanded</th></tr></thead><tbody>\n{rows}</tbody></table>',
    )


def _none(ul: int) -> str:
    return "" if ul else ' class="none"'


def _limits() -> str:
    rows = "".join(
        f"<div><dt>{esc(what)}</dt><dd>{esc(answer)}</dd></div>" for what, answer in LIMITS
    )
    return wrap(
        "limits",
        "What this cannot show",
        CUT,
        f'<dl class="limits">{rows}</dl>\n<p>{esc(WORLD)}</p>',
    )


def _foot(outcome: Outcome) -> str:
    digest = outcome.loaded.digest[:12]
    return foot(
        f"set-up {digest}, seed {outcome.seed}. The same set-up, acts and seed give this page"
        " again, to the byte."
    )


def foot(made: str) -> str:
    """The end of a page: cautions, and what it was made from."""
    items = "".join(f"<li>{esc(one)}</li>" for one in CAUTIONS)
    return (
        f"<footer>\n<h2>Before a pump moves</h2>\n<ul>{items}</ul>\n"
        f'<p class="made">Made by aliquot {esc(__version__)}; {esc(made)}</p>\n</footer>'
    )


def section(name: str, title: str, text: str, drawn: Sequence[Plot]) -> str:
    """A part of the page that is plots."""
    return wrap(name, title, text, "\n".join(figure(plot, "") for plot in drawn))


def wrap(name: str, title: str, text: str, inner: str) -> str:
    """A part of the page: its anchor, heading, lead, and HTML."""
    lead = f"<p>{esc(text)}</p>\n" if text else ""
    return f'<section id="{name}">\n<h2>{esc(title)}</h2>\n{lead}{inner}\n</section>'


def figure(plot: Plot, caption: str) -> str:
    """A plot in both widths, of which the page shows one."""
    alt = esc(plot.alt)
    said = f"<figcaption>{esc(caption)}</figcaption>\n" if caption else ""
    return (
        f"<figure>\n{said}"
        f'<div class="wide" role="img" aria-label="{alt}">\n{plot.wide}\n</div>\n'
        f'<div class="narrow" role="img" aria-label="{alt}">\n{plot.narrow}\n</div>\n</figure>'
    )


STYLE = """
:root{--paper:#fcfbf7;--card:#f3f1e9;--ink:#16252b;--soft:#7d8a8c;--faint:#dcdcd2;--mark:#0c6a6f;
--good:#0c6a6f;--bad:#a3261a;--c0:#0068a8;--c1:#c65300;--c2:#00805b;--c3:#a9518a;--c4:#a87400;
--c5:#3b8fc4;--c6:#7d7200;--c7:#5e676b}
@media (prefers-color-scheme:dark){:root{--paper:#10191d;--card:#182429;--ink:#e4e9e6;
--soft:#8b999b;--faint:#2b3a40;--mark:#56c3bd;--good:#56c3bd;--bad:#ff8f7d;--c0:#58aee6;
--c1:#f08a45;--c2:#35c299;--c3:#dd92c0;--c4:#e5b244;--c5:#8fcdf3;--c6:#d3c84f;--c7:#a7b2b5}}
*{box-sizing:border-box}
body{margin:0 auto;max-width:56rem;padding:0 1.25rem 3rem;background:var(--paper);color:var(--ink);
font:1rem/1.55 system-ui,sans-serif;font-variant-numeric:tabular-nums}
h1,h2,.brand{font-family:Charter,"Bitstream Charter","Sitka Text",Cambria,Georgia,serif}
h1{font-size:clamp(1.7rem,5vw,2.6rem);line-height:1.15;margin:.2rem 0 .8rem;font-weight:600}
h2{font-size:1.35rem;margin:0 0 .5rem;font-weight:600}
p{margin:0 0 .8rem;max-width:46rem}
header{padding:2.2rem 0 1.4rem;margin-bottom:1.8rem;position:relative}
header::after{content:"";position:absolute;left:0;right:0;bottom:0;height:14px;
border-bottom:1.5px solid var(--ink);background:
repeating-linear-gradient(90deg,var(--ink) 0 1.5px,transparent 1.5px 100px) 0 0/100% 14px
no-repeat,
repeating-linear-gradient(90deg,var(--ink) 0 1px,transparent 1px 50px) 0 5px/100% 9px no-repeat,
repeating-linear-gradient(90deg,var(--soft) 0 1px,transparent 1px 10px) 0 9px/100% 5px no-repeat}
.brand{margin:0;font-weight:600;color:var(--mark)}
.brand span{font:.8rem system-ui,sans-serif;color:var(--soft);margin-left:.4rem}
.lead{font-size:1.05rem}
.verdict{border-left:4px solid;padding:.1rem 0 .1rem .8rem;margin:1rem 0}
.verdict b{margin-right:.3rem}
.good{border-color:var(--good)}.good b{color:var(--good)}
.bad{border-color:var(--bad)}.bad b{color:var(--bad)}
section{margin:0 0 2.6rem}
.scale{margin:0 0 1.2rem}
.scale div{display:grid;grid-template-columns:7rem 1fr;align-items:center;margin:.2rem 0}
.scale dd{margin:0;display:grid;grid-template-columns:1fr 6rem;align-items:center;gap:.6rem}
.scale i{display:block;height:.9rem;background:var(--mark)}
.scale div:nth-child(1) i{background:none;border:1.5px solid var(--mark)}
.scale div:nth-child(3) i{background:repeating-linear-gradient(90deg,var(--mark) 0 3px,
transparent 3px 6px)}
.scale b{font-weight:600;text-align:right}
.cards{list-style:none;margin:0;padding:0;display:grid;gap:.8rem;
grid-template-columns:repeat(auto-fill,minmax(16rem,1fr))}
.cards li{background:var(--card);padding:.8rem 1rem;border-radius:3px}
.cards b{display:block;font-size:1.5rem;line-height:1.2;font-weight:600}
figure{margin:0 0 1.4rem}
figcaption{font-weight:600;margin:0 0 .2rem}
svg{display:block;width:100%;height:auto;overflow:visible}
svg text{font-family:system-ui,sans-serif!important}
.narrow{display:none}
table{border-collapse:collapse;width:100%}
th,td{text-align:left;vertical-align:top;padding:.4rem .8rem .4rem 0;
border-bottom:1px solid var(--faint)}
thead th{border-bottom:1.5px solid var(--ink);font-size:.85rem;font-weight:600}
.story tbody th{white-space:nowrap;font-weight:600;width:12rem}
.story .outage th,.story .no th,.story .fault th,.story .dry th{color:var(--bad)}
.story .begin th,.story .end th,.story .clocks th{color:var(--mark)}
.sums td,.sums thead th:not(:first-child){text-align:right;padding:.4rem .25rem}
.sums thead th{vertical-align:bottom;line-height:1.25}
.sums{font-size:.92rem}
.sums tbody th{font-weight:600;white-space:nowrap}
.sums i{display:inline-block;width:.7rem;height:.7rem;margin-right:.45rem;border-radius:2px}
.none{color:var(--soft)}
.limits div{display:grid;grid-template-columns:17rem 1fr;gap:.2rem 1rem;padding:.4rem 0;
border-bottom:1px solid var(--faint)}
.limits dt{font-weight:600}.limits dd{margin:0}
footer{border-top:1.5px solid var(--ink);padding-top:1.2rem}
footer h2{font-size:1.1rem}
footer ul{padding-left:1.2rem;margin:0 0 1rem}
.made{color:var(--soft);font-size:.85rem}
@media (max-width:40rem){
body{padding:0 1rem 2rem}
.wide{display:none}.narrow{display:block}
.scale div{grid-template-columns:1fr;margin:.5rem 0}
.cards{gap:.5rem}.cards li{display:grid;grid-template-columns:7.2rem 1fr;gap:.8rem;
align-items:baseline;padding:.5rem .8rem}.cards b{font-size:1.15rem}
.limits div{grid-template-columns:1fr}
.story thead,.sums thead{display:none}
.story tr,.story th,.story td,.sums tr,.sums th,.sums td{display:block;border:0;padding:0}
.story tr,.sums tr{border-bottom:1px solid var(--faint);padding:.6rem 0}
.sums td{display:flex;justify-content:space-between;padding:.1rem 0}
.sums td::before{content:attr(data-name)}
.sums .none{display:none}
}
@media print{
:root{--paper:#fff;--card:#fff;--ink:#000;--soft:#555;--faint:#ccc;--mark:#0c6a6f;--good:#0c6a6f;
--bad:#a3261a;--c0:#0068a8;--c1:#c65300;--c2:#00805b;--c3:#a9518a;--c4:#a87400;--c5:#3b8fc4;
--c6:#7d7200;--c7:#5e676b}
body{max-width:none;font-size:10pt;padding:0}
.wide{display:block}.narrow{display:none}
.cards li{border:1px solid var(--faint)}
figure,tr,.cards li,.limits div,h2,footer{break-inside:avoid}h2,section>p{break-after:avoid}
section{margin:0 0 1.4rem}header{padding-top:0;margin-bottom:1rem}
*{-webkit-print-color-adjust:exact;print-color-adjust:exact}
}
"""
