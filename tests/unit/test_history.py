"""`aliquot history`: sums against the raw lines of the journal, the CSV, the page."""

import csv
import html.parser
import json
import re

import pytest

from aliquot.core.decimals import date_text
from aliquot_host import cli, daybook, intake, journal_lines, looking_back, resources, simulation
from aliquot_host.archive import from_files
from aliquot_host.commands import demo


@pytest.fixture(scope="module")
def month(tmp_path_factory):
    folder = tmp_path_factory.mktemp("month")
    outcome = demo.month(4)
    simulation.export(outcome, folder / "journal")
    (folder / "reef.toml").write_bytes(resources.examples()[demo.EXAMPLE].read_bytes())
    return folder, outcome


@pytest.fixture
def run(tmp_path, monkeypatch, capsys, month):
    monkeypatch.chdir(tmp_path)
    folder, _ = month

    def do(*arguments):
        words = [str(folder / "journal"), "--setup", str(folder / "reef.toml"), *arguments]
        code = cli.run(["history", *words])
        told = capsys.readouterr()
        return code, told.out, told.err

    return do


def recount(folder):
    """What the raw lines say was intended and missed, by channel: an own reading of the format,
    without the fold. Uncertain runs count in full; runs into a cup do not count."""
    given, missed = {}, {}
    open_run = None
    for file in sorted((folder / "journal").glob("j*")):
        for line in file.read_bytes().splitlines():
            if line.startswith(b"S "):
                continue
            one = journal_lines.record(line)
            f = one.fields
            if one.kind == "I":
                open_run = (f[0], f[3])
            elif one.kind == "J":
                open_run = (f[0], f[1] if f[3] == 1 else 0)
            elif one.kind in "OU" and open_run:
                given[open_run[0]] = given.get(open_run[0], 0) + open_run[1]
                open_run = None
            elif one.kind == "M":
                missed[f[0]] = missed.get(f[0], 0) + f[4]
    return given, missed


def test_the_sums_are_those_of_the_raw_lines(run, month):
    folder, outcome = month
    given, missed = recount(folder)
    told = json.loads(run("--json")[1])
    for place, name in enumerate(outcome.ids):
        sums = told["totals"][name]
        assert round(sums["given_ml"] * 1000) == given[place]
        assert round(sums["missed_ml"] * 1000) == missed.get(place, 0)


def test_the_days_are_those_that_were_lived(month):
    _, outcome = month
    book = daybook.book(intake.read(from_files(outcome.world.files, "m")), outcome.zone)
    assert book.whole == (outcome.date, outcome.date + len(outcome.days) - 1)
    for day in outcome.days:
        for place, name in enumerate(outcome.ids):
            own = book.days.get((day.date, name), daybook.Day(day.date, name))
            assert own.given_ul == day.commanded_ul[place]
    sums = book.sums()
    for name, totals in outcome.totals().items():
        assert sums[name].given_ul == totals["commanded_ul"]
        assert sums[name].given_ul - sums[name].low_ul == totals["uncertain_ul"]
        assert sums[name].missed_ul == totals["missed_ul"]
        assert sums[name].refused_ul == totals["refused_ul"]
        assert sums[name].raised_ul == totals["raised_ul"]
        assert sums[name].skipped_ul + sums[name].trimmed_ul == totals["skipped_ul"]
        assert sums[name].extra_ul == totals["extra_ul"]


def test_the_csv_adds_up_and_every_number_says_its_unit(run, month, tmp_path):
    _, outcome = month
    code, _, err = run("--csv", "days.csv")
    assert code == 0, err
    with (tmp_path / "days.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(outcome.days) * len(outcome.ids)
    for name in rows[0]:
        assert name in ("date", "channel", "known_from") or re.search("_(ml|doses)$", name)
    for name, totals in outcome.totals().items():
        own = [row for row in rows if row["channel"] == name]
        assert round(sum(float(row["given_ml"]) for row in own) * 1000) == totals["commanded_ul"]
        for row in own:
            parts = float(row["doses_ml"]) + float(row["extra_ml"])
            assert float(row["given_ml"]) == pytest.approx(parts, abs=1e-9)
            assert float(row["lower_ml"]) <= float(row["given_ml"])


def test_a_text_that_a_spreadsheet_would_run_gets_a_quote():
    assert looking_back.safe("=1+1") == "'=1+1"
    assert looking_back.safe("@x") == "'@x"
    assert looking_back.safe("alk") == "alk"


class Closed(html.parser.HTMLParser):
    """Every element that is opened is closed, and nothing is fetched."""

    def __init__(self):
        super().__init__()
        self.open, self.links = [], []

    def handle_starttag(self, tag, attrs):
        if tag not in ("meta", "br"):
            self.open.append(tag)
        self.links += [v for k, v in attrs if k in ("src", "href") and v[:1] != "#"]

    def handle_startendtag(self, tag, attrs):
        pass

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def test_the_page_is_whole_and_fetches_nothing(run, tmp_path):
    code, _, err = run("--report", "h.html")
    assert code == 0, err
    text = (tmp_path / "h.html").read_text()
    page = Closed()
    page.feed(text)
    assert (page.open, page.links) == ([], [])
    for said in ("What went in", "The containers", "What happened", "into a cup", "calibrated"):
        assert said in text
    assert "http" not in re.sub(r'xmlns[^"]*"[^"]*"', "", text)
    assert run("--report", "h.html")[0] == 0


def test_people_see_days_reasons_refills_and_outages(run):
    code, out, _ = run()
    assert code == 0
    for said in ("no power from", "no clock from", "mL by the books before", "doses missed",
                 "calibrated, 11000 counts", "new tubing"):  # fmt: skip
        assert said in out
    code, out, _ = run("--from", "2026-03-20", "--until", "2026-03-21")
    assert "2026-03-20 to 2026-03-21" in out
    assert "2026-03-22" not in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--from", "yesterday"), "a date such as"),
        (("--from", "2025-01-01"), "the dates of the journal"),
        (("--from", "2026-03-20", "--until", "2026-03-12"), "2026-03-20 or later"),
        (("--csv", "no/where.csv"), "a folder"),
        (("--report", "no/where.html"), "a folder"),
    ],
)
def test_bad_input(run, words, said):
    code, _, err = run(*words)
    assert code == 2
    assert said in err


def test_a_file_that_is_no_csv_of_ours_is_left_alone(run, tmp_path):
    (tmp_path / "letter.csv").write_text("dear diary")
    assert run("--csv", "letter.csv")[0] == 2
    assert (tmp_path / "letter.csv").read_text() == "dear diary"
    assert run("--csv", "letter.csv", "--force")[0] == 0


def test_days_before_the_first_record_come_from_the_boards_own_sums(month):
    _, outcome = month
    found = intake.read(from_files(outcome.world.files, "m"))
    found.kept_days = {outcome.date - 3: {"alk": [30000, 29000, 30500], "gone": [5, 5, 5]}}
    book = daybook.book(found, outcome.zone)
    assert book.first == outcome.date - 3
    day = book.days[outcome.date - 3, "alk"]
    assert (day.given_ul, day.low_ul, day.kept) == (30500, 29000, True)
    assert "gone" in book.ids
    assert date_text(book.first) < date_text(book.last)
