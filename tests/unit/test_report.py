"""The report: one page that needs nothing else, for every reader, the same bytes each time."""

import datetime
import os
import re
import subprocess
import sys
from html.parser import HTMLParser

import pytest

from aliquot.core.dates import days_of
from aliquot_host import plots, report, setup_file, simulation, story
from aliquot_host.acts_file import parse
from aliquot_host.errors import BadInput
from aliquot_host.happenings import doses, ml, span
from aliquot_host.world import Weather

START = days_of(2026, 3, 27)
SET_UP = """
timezone = "Europe/Berlin"
[tank]
volume_l = 200
[[tank.water]]
name = "alkalinity"
unit = "dKH"
start = 8
use_per_day = 0.6
[[channel]]
id = "alk"
label = "Alk <b>&"
daily_ml = 24
cap_ml = 34
dose_most_ml = 4
calibration = { counts = 10000, ml = 10 }
reservoir = { size_ml = 1000, left_ml = 140 }
strength = { water = "alkalinity", ml = 1, litres = 100, raises = 0.05 }
[[channel]]
id = "cal"
daily_ml = 12
doses = 12
from = "00:30"
cap_ml = 20
dose_most_ml = 4
calibration = { counts = 10000, ml = 10 }
"""
ACTS = """
[[act]]
day = 2
time = "11:10"
do = "extra"
channel = "cal"
ml = 1.5
planned = true
[[act]]
day = 3
time = "11:10"
do = "note"
text = "<script>alert(1)</script>"
[[act]]
day = 4
time = "11:10"
do = "hold"
hours = 3
"""
VOID = {"meta", "br", "path", "use", "rect", "circle", "line", "link"}


def outcome(text=SET_UP, days=5, outages=1, acts=ACTS, seed=3):
    loaded = setup_file.load(text.encode(), today=datetime.date(2026, 3, 27))
    script = parse(acts.encode(), loaded, START, days, "acts.toml", None) if acts else None
    weather = simulation.drawn(seed, days, outages)
    return simulation.live(loaded, START, days, seed, weather, script)


@pytest.fixture(scope="module")
def page():
    return report.page(outcome(), "simulation", "A title & more")


class Page(HTMLParser):
    """Elements, their attributes and the nesting of a page."""

    def __init__(self, text):
        super().__init__()
        self.elements = []
        self.open = []
        self.wrong = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)


def test_the_page_asks_no_network_and_no_other_file_for_anything(page):
    assert "http" not in page.lower()
    assert "@import" not in page
    assert set(re.findall(r"url\(([^)]{0,1})", page)) <= {"#"}
    elements = Page(page).elements
    assert not {tag for tag, _ in elements} & {"script", "img", "link", "iframe", "object"}
    links = [a[key] for _, a in elements for key in ("href", "src", "xlink:href") if key in a]
    assert [link for link in links if not link.startswith("#")] == []


def test_elements_are_nested_ids_are_there_once_and_references_lead_somewhere(page):
    parsed = Page(page)
    assert parsed.wrong == []
    assert parsed.open == []
    ids = [attributes["id"] for _, attributes in parsed.elements if "id" in attributes]
    assert sorted(ids) == sorted(set(ids))
    wanted = set(re.findall(r"url\(#([^)]+)\)", page))
    wanted |= {a["href"][1:] for _, a in parsed.elements if "href" in a}
    assert wanted
    assert wanted <= set(ids)


def test_every_plot_has_words_for_those_who_cannot_see_it(page):
    images = [a for _, a in Page(page).elements if a.get("role") == "img"]
    # Two dates, delivered, the water, the containers; each wide and narrow.
    assert len(images) == 10
    assert all(len(image["aria-label"]) > 40 for image in images)
    assert "12 doses between 00:30 and 22:30" in page
    assert page.count("<svg") == 10


def test_plots_take_every_colour_from_the_page_and_keep_texts_as_texts(page):
    svg = "".join(re.findall(r"<svg.*?</svg>", page, re.DOTALL))
    assert set(re.findall(r"#[0-9a-fA-F]{6}\b|rgb\(", svg)) == set()
    named = set(re.findall(r"var\((--\w+)\)", svg))
    assert {"--ink", "--c0", "--c1"} <= named
    style = page[page.index("<style>") : page.index("</style>")]
    assert all(f"{name}:" in style for name in named)
    assert "<text" in svg
    assert "<metadata" not in page
    assert "matplotlib" not in page.lower()


def test_dark_mode_paper_and_phones_have_rules_of_their_own(page):
    assert "@media (prefers-color-scheme:dark)" in page
    assert "@media print" in page
    assert "@media (max-width:40rem)" in page
    assert 'name="viewport"' in page


def contrast(one, other):
    """The contrast ratio of two colours, WCAG 2.2."""

    def luminance(colour):
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def themes():
    """Light, dark and paper: name of a colour -> the colour, in three digits made six."""
    found = []
    for block in re.findall(r":root\{(.*?)\}", report.STYLE, re.DOTALL):
        pairs = re.findall(r"(--\w+):#([0-9a-f]{3,6})", block)
        found.append(
            {n: "#" + (c if len(c) == 6 else "".join(x * 2 for x in c)) for n, c in pairs}
        )
    return found


def test_texts_and_strokes_stand_out_in_every_theme():
    assert len(themes()) == 3
    for theme in themes():
        # WCAG 2.2: 4.5 for texts (1.4.3), 3 for what carries meaning in a graphic (1.4.11).
        for name in ("--ink", "--mark", "--bad", "--good"):
            assert contrast(theme[name], theme["--paper"]) >= 4.5
        for i in range(len(plots.CHANNELS)):
            assert contrast(theme[f"--c{i}"], theme["--paper"]) >= 3


# What protan and deutan eyes see of linear RGB: Viénot, Brettel & Mollon 1999 (from memory).
SEEN = {
    "protan": ((0.11238, 0.88762, 0.0), (0.11238, 0.88762, 0.0), (0.00401, -0.00401, 1.0)),
    "deutan": ((0.29275, 0.70725, 0.0), (0.29275, 0.70725, 0.0), (-0.02234, 0.02234, 1.0)),
}


@pytest.mark.parametrize("eye", SEEN)
def test_the_colours_of_the_first_four_channels_differ_for_colour_blind_eyes(eye):
    for theme in themes():
        seen = []
        for i in range(4):
            code = theme[f"--c{i}"]
            rgb = [(int(code[k : k + 2], 16) / 255) ** 2.2 for k in (1, 3, 5)]
            rows = SEEN[eye]
            linear = [sum(w * c for w, c in zip(row, rgb, strict=True)) for row in rows]
            seen.append([max(0.0, c) ** (1 / 2.2) for c in linear])
        for a in range(4):
            for b in range(a):
                apart = max(abs(x - y) for x, y in zip(seen[a], seen[b], strict=True))
                assert apart > 0.1, (eye, a, b)


def test_what_comes_from_a_file_is_text_and_never_markup(page):
    assert "<script>" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "Alk &lt;b&gt;&amp;amp;" not in page
    assert "Alk &lt;b&gt;&amp;" in page
    assert "<b>&" not in page
    assert "<title>A title &amp; more</title>" in page


def test_the_page_says_what_it_must(page):
    assert page.startswith("<!doctype html>\n<!-- aliquot simulation report -->\n")
    for words in (
        "Not for people, and not for medicine",
        "Strong alkalis burn",
        "residual-current",
        "siphon break",
        "Counting steps is not measuring flow",
        "Every rule held",
        "23 hours, because the clocks change",
        "02:00 becomes 03:00",
    ):
        assert words in page


SCRIPT = """
import sys
sys.path[:0] = {path!r}
import hashlib
from test_report import outcome
from aliquot_host import report
print(hashlib.sha256(report.page(outcome(), "demo", "x").encode()).hexdigest())
"""


def test_the_same_outcome_is_the_same_bytes_in_any_process():
    code = SCRIPT.format(path=[os.path.dirname(__file__), *sys.path])
    runs = [
        subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "PYTHONHASHSEED": seed, "TZ": zone},
            capture_output=True,
            text=True,
        )
        for seed, zone in (("1", "UTC"), ("2", "Asia/Tokyo"))
    ]
    assert [run.returncode for run in runs] == [0, 0], runs[0].stderr
    assert runs[0].stdout == runs[1].stdout


def test_a_broken_rule_is_the_first_thing_a_reader_sees():
    broken = outcome()
    broken.world.violate("S1", "planted")
    page = report.page(broken, "simulation", "x")
    assert '<p class="verdict bad"><b>Broken</b> A rule was broken once (S1)' in page


@pytest.mark.parametrize("days", [1, 2, 63, 120, 450])
def test_any_length_fits_on_a_page(days):
    page = report.page(outcome(days=days, acts="", outages=0), "simulation", "x")
    assert len(page) < 1_500_000
    assert Page(page).wrong == []


def test_without_tank_and_reservoirs_their_parts_are_left_out():
    text = SET_UP[: SET_UP.index("[tank]")] + SET_UP[SET_UP.index("[[channel]]") :]
    text = re.sub(r"(reservoir|strength) = .*\n", "", text)
    page = report.page(outcome(text, acts="", days=2), "simulation", "x")
    assert 'id="water"' not in page
    assert 'id="containers"' not in page
    assert 'id="delivered"' in page


@pytest.mark.parametrize("days", [1, 7, 400, 401, 3660])
def test_groups_of_dates_are_few_and_leave_none_out(days):
    groups = plots.buckets(days)
    assert [i for group in groups for i in group] == list(range(days))
    assert len(groups) <= plots.POINTS_MOST


def test_only_a_report_of_the_same_kind_may_be_written_over(tmp_path):
    file = tmp_path / "x.html"
    report.may_write(file, "demo", False)
    file.write_text(report.MARK.format(kind="demo") + "...")
    report.may_write(file, "demo", False)
    for kind, text in (("simulation", None), ("demo", "<!doctype html>"), ("demo", "")):
        if text is not None:
            file.write_text(text)
        with pytest.raises(BadInput, match="force"):
            report.may_write(file, kind, False)
        report.may_write(file, kind, True)
    with pytest.raises(BadInput, match="a file"):
        report.may_write(tmp_path, "demo", True)
    with pytest.raises(BadInput, match="a file"):
        report.may_write(tmp_path / "none" / "x.html", "demo", True)


# The story


def test_the_story_begins_ends_and_rises_in_time():
    beats = story.tell(outcome())
    assert [beats[0].kind, beats[-1].kind] == ["begin", "end"]
    times = [beat.at_w for beat in beats]
    assert times == sorted(times)
    assert all(beat.text.endswith(".") for beat in beats)
    assert "clocks" in [beat.kind for beat in beats]


def test_an_outage_is_told_in_one_beat_with_all_that_it_cost():
    text = SET_UP.replace('"Alk <b>&"', '"Alkalinity"')
    loaded = setup_file.load(text.encode(), today=datetime.date(2026, 3, 27))
    hours = 3600
    weather = Weather([(34 * hours + 1, 4 * hours)], [(34 * hours, 6 * hours)])
    lived = simulation.live(loaded, START, 4, 1, weather)
    (told,) = [beat for beat in story.tell(lived) if beat.kind == "outage"]
    assert told.when == "Sat 28 March, 10:00"
    assert told.text.startswith(
        "The power is off for 4 h. It goes in the middle of a run of Alkalinity: how far that"
        " came nobody can know, so all of it counts as given. No time source answers, so the"
        " board does not know the time. The board knows the time again, 2 h after its start."
    )
    lost = sum(e.doses for e in lived.events if e.kind == "missed")
    assert f"{lost} doses are missed (Alkalinity" in told.text
    assert [b for b in story.tell(lived) if "missed" in b.text] == [told]


def test_what_an_act_lets_go_of_is_told_once():
    act = ACTS.split("[[act]]")[1].replace("day = 2", "day = 3")
    text = f"[[act]]{act}[[act]]{act}".replace("1.5", "1").replace("11:10", "08:10", 1)
    loaded = setup_file.load(SET_UP.encode(), today=datetime.date(2026, 3, 27))
    script = parse(text.encode(), loaded, START, 4, "acts.toml", None)
    lived = simulation.live(loaded, START, 4, 1, Weather([(2 * 86400, 4 * 3600)]), script)
    assert next(e.channel for e in lived.events if e.kind == "lapsed") == "cal"
    beats = [beat.text for beat in story.tell(lived)]
    assert sum("is let go" in text for text in beats) == 1
    assert not [text for text in beats if "too old" in text and " of cal" in text]


@pytest.mark.parametrize(
    ("ul", "text"),
    [(0, "0.00 mL"), (1521, "1.52 mL"), (9994, "9.99 mL"), (9995, "10.0 mL"), (38400, "38.4 mL"),
     (999_950, "1000 mL"), (2_614_200, "2614 mL"), (10_000_000, "10.0 L")],
)  # fmt: skip
def test_volumes_are_told_in_about_three_digits(ul, text):
    assert ml(ul) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(1, "1 second"), (89, "89 seconds"), (90, "2 min"), (3569, "59 min"), (3600, "1 h"),
     (6780, "1 h 53 min"), (86370, "1 day"), (123_533, "1 day 10 h"), (180_000, "2 days 2 h")],
)  # fmt: skip
def test_lengths_of_time_are_told_as_people_say_them(seconds, text):
    assert span(seconds) == text


def test_one_dose_is_not_doses():
    assert [doses(n) for n in (0, 1, 2)] == ["0 doses", "1 dose", "2 doses"]


def test_lists_are_told_with_an_and():
    assert [story.listed(list("abc"[:n])) for n in range(4)] == ["", "a", "a and b", "a, b and c"]
