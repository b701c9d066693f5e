"""`aliquot why` and `why-not`: each step against timetable, records and the state before them."""

import dataclasses
import json
from fractions import Fraction

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from aliquot.core import acts
from aliquot.core.dates import days_of
from aliquot.core.decimals import date_of_text, date_text, stamp_text
from aliquot.core.ledger import ALL, DOSE
from aliquot_host import archive, cli, explain, explain_record, silence, timetables, trail
from unit.desk_board import ALK, SMALLER, TANK, DeskBoard, at, eventful_life, random_life, set_up

SPRING, AUTUMN = "2026-03-29", "2026-10-25"


@pytest.fixture(scope="module")
def life(tmp_path_factory):
    """The journal of six eventful days and its two set-ups, as files and as read."""
    folder = tmp_path_factory.mktemp("life")
    board, tank, smaller = eventful_life()
    board.pull(folder / "journal")
    (folder / "tank.toml").write_text(TANK)
    (folder / "smaller.toml").write_text(SMALLER)
    read = archive.read_archive(folder / "journal")
    assert read.findings == []
    return Life(folder, read, {s.digest: s for s in (tank, smaller)}, board)


@dataclasses.dataclass
class Life:
    folder: object
    read: object
    setups: dict
    board: object

    def history(self, name):
        return trail.history_of(self.read, name)

    def kinds(self, numbers):
        """The kinds of records, such as "IO", by their numbers."""
        kinds = {record.seq: record.kind for record in self.read.records}
        return "".join(kinds[number] for number in numbers)

    def options(self):
        files = ("tank.toml", "smaller.toml")
        return [part for file in files for part in ("--setup", str(self.folder / file))]


@pytest.fixture
def ask(capsys):
    """ask(code, command, arguments...) runs it with --json and returns the document."""

    def run(code, *arguments):
        assert cli.run([*map(str, arguments), "--json"]) == code
        return json.loads(capsys.readouterr().out)

    return run


def steps_of(dose):
    return {step["step"]: step for step in dose["steps"]}


# By a set-up


@pytest.mark.parametrize("date", [SPRING, AUTUMN, "2026-07-01"])
def test_every_dose_of_a_date_is_explained_as_the_timetable_lists_it(life, ask, date):
    file = life.folder / "tank.toml"
    (day,) = ask(0, "timetable", file, "--date", date)["days"]
    plan = explain.Plan(set_up(TANK))
    for row in day["doses"]:
        made = explain.planned(plan, row["channel"], date_of_text(date), row["index"])
        steps = {step.name: step for step in made.steps}
        assert steps["counts"].values["counts"] == row["counts"]
        assert steps["limits"].values["volume_ul"] == row["volume_ul"]
        assert steps["limits"].values["run_ms"] == row["run_ms"]
        assert steps["spacing"].values["utc"] == row["utc"]
        assert (made.ending, made.revision) == ("planned", 1)


def test_a_planned_dose_goes_from_the_day_s_volume_to_the_counts(life, ask):
    found = ask(0, "why", life.folder / "tank.toml", "cal", f"{SPRING}#7")
    assert (found["format"], found["version"]) == ("aliquot-why", 1)
    (dose,) = found["doses"]
    assert [step["step"] for step in dose["steps"]] == [
        *("day total", "division", "time", "spacing", "counts", "limits"),
    ]
    steps = steps_of(dose)
    assert steps["day total"]["day_ul"] == 30000
    assert steps["division"]["doses"] == 24
    assert steps["spacing"]["moved_s"] == 1205
    (move,) = steps["spacing"]["moved_by"]
    assert (move["by"], move["run_s"], move["gap_s"]) == ("alk", 5, 1200)
    exact = 8 * Fraction(1250 * 12771, 10020)
    so_far = round(exact - Fraction(1250 * 12771, 10020))
    assert steps["counts"]["counts"] == round(exact) - so_far
    assert not any(step["records"] for step in dose["steps"])


LISTED = """
timezone = "Europe/Berlin"
[[channel]]
id = "mg"
daily_ml = 1
at = [{ time = "02:30", share = 1 }, { time = "08:00", share = 50 }, { time = "14:00", share = 2 }]
cap_ml = 55
dose_most_ml = 10
calibration = { counts = 2800, ml = 10.02 }
[[channel]]
id = "nut"
daily_ml = 2
doses = 30
from = "18:00"
span_h = 12
ramp = { from_ml = 1, start_date = 2026-03-20, days = 20 }
every_days = 3
start_date = 2026-03-20
weekdays = ["thu", "sun"]
cap_ml = 55
dose_most_ml = 10
dose_least_ml = 0.1
calibration = { counts = 2800, ml = 10.02 }
[[channel]]
id = "kal"
at = [{ time = "02:30", ml = 3 }, { time = "09:00", ml = 3 }]
cap_ml = 55
dose_most_ml = 10
calibration = { counts = 2800, ml = 10.02 }
"""


@pytest.mark.parametrize(
    ("key", "step", "words"),
    [
        ("mg 2026-03-30#0", "division", "02:30, 08:00, 14:00 were joined"),
        ("mg 2026-03-30#0", "division", "of the list's 53 shares this dose has 1 + 50 + 2"),
        ("mg 2026-03-30#0", "time", "listed at 08:00: 2026-03-30 08:00:00"),
        ("nut 2026-03-26#0", "day total", "6 of 20 days since 2026-03-20"),
        ("nut 2026-03-26#0", "day total", "which makes 1.3 mL"),
        ("nut 2026-03-26#0", "division", "smaller than 0.1 mL each, so 1.3 mL in 13 doses"),
        ("nut 2026-03-26#0", "time", "runs past midnight, and this part stands in the morning"),
        ("nut 2026-03-26#12", "time", "window from 18:00 for 12 h: 2026-03-26 23:32:18"),
        ("kal 2026-03-30#1", "division", "of the list's 6 mL this dose has 3"),
        (f"kal {SPRING}#0", "time", "listed at 02:30, which the clocks leave out on this date"),
        (f"kal {AUTUMN}#0", "time", "which comes twice on this date; the first counts"),
    ],
)
def test_merging_ramps_windows_and_odd_local_times_are_said(tmp_path, ask, key, step, words):
    file = tmp_path / "tank.toml"
    file.write_text(LISTED)
    channel, dose = key.split(" ")
    (found,) = ask(0, "why", file, channel, dose)["doses"]
    assert words in steps_of(found)[step]["text"]


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("nut 2026-03-27#0", "it does not dose on Fridays"),
        ("nut 2026-03-22#0", "2026-03-22 is none of its days"),
        ("nut 2026-03-22#0", "the next date with doses is 2026-03-26"),
        ("mg 2026-03-27#1", "the date has 1 doses, #0 to #0"),
    ],
)
def test_a_dose_that_no_date_has_is_a_finding_with_the_reason(tmp_path, ask, key, words):
    file = tmp_path / "tank.toml"
    file.write_text(LISTED)
    channel, dose = key.split(" ")
    found = ask(1, "why", file, channel, dose)
    assert found["doses"] == []
    assert words in found["missing"][0]["text"]


BASE = set_up(TANK)


@settings(deadline=None, max_examples=60)
@given(
    starts=st.lists(st.integers(0, 3600), min_size=3, max_size=3),
    gaps=st.lists(st.integers(60, 900), min_size=3, max_size=3),
    doses=st.lists(st.integers(1, 24), min_size=3, max_size=3),
    day=st.integers(days_of(2026, 3, 20), days_of(2026, 4, 5)),
)
@example(starts=[1504, 600, 0], gaps=[900, 60, 60], doses=[24, 24, 1], day=days_of(2026, 3, 20))
def test_what_moved_a_dose_accounts_for_its_whole_move(starts, gaps, doses, day):
    """For any starts, separations and numbers of doses: moves lead from the wish to the time."""
    data = json.loads(json.dumps(BASE.data))
    data["channel"][2] |= {"at": None, "weekdays": 127}
    for channel, from_s, n in zip(data["channel"], starts, doses, strict=True):
        channel |= {"from_s": from_s, "doses": n}
    pairs = (("alk", "cal"), ("cal", "mg"), ("alk", "mg"))
    data["separate"] = [
        {"channels": list(pair), "seconds": gap} for pair, gap in zip(pairs, gaps, strict=True)
    ]
    plan = explain.Plan(dataclasses.replace(BASE, data=data))
    laid = plan.table.day(day)
    for place in range(3):
        if place in laid.late:
            continue
        wishes = timetables.nominal(plan.table, place, day, laid.totals[place])
        for index, time in enumerate(timetables.times(laid, place)):
            moves = explain.moves(plan, laid, place, day, index)
            assert bool(moves) == (time != wishes[index])
            if moves:
                assert moves[-1].until_s == time
                ends = [move.until_s for move in moves]
                assert sorted(set(ends)) == ends
                assert all(m.at_s + m.run_s + m.gap_s == m.until_s for m in moves)


# By a journal


@pytest.mark.parametrize(
    ("channel", "key", "ending", "step", "words", "kinds"),
    [
        ("alk", "2026-03-24#0", "done", "outcome", "1.521 mL, as intended", "IO"),
        ("alk", "2026-03-24#5", "missed", "passed", "one of 3 doses, 2026-03-24#5 to", "M"),
        ("alk", "2026-03-24#6", "missed", "reason", "no power, or no sign of it, from", "OB"),
        ("alk", "2026-03-24#6", "missed", "amount", "4.563 mL is owed", "M"),
        ("alk", "2026-03-24#8", "missed", "reason", "20 min of powered time away from cal", "OO"),
        ("alk", "2026-03-24#9", "done", "raise", "raised by 0.38 mL of the 6.084 mL", "M"),
        ("alk", "2026-03-24#12", "done", "trim", "a trim takes 50 % off: 0.761 mL", "P"),
        ("alk", "2026-03-24#12", "done", "raise", "that is trimmed or cut is not raised", "MM"),
        ("alk", "2026-03-24#15", "partial", "outcome", "because a fault stopped it: 1.587", "IO"),
        ("alk", "2026-03-24#16", "partial", "outcome", "because the user stopped it", "IO"),
        ("alk", "2026-03-24#19", "refused", "reason", "dosing was held", "H"),
        ("alk", "2026-03-24#22", "uncertain", "outcome", "all of 1.901 mL counts as given", "IU"),
        ("alk", "2026-03-25#9", "refused", "reason", "the cap had no room for it", ""),
        ("alk", "2026-03-25#10", "done", "day total", "-5 mL by the override of 2 dates", "D"),
        ("alk", "2026-03-26#7", "missed", "reason", "the clock was not set from", "BT"),
        ("alk", "2026-03-27#14", "done", "rest of the day", "cut by 0.3", "C"),
        ("alk", "2026-03-27#14", "done", "trim", "no trim was in force", ""),
        ("alk", "2026-03-27#15", "skipped", "reason", "the plan changed during the day", "C"),
        ("alk", "2026-03-27#20", "missed", "passed", "the only dose", "M"),
        ("cal", "2026-03-24#20", "done", "start", "late: dosing was held until", "hI"),
        ("cal", "2026-03-24#22", "done", "start", "away from alk, which ran to", "UI"),
        ("cal", "2026-03-25#18", "refused", "reservoir", "0.5 mL at the last fill", "F"),
        ("mg", "2026-03-25#1", "refused", "reason", "its line was out of the tank", "J"),
        ("mg", "2026-03-29#0", "done", "counts", "at 2000 counts for 7.1 mL", "KI"),
    ],
)
def test_a_recorded_dose_is_explained_with_the_records_that_it_rests_on(
    life, ask, channel, key, ending, step, words, kinds
):
    found = ask(0, "why", life.folder / "journal", channel, key, *life.options())
    (dose,) = found["doses"]
    assert dose["ending"] == ending
    said = steps_of(dose)[step]
    assert words in said["text"]
    assert sorted(life.kinds(said["records"])) == sorted(kinds)


def test_the_cap_is_told_with_its_numbers_of_that_moment(life, ask):
    """25 March, 09:10 in Berlin: extras had filled the day, so the dose found no room."""
    found = ask(0, "why", life.folder / "journal", "alk", "2026-03-25#9", *life.options())
    step = steps_of(found["doses"][0])["cap"]
    assert step["cap_ul"] == 42000
    assert step["left_ul"] == 42000 - step["used_ul"] < 1312
    assert step["used_ul"] >= step["runs_ul"] > 0
    assert set(life.kinds(step["records"])) == {"O", "U"}


def all_runs(life):
    for name in ("alk", "cal", "mg"):
        history = life.history(name)
        for event in history.events:
            if isinstance(event, trail.Run) and event.into == DOSE:
                yield name, history, event


def test_every_run_of_the_journal_is_what_the_plan_and_the_state_before_it_ask_for(life):
    """Due time, volume, counts and raise are worked out anew, none is copied from the record."""
    runs = 0
    for name, history, run in all_runs(life):
        (made,) = explain_record.recorded(life.read, life.setups, history, run.date, run.index)
        steps = {step.name: step for step in made.steps}
        runs += 1
        at = f"{name} {date_text(run.date)}#{run.index}"
        planned = steps["spacing"].values
        assert planned["utc"] == steps["start"].values["due"]["utc"], at
        calibration = steps["counts"].values["calibration"]
        exact = Fraction(run.ul * calibration["counts"], calibration["ul"])
        exact += Fraction(run.rem_before, calibration["ul"])
        assert abs(run.counts - calibration["offset"] - exact) <= Fraction(1, 2), at
        assert "differs" not in steps, at
        taken = steps["trim"].values["trim_ul"]
        taken += steps["rest of the day"].values["cut_ul"] if "rest of the day" in steps else 0
        assert run.base_ul + taken == volume(life, name, run), at
        if run.raise_ul:
            assert run.raise_ul == min(steps["raise"].values["limits_ul"].values()), at
        assert steps["cap"].values["left_ul"] >= run.ul, at
        assert made.ending in ("done", "partial", "uncertain"), at
    assert runs > 200


@pytest.mark.parametrize("seed", range(6))
def test_whatever_happens_no_record_differs_from_what_explains_it(tmp_path, seed):
    """Random days of cuts, acts, faults and clocks: times, volumes, counts and raises agree."""
    board, tank = random_life(seed, 8)
    read = archive.read_archive(board.pull(tmp_path / "journal"))
    told = Life(tmp_path, read, {tank.digest: tank}, board)
    runs = 0
    for name, history, run in all_runs(told):
        for made in explain_record.recorded(read, told.setups, history, run.date, run.index):
            steps = {step.name: step for step in made.steps}
            assert "differs" not in steps, (name, run)
            if "raise" in steps and steps["raise"].values["raise_ul"]:
                raised = steps["raise"].values
                assert raised["raise_ul"] == min(raised["limits_ul"].values()), (name, run)
        runs += 1
    assert runs > 20


@pytest.mark.parametrize(
    ("ul", "counts", "later_s", "index", "words"),
    [
        (0, 0, 0, 0, None),
        (7, 9, 0, 0, "worked out anew it would be 1.521 mL, and the record says 1.528 mL"),
        (0, 1, 0, 0, "worked out anew it would be 1943 counts, and the record says 1944"),
        (0, 0, 60, 0, "due 2026-03-24 00:10:00, and the record says 2026-03-24 00:11:00"),
        (0, 0, 0, 24, "no such dose, and the record says that it ran"),
    ],
)
def test_a_record_that_the_set_up_does_not_lead_to_is_a_finding(
    tmp_path, ask, ul, counts, later_s, index, words
):
    """Records forged with a good checksum: another volume, count, time or index than planned."""
    tank = set_up(TANK)
    board = DeskBoard(tank, at(tank, "2026-03-24 00:00"))
    state = board.state
    due_s = at(tank, "2026-03-24 00:10") + later_s - state.channels[0].wm_w
    board.wall_w += 600 + later_s
    date = date_of_text("2026-03-24")
    board.journal.put(board.now_s, "I", (0, due_s, index, 1521 + ul, 1943 + counts, date))
    board.journal.put(board.now_s + 4, "O", (0,))
    board.pull(tmp_path / "journal")
    (tmp_path / "tank.toml").write_text(TANK)
    known = ["--setup", tmp_path / "tank.toml"]
    key = f"2026-03-24#{index}"
    found = ask(1 if words else 0, "why", tmp_path / "journal", "alk", key, *known)
    steps = steps_of(found["doses"][0])
    assert ("differs" in steps) == bool(words)
    assert words is None or words in steps["differs"]["text"]


def volume(life, name, run):
    """The planned volume of a run's dose, by the plan in force before it."""
    at = explain_record.Moment(life.read, life.setups, name, run.seq - 1)
    return at.plan.table.day(run.date, at.overs).ul(at.place, run.index)


def test_a_raise_names_the_records_that_made_it_owed(life):
    """Each is an M or O record of the channel, and what it closed was due when it says."""
    closed = {}
    for record, state in life.read.walk():
        if record.kind in "MO":
            place = record.fields[0]
            closed[record.seq] = (state.ids[place], stamp_text(state.channels[place].wm_w))
    raised = 0
    for name, history, run in all_runs(life):
        (made,) = explain_record.recorded(life.read, {}, history, run.date, run.index)
        (step,) = [step for step in made.steps if step.name == "raise"]
        if run.raise_ul:
            raised += 1
            assert sum(entry["ul"] for entry in step.values["given_back"]) == run.raise_ul
            for entry in step.values["given_back"]:
                assert [closed[seq] for seq in entry["records"]] == [(name, entry["due"]["utc"])]
    assert raised > 30


def test_an_outage_is_told_from_the_last_sign_of_life_to_the_start(life, ask):
    """Against the pumps' own list: power went at 05:00, after the run of half past four."""
    tank = next(iter(life.setups.values()))
    runs = life.board.runs
    ends = [w + -(-turned // 500) for w, _, _, turned in runs if w < at(tank, "2026-03-24 05:00")]
    last = explain.local(max(ends), tank.setup.zone)
    found = ask(0, "why-not", life.folder / "journal", "alk", "2026-03-24T06:10", *life.options())
    assert f"{last} to 2026-03-24 08:00:00" in found["answers"][0]["steps"][0]["text"]


def test_no_step_names_a_record_that_is_not_there(life):
    numbers = {record.seq for record in life.read.records}
    for _, history, run in all_runs(life):
        for made in explain_record.recorded(life.read, {}, history, run.date, run.index):
            named = {record for step in made.steps for record in step.records if record}
            assert named <= numbers
            assert run.seq in named


def test_without_the_set_up_it_says_what_cannot_be_explained(life, ask):
    found = ask(0, "why", life.folder / "journal", "alk", "2026-03-24#9")
    (dose,) = found["doses"]
    steps = steps_of(dose)
    tank, _ = life.setups
    assert steps["set-up"]["known"] is False
    assert tank in steps["set-up"]["text"]
    assert "--setup" in steps["set-up"]["text"]
    assert not {"day total", "division", "time", "spacing"} & set(steps)
    assert steps["raise"]["raise_ul"] == 380
    assert "cap_ul" not in steps["cap"]
    assert steps["start"]["due"] == {"utc": "2026-03-24T08:10:00Z", "local": None}


def test_a_set_up_explains_only_the_doses_that_it_was_in_force_for(life, ask):
    one = ["--setup", str(life.folder / "tank.toml")]
    for key, known in (("2026-03-24#9", True), ("2026-03-28#9", False)):
        (dose,) = ask(0, "why", life.folder / "journal", "alk", key, *one)["doses"]
        assert steps_of(dose)["set-up"]["known"] is known


def test_a_dose_that_is_not_there_is_a_finding_that_says_what_stands_around_it(life, ask):
    journal = life.folder / "journal"
    cases = {
        "2030-01-01#3": "the last dose of the channel in the journal is 2026-03-30#0",
        "2026-03-23#3": "the first dose of the channel in the journal is 2026-03-24#0",
        "2026-03-25#24": "the journal goes from 2026-03-25#23 to 2026-03-26#0",
    }
    for key, words in cases.items():
        found = ask(1, "why", journal, "alk", key, *life.options())
        assert found["doses"] == []
        assert found["missing"][0]["text"] == words
    found = ask(1, "why", journal, "alk", "2026-03-30#9", *life.options())
    assert "after the last record" in found["missing"][-1]["text"]


def test_a_date_made_anew_by_a_revision_tells_both_doses_of_the_same_key(tmp_path, ask):
    """A plan of fewer doses makes #0 to #2 a second time on the same date, later."""
    tank = set_up(TANK)
    fewer = set_up(TANK.replace("daily_ml = 36.5", "daily_ml = 35\ndoses = 12", 1))
    board = DeskBoard(tank, at(tank, "2026-06-01 00:00"))
    board.until(at(tank, "2026-06-01 05:00"))
    board.change(fewer)
    board.until(at(tank, "2026-06-01 20:00"))
    board.pull(tmp_path / "journal")
    found = ask(0, "why", tmp_path / "journal", "alk", "2026-06-01#4")
    assert [(d["revision"], d["ending"]) for d in found["doses"]] == [(1, "done"), (2, "done")]


GROUP = TANK + '[[group]]\nchannels = ["alk", "cal"]\ncap_ml = 74\n'
SLOW = GROUP.replace(
    "counts = 2800, ml = 10.02 }",
    """counts = 2800, ml = 10.02 }
pump = { speed_cps = 400 }""",
)


@pytest.fixture(scope="module")
def hard(tmp_path_factory):
    """A journal with a record lost at noon, a pump that is slowed down, and two large extras."""
    folder = tmp_path_factory.mktemp("hard")
    group, slow = set_up(GROUP), set_up(SLOW)
    board = DeskBoard(group, at(group, "2026-03-24 00:00"))
    board.until(at(group, "2026-03-24 12:00"))
    segment = board.files.files["j00000001.txt"]
    segment[segment.index(b"\n20 ") + 1] ^= 1
    board.off(300)
    assert "gap" in [finding[0] for finding in board.findings]
    board.until(at(group, "2026-03-24 15:00"))
    board.act(acts.release, ALL, 2)
    board.until(at(group, "2026-03-24 20:00"))
    board.change(slow)
    board.until(at(group, "2026-03-25 16:00"))
    for ul in (4000, 1300):
        board.act(acts.extra, ALK, ul, planned=True, keep=True)
        board.until(board.wall_w + 130)
    board.until(at(group, "2026-03-25 20:00"))
    board.pull(folder / "journal")
    (folder / "group.toml").write_text(GROUP)
    (folder / "slow.toml").write_text(SLOW)
    read = archive.read_archive(folder / "journal")
    return Life(folder, read, {s.digest: s for s in (group, slow)}, board)


@pytest.mark.parametrize(
    ("channel", "key", "step", "words", "kinds"),
    [
        ("alk", "2026-03-24#13", "reason", "records were lost and nobody had answered", "G"),
        ("mg", "2026-03-25#1", "reason", "the pump was not calibrated as it is set up", "CC"),
        ("alk", "2026-03-25#16", "reason", "the cap had no room for it", ""),
    ],
)
def test_lost_records_and_a_changed_pump_are_reasons_too(
    hard, ask, channel, key, step, words, kinds
):
    setups = [
        "--setup",
        str(hard.folder / "group.toml"),
        "--setup",
        str(hard.folder / "slow.toml"),
    ]
    (dose,) = ask(0, "why", hard.folder / "journal", channel, key, *setups)["doses"]
    assert dose["ending"] == "refused"
    said = steps_of(dose)[step]
    assert words in said["text"]
    assert sorted(hard.kinds(said["records"])) == sorted(kinds)


def test_the_cap_of_a_group_is_told_where_it_leaves_less(hard):
    """A group cap just above what had gone in: less room than the channel's own cap."""
    one = next(e for e in hard.history("cal").events if getattr(e, "index", -1) == 10)
    for cap_ul, words in ((74000, "and leaves"), (40000, "but that of its group leaves")):
        moment = explain_record.Moment(hard.read, hard.setups, "cal", one.seq - 1)
        moment.plan.setup.groups[0] = (cap_ul, (0, 1))
        step = explain_record.cap_step(moment, one.ul)
        assert words in step.text
        others = sum(c.ring.used_ul(moment.now_s) for c in moment.state.channels[:2])
        left = min(36000 - moment.channel.ring.used_ul(moment.now_s), cap_ul - others)
        assert step.values["left_ul"] == left


def test_one_segment_and_segments_joined_to_one_text_are_journals_too(life, ask, tmp_path):
    files = sorted((life.folder / "journal").glob("j*.txt"))
    joined = tmp_path / "joined.txt"
    joined.write_bytes(b"".join(file.read_bytes() for file in files))
    (tmp_path / files[0].name).write_bytes(files[0].read_bytes())
    whole = ask(0, "why", life.folder / "journal", "alk", "2026-03-24#9")
    assert ask(0, "why", joined, "alk", "2026-03-24#9") == whole
    assert ask(0, "why", tmp_path / files[0].name, "alk", "2026-03-24#9") == whole


def test_damage_of_the_journal_is_told_beside_the_explanation(life, tmp_path, capsys):
    folder = tmp_path / "journal"
    folder.mkdir()
    for file in (life.folder / "journal").glob("j*.txt"):
        data = file.read_bytes()
        if file.name == "j00000001.txt":
            data = data.replace(b"\n20 ", b"\n2x ", 1)
        (folder / file.name).write_bytes(data)
    assert cli.run(["why", str(folder), "alk", "2026-03-24#9"]) == 0
    out, err = capsys.readouterr()
    assert "warning: j00000001.txt: records 20 to 20 are lost" in err
    assert "alk 2026-03-24#9: done at " in out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["journal", "alk", "2026-03-24"], "such as 2026-03-29#5"),
        (["journal", "alk", "2026-02-30#1"], "01 to 28"),
        (["journal", "alk", "2026-03-24#-1"], "DATE#INDEX"),
        (["journal", "nut", "2026-03-24#1"], "one of alk, cal, mg"),
        (["tank.toml", "nut", "2026-03-24#1"], "one of alk, cal, mg"),
        (["tank.toml", "alk", "2026-03-24#1", "--setup", "tank.toml"], "belongs to a journal"),
        (["journal", "alk", "2026-03-24#1", "--setup", "other.toml"], "as it was loaded then"),
        (["none", "alk", "2026-03-24#1"], "no such file or folder"),
        (["empty", "alk", "2026-03-24#1"], "at least one segment"),
    ],
)
def test_bad_input_ends_with_2_and_says_what_to_do(life, monkeypatch, capsys, arguments, words):
    (life.folder / "empty").mkdir(exist_ok=True)
    (life.folder / "other.toml").write_text(TANK.replace("36.5", "36"))
    monkeypatch.chdir(life.folder)
    assert cli.run(["why", *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err
    assert "Traceback" not in err


def test_a_wrong_set_up_is_named_beside_those_that_are_right(life, monkeypatch, capsys):
    (life.folder / "other.toml").write_text(TANK.replace("36.5", "36"))
    monkeypatch.chdir(life.folder)
    assert cli.run(["why", "journal", "alk", "2026-03-24#1", "--setup", "other.toml"]) == 2
    err = capsys.readouterr().err
    assert all(digest in err for digest in life.setups)
    assert set_up(TANK.replace("36.5", "36")).digest in err


def test_a_person_reads_a_title_steps_and_record_numbers(life, capsys):
    journal = str(life.folder / "journal")
    assert cli.run(["why", journal, "alk", "2026-03-24#9", *life.options()]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "alk 2026-03-24#9: done at 2026-03-24 09:10:00: 1.9 mL, 2427 counts"
    assert lines[2].split() == ["step", "how", "records"]
    assert any(line.split()[:1] == ["raise"] and "#28" in line for line in lines)


# Why not


@pytest.mark.parametrize(
    ("channel", "time", "verdict", "step", "words", "kinds"),
    [
        ("alk", "2026-03-24T06:10", "off", "board", "no power, or left no sign of it", "OB"),
        ("alk", "2026-03-26T07:00", "clock unset", "board", "did not know the time", "BT"),
        ("alk", "2026-03-27T20:30", "clock skipped", "board", "set forward over that time", "ST"),
        ("alk", "2026-03-24T19:30", "held", "stop", "all channels were on hold", "H"),
        ("alk", "2026-03-24T12:10", "ran", "run", "dose 2026-03-24#12: 0.76 mL", "IO"),
        ("alk", "2026-03-25T04:30:09", "ran", "run", "an extra: 4 mL", "JO"),
        ("mg", "2026-03-25T11:00", "ran", "run", "a run into a cup", "JO"),
        ("alk", "2026-03-24T12:30", "not due", "around it", "due next: 2026-03-24 13:10:00", "I"),
        ("alk", "2026-03-25T09:20", "cap", "cap", "the cap is 42 mL and leaves", None),
        ("cal", "2026-03-25T20:40", "empty", "reservoir", "0.5 mL at the last fill", "F"),
        ("mg", "2026-03-25T14:05", "cup", "stop", "over a cup", "J"),
        ("mg", "2026-03-26T14:05", "not due", "no dose", "it does not dose on Thursdays", ""),
        ("cal", "2026-03-24T22:35", "waiting", "waited", "away from alk", "UI"),
        ("alk", "2026-03-27T15:10", "trimmed", "reason", "the plan changed during the day", "C"),
        ("alk", "2026-03-24T08:20", "queue", "reason", "powered time away from cal", "OO"),
        ("alk", "2026-04-02T08:00", "after the journal", "journal", "the last record", None),
        ("alk", "2026-03-20T08:00", "before the journal", "journal", "begin later", ""),
    ],
)
def test_a_silent_moment_has_one_verdict_and_its_records(
    life, ask, channel, time, verdict, step, words, kinds
):
    found = ask(0, "why-not", life.folder / "journal", channel, time, *life.options())
    assert (found["format"], found["version"]) == ("aliquot-why-not", 1)
    (answer,) = found["answers"]
    assert answer["verdict"] == verdict
    (said,) = [one for one in answer["steps"] if one["step"] == step]
    assert words in said["text"]
    if kinds is not None:
        assert sorted(life.kinds(said["records"])) == sorted(kinds)


def test_a_minute_with_a_run_is_found_and_no_other(life):
    """Against the pump's own list: two days of alk, every 7th minute and all with a run."""
    zone = life.board.loaded.setup.zone
    start_w = zone.day_start(date_of_text("2026-03-24"))
    turned = {
        (w + second - start_w) // 60
        for w, channel, _, given_counts in life.board.runs
        if channel == 0 and w < start_w + 2 * 86400
        for second in range(-(-given_counts // 500))
    }
    turned.add(22 * 60 + 10)  # power went in that minute, and the pump had no time to note it
    assert len(turned) > 30
    for minute in sorted(turned | set(range(0, 2880, 7))):
        span = silence.Span(start_w + minute * 60, start_w + minute * 60 + 60)
        history = trail.history_of(life.read, "alk", (span.from_w, span.until_w - 1))
        answers = silence.recorded(life.read, life.setups, history, span, zone)
        verdicts = {answer.verdict for answer in answers}
        assert ("ran" in verdicts) == (minute in turned), minute
        assert "before the journal" not in verdicts


@pytest.mark.parametrize(
    ("channel", "time", "verdict", "words"),
    [
        ("alk", "2026-03-29T00:10", "planned", "it does run then, by the plan: 2026-03-29#0"),
        ("alk", "2026-03-29T00:30", "not due", "due next: 2026-03-29 01:07:30"),
        ("mg", "2026-03-26 14:00", "not due", "it does not dose on Thursdays"),
        ("cal", "2026-03-28T23:30:06Z", "planned", "2026-03-29#0"),
        ("cal", "2026-03-29T02:25:06+02:00", "not due", "due next: 2026-03-29 01:27:35"),
    ],
)
def test_a_set_up_tells_what_is_planned_around_a_time(life, ask, channel, time, verdict, words):
    found = ask(0, "why-not", life.folder / "tank.toml", channel, time)
    (answer,) = found["answers"]
    assert answer["verdict"] == verdict
    assert words in json.dumps(answer)


def test_a_time_that_comes_twice_has_two_answers_and_one_that_never_comes_says_so(life, ask):
    """Berlin, 25 October and 29 March 2026 (reference values of the project, zoneinfo)."""
    twice = ask(0, "why-not", life.folder / "tank.toml", "alk", "2026-10-25T02:15")["answers"]
    assert [a["from_utc"] for a in twice] == ["2026-10-25T00:15:00Z", "2026-10-25T01:15:00Z"]
    assert [a["note"][:10] for a in twice] == ["the first ", "the second"]
    (never,) = ask(0, "why-not", life.folder / "tank.toml", "alk", "2026-03-29T02:15")["answers"]
    assert never["from_utc"] == "2026-03-29T01:00:00Z"
    assert "the clock leaves 02:15 out" in never["note"]


def test_a_journal_alone_takes_no_local_time_because_it_knows_no_zone(life, ask, capsys):
    journal = str(life.folder / "journal")
    assert cli.run(["why-not", journal, "alk", "2026-03-24T06:10"]) == 2
    assert "--setup" in capsys.readouterr().err
    (answer,) = ask(0, "why-not", journal, "alk", "2026-03-24T06:10+01:00")["answers"]
    assert (answer["verdict"], answer["from_utc"]) == ("off", "2026-03-24T05:10:00Z")


@pytest.mark.parametrize(
    "time", ["06:10", "2026-03-24", "2026-03-24T25:00", "2026-02-30T06:10", "yesterday", ""]
)
def test_a_bad_time_ends_with_2(life, capsys, time):
    assert cli.run(["why-not", str(life.folder / "tank.toml"), "alk", time]) == 2
    assert "TIME" in capsys.readouterr().err
