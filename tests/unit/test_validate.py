"""The validator: every problem of a canonical set-up, field by field and between fields."""

import copy
import json

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from aliquot.core import consistent, fields, survey, validate
from aliquot.core.plan import day_ul
from aliquot.core.setup import build, signature
from aliquot.core.timetable import Timetable
from aliquot_host import paths
from set_ups import canonical, channel

DATE = 9497  # 2026-01-01
LISTED = [{"time_s": 28800, "ul": 3000}, {"time_s": 72000, "ul": 1500}]
LISTING = {"at": LISTED, "doses": 2, "daily_ul": 4500, "cap_ul": 11000}


def found(data):
    """(path, rule, limit) of every problem."""
    return [problem[:1] + problem[2:4] for problem in validate.problems(data, DATE)]


@pytest.mark.parametrize(
    "data",
    [
        canonical(),
        canonical(channel(), channel("cal", 2)),
        canonical(channel(**LISTING)),
        canonical(channel(ramp={"from_ul": 0, "start_date": DATE, "days": 30})),
        canonical(channel(every_days=3, start_date=DATE)),
        canonical(channel(daily_ul=0)),
        canonical(channel(pump={"kind": "timed", "speed_cps": 1000})),
    ],
)
def test_a_good_set_up_has_no_problem(data):
    assert found(data) == []


def row_cases():
    """(path, value, rule) that each row of the table must refuse."""
    for path, (_, _, unit, least, most, default) in paths.rows().items():
        if unit == "word":
            yield path, "neither", "must be"
        elif unit == "ids":
            yield path, ["alk"] * (most + 1), "must name"
            yield path, [1, 2], "must be"
        elif unit in ("text", "id"):
            yield path, "x" * (most + 1), "must have"
            yield path, 5, "must be"
            yield path, "a\n" if unit == "text" else "A b", "must be"
            if least:
                yield path, "", "must have"
        else:
            yield path, least - 1, "at least"
            yield path, most + 1, "at most"
            yield path, True, "must be"
            yield path, float(most), "must be"
            yield path, str(most), "must be"
            if default != "?":
                yield path, None, "must be"
            if unit in fields.STEP_S:
                yield path, most - 1, "a multiple of"


EVERY = canonical(
    channel(
        at=[{"time_s": 3600, "ul": 1000}, {"time_s": 7200, "share": 1}],
        ramp={"from_ul": 1000, "start_date": DATE, "days": 3},
        reservoir={"size_ul": 5000, "dead_ul": 0, "low_pct": 10, "left_ul": 5000},
        strength={"water": "alkalinity", "ul": 1000, "tank_ml": 1000, "raises_micro": 1},
    ),
    tank={
        "volume_ml": 260000,
        "water": [{"name": "alkalinity", "unit": "dKH", "start_micro": 1, "use_micro": 0}],
    },
    separate=[{"channels": ["alk", "cal"], "seconds": 1200}],
    group=[{"channels": ["alk", "cal"], "cap_ul": 110000}],
)


def place(data, path):
    """(object, key, dotted path) of a field of the table in EVERY."""
    parts = path.split(".")
    where = []
    for i, part in enumerate(parts[:-1]):
        data = data[part]
        where.append(part)
        if isinstance(data, list):
            at = 1 if path == "channel.at.share" and i == 1 else 0
            data = data[at]
            where.append(str(at))
    return data, parts[-1], ".".join([*where, parts[-1]])


@pytest.mark.parametrize(("path", "value", "rule"), list(row_cases()))
def test_a_value_outside_its_row_is_named_with_its_rule(path, value, rule):
    data = copy.deepcopy(EVERY)
    owner, key, where = place(data, path)
    owner[key] = value
    assert (where, rule) in [(problem[0], problem[2]) for problem in validate.shape(data)]
    assert len(validate.shape(data)) == 1


@pytest.mark.parametrize("path", [p for p, row in paths.rows().items() if row[5] != "~"])
def test_a_field_that_is_missing_is_named(path):
    data = copy.deepcopy(EVERY)
    owner, key, where = place(data, path)
    del owner[key]
    assert [problem[:1] + problem[2:4] for problem in validate.shape(data)] == [
        (where, "is", "missing")
    ]


@pytest.mark.parametrize("path", paths.sections())
def test_an_unknown_field_is_an_error_wherever_it_stands(path):
    data = copy.deepcopy(EVERY)
    owner, key, where = place(data, f"{path}.colour" if path else "colour")
    owner[key] = 1
    assert [problem[0] for problem in validate.shape(data)] == [where]


@pytest.mark.parametrize(
    ("key", "value", "limit"),
    [
        ("channel", None, "a list"),
        ("channel", {}, "a list"),
        ("channel", [], "1 to 8 entries"),
        ("channel", [channel(f"c{i}", i + 1) for i in range(9)], "1 to 8 entries"),
        ("channel", [7], "an object"),
        ("separate", None, "a list"),
        ("clock", None, "an object"),
        ("clock", [], "an object"),
        ("tank", "big", "an object"),
    ],
)
def test_a_section_of_the_wrong_shape_is_named(key, value, limit):
    assert limit in [problem[3] for problem in validate.shape(canonical(**{key: value}))]


def test_a_listed_dose_too_many_is_named():
    listed = [{"time_s": 60 * i, "ul": 100} for i in range(145)]
    assert validate.shape(canonical(channel(at=listed)))[0][3] == "1 to 144 entries"


CROSS = {
    "the cap holds the fullest day and two of its largest doses": (
        {"cap_ul": 39541},
        ("channel.0.cap_ul", "at least", 36500 + 2 * 1521),
    ),
    "the fullest day may be that of a ramp": (
        {"ramp": {"from_ul": 60000, "start_date": DATE, "days": 9}, "cap_ul": 60000},
        ("channel.0.cap_ul", "at least", 60000 + 2 * 2500),
    ),
    "doses that share a place of the cap's window count together": (
        # 144 doses in 23 h are 575 s apart: 6 of them fall into BUCKET_S, 3000 s.
        {"doses": 144, "grace_s": 300, "cap_ul": 36500 + 2 * 1520},
        ("channel.0.cap_ul", "at least", 36500 + 2 * -(-36500 * 6 // 144)),
    ),
    "the largest dose of a day fits under dose_most": (
        {"dose_most_ul": 1520},
        ("channel.0.dose_most_ul", "at least", 1521),
    ),
    "the end of a ramp counts for dose_most": (
        {"ramp": {"from_ul": 100, "start_date": DATE, "days": 9}, "dose_most_ul": 1520},
        ("channel.0.dose_most_ul", "at least", 1521),
    ),
    "a listed share counts for dose_most": (
        {"at": [{"time_s": 0, "share": 9}, {"time_s": 43200, "share": 1}], "doses": 2},
        ("channel.0.dose_most_ul", "at least", 32850),
    ),
    "a day below dose_least holds no dose": (
        {"daily_ul": 99},
        ("channel.0.daily_ul", "at least", 100),
    ),
    "a day of a ramp below dose_least holds no dose": (
        {"ramp": {"from_ul": 99, "start_date": DATE, "days": 9}},
        ("channel.0.ramp.from_ul", "at least", 100),
    ),
    "dose_most is no less than dose_least": (
        {"dose_least_ul": 4001},
        ("channel.0.dose_most_ul", "at least", 4001),
    ),
    "the smallest dose is two counts": (
        {"calibration": {"counts": 199, "ul": 10000}},
        ("channel.0.dose_least_ul", "at least", 101),
    ),
    "the largest dose ends before run_most": (
        {"run_most_s": 10},
        ("channel.0.run_most_s", "at least", 11),
    ),
    "a dead time lengthens the run": (
        {
            "pump": {"kind": "timed", "speed_cps": 1000},
            "calibration": {"counts": 60000, "ul": 24000, "offset": 999},
            "run_most_s": 10,
        },
        ("channel.0.run_most_s", "at least", 11),
    ),
    "grace ends before the next dose, on the shortest day too": (
        {"grace_s": 3450},
        ("channel.0.grace_s", "at most", 3444),
    ),
    "a timed motor counts milliseconds": (
        {"pump": {"kind": "timed", "speed_cps": 999}},
        ("channel.0.pump.speed_cps", "must be", 1000),
    ),
    "a stepper has no dead time": (
        {"calibration": {"offset": 5}},
        ("channel.0.calibration.offset", "must be", 0),
    ),
    "microsteps are a power of two": (
        {"pump": {"microsteps": 24}},
        ("channel.0.pump.microsteps", "must be", "1, 2, 4, 8 ... 256"),
    ),
    "every so many days needs the day to count from": (
        {"every_days": 2},
        ("channel.0.start_date", "is", "missing"),
    ),
    "nothing of a reservoir is larger than it": (
        {"reservoir": {"size_ul": 100, "dead_ul": 101, "low_pct": 10, "left_ul": 100}},
        ("channel.0.reservoir.dead_ul", "at most", 100),
    ),
    "a reservoir holds no more than it can": (
        {"reservoir": {"size_ul": 100, "dead_ul": 0, "low_pct": 10, "left_ul": 101}},
        ("channel.0.reservoir.left_ul", "at most", 100),
    ),
    "listed times rise": (
        {**LISTING, "at": LISTED[::-1]},
        ("channel.0.at.1.time_s", "must be", "later than 20:00"),
    ),
    "listed times are not equal": (
        {**LISTING, "at": [LISTED[0], {"time_s": 28800, "ul": 1500}]},
        ("channel.0.at.1.time_s", "must be", "later than 08:00"),
    ),
    "a listed dose has a volume or a share": (
        {**LISTING, "at": [{"time_s": 60}, LISTED[1]]},
        ("channel.0.at.0", "must have", "ml or share, one of them"),
    ),
    "a listed dose has not both": (
        {**LISTING, "at": [LISTED[0], {"time_s": 72000, "ul": 1500, "share": 1}]},
        ("channel.0.at.1", "must have", "ml or share, one of them"),
    ),
    "volumes and shares are not mixed": (
        {**LISTING, "at": [LISTED[0], {"time_s": 72000, "share": 1}]},
        ("channel.0.at.1", "must not", "mix ml and share"),
    ),
    "the list says how many doses there are": (
        {**LISTING, "doses": 3},
        ("channel.0.doses", "must be", 2),
    ),
    "listed volumes make the day": (
        {**LISTING, "daily_ul": 4499},
        ("channel.0.daily_ul", "must be", 4500),
    ),
    "listed times leave the window alone": (
        {**LISTING, "from_s": 60},
        ("channel.0.at", "must not", "stand beside from or span_h"),
    ),
}


@pytest.mark.parametrize("name", CROSS)
def test_fields_fit_together(name):
    changes, expected = CROSS[name]
    assert expected in found(canonical(channel(**changes)))


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (
            canonical(channel(), channel(output=2)),
            ("channel.1.id", "is used by", "channel.0.id"),
        ),
        (
            canonical(channel(), channel("cal", 1)),
            ("channel.1.pump.output", "is used by", "channel.0.pump.output"),
        ),
        (
            canonical(separate=[{"channels": ["alk", "cal"], "seconds": 60}]),
            ("separate.0.channels", "must be", "ids of channels: alk"),
        ),
        (
            canonical(separate=[{"channels": ["alk", "alk"], "seconds": 60}]),
            ("separate.0.channels", "must be", "different"),
        ),
        (
            canonical(
                channel(),
                channel("cal", 2),
                separate=[
                    {"channels": ["alk", "cal"], "seconds": 60},
                    {"channels": ["cal", "alk"], "seconds": 120},
                ],
            ),
            ("separate.1.channels", "is used by", "separate.0.channels"),
        ),
        (
            canonical(group=[{"channels": ["alk", "no3"], "cap_ul": 55000}]),
            ("group.0.channels", "must be", "ids of channels: alk"),
        ),
        (
            canonical(
                channel(),
                channel("cal", 2),
                group=[{"channels": ["alk", "cal"], "cap_ul": 2 * 39542 - 1}],
            ),
            ("group.0.cap_ul", "at least", 2 * 39542),
        ),
        (
            canonical(
                channel(strength={"water": "kh", "ul": 1, "tank_ml": 1, "raises_micro": 1}),
            ),
            ("channel.0.strength.water", "must be", "a name of [[tank.water]]"),
        ),
        (
            canonical(channel(), channel("cal", 2, grace_s=120), channel("mg", 3, grace_s=120)),
            None,
        ),
        (
            canonical(tz="CET"),
            ("tz", "must be", "a POSIX rule"),
        ),
    ],
)
def test_channels_fit_together(data, expected):
    assert expected in found(data) if expected else found(data) == []


def test_grace_is_longer_than_all_other_pumps_may_run():
    long = {"daily_ul": 400000, "dose_most_ul": 90000, "cap_ul": 600000, "run_most_s": 900}
    data = canonical(channel(grace_s=120), channel("cal", 2, **long))
    # 90 mL at 12800 counts for 10.02 mL: 114971 counts, one for the remainder, 500 a second.
    assert found(data) == [("channel.0.grace_s", "at least", 234)]


def test_a_day_that_cannot_be_spaced_is_refused_with_the_date():
    pair = [{"channels": ["alk", "cal"], "seconds": 1800}]
    data = canonical(channel(doses=48, grace_s=300), channel("cal", 2, doses=48), separate=pair)
    (problem,) = validate.problems(data, DATE)
    assert problem[0] in ("channel.0", "channel.1")
    assert problem[2:4] == ("cannot be", "spaced on 2026-01-01")


def test_a_clock_change_that_leaves_no_room_is_found_years_ahead():
    """Berlin's window from 02:00 to 03:00 does not exist on the last Sunday of March."""
    narrow = {"from_s": 7200, "span_s": 3600, "doses": 2, "daily_ul": 2000, "cap_ul": 9000}
    narrow["grace_s"] = 900
    data = canonical(channel(**narrow))
    (problem,) = validate.problems(data, DATE)
    assert problem[2].startswith(("cannot be", "must give doses at least"))
    data["tz"] = "CET-1"
    assert validate.problems(data, DATE) == []


def test_doses_closer_than_the_least_grace_are_refused():
    close = [{"time_s": 3600, "ul": 1000}, {"time_s": 3660, "ul": 1000}]
    data = canonical(channel(at=close, doses=2, daily_ul=2000, cap_ul=9000))
    assert ("channel.0", "must give doses at least") in [p[:2] for p in found(data)]


def test_every_problem_is_told_not_only_the_first():
    data = canonical(
        channel(daily_ul=-1, doses=0, cap_ul="55", more=1),
        channel("CAL", 2, pump={"kind": "rocket"}),
        clock=None,
    )
    assert {problem[0] for problem in validate.problems(data, DATE)} == {
        "channel.0.daily_ul",
        "channel.0.doses",
        "channel.0.cap_ul",
        "channel.0.more",
        "channel.1.id",
        "channel.1.pump.kind",
        "clock",
    }


def test_a_flood_of_problems_ends():
    data = {f"x{i}": i for i in range(5000)}
    assert len(validate.shape(data)) <= validate.MOST + len(fields.rows("")) + 10


@pytest.mark.parametrize(
    ("problem", "text"),
    [
        (("a.b", 3, "at least", 4, "raise it"), "a.b = 3: at least 4; raise it"),
        (("", [1], "must be", "an object", ""), "the file = a list of 1: must be an object"),
        (("a", None, "is", "missing", "add it"), "a: is missing; add it"),
        (("a", 10**30, "at most", 4, ""), "a = a number of more than 18 digits: at most 4"),
        (("a", "x" * 99, "m", 4, ""), "a = " + "x" * 37 + "...: m 4"),
        (("a", {"b": 1}, "m", 4, ""), "a = an object: m 4"),
    ],
)
def test_a_problem_is_one_line_of_bounded_length(problem, text):
    assert validate.text(problem) == text


json_like = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=12,
)


@given(json_like)
def test_anything_at_all_is_valid_or_has_problems(data):
    for problem in validate.problems(data, DATE):
        assert validate.text(problem)


@st.composite
def damaged(draw):
    """A whole set-up with some places replaced by anything, or removed."""
    data = copy.deepcopy(EVERY)
    for _ in range(draw(st.integers(1, 3))):
        owner = data
        while True:
            key = draw(
                st.sampled_from(sorted(owner))
                if isinstance(owner, dict)
                else st.integers(0, len(owner) - 1)
            )
            inner = owner[key]
            if not isinstance(inner, (dict, list)) or not inner or draw(st.booleans()):
                break
            owner = inner
        if draw(st.booleans()) or isinstance(owner, list):
            owner[key] = draw(json_like)
        else:
            del owner[key]
        if not data:
            break
    return data


@given(damaged())
def test_a_damaged_set_up_is_valid_or_has_problems_and_never_raises(data):
    for problem in validate.problems(data, DATE):
        assert validate.text(problem)


@st.composite
def extremes(draw):
    """A set-up whose fields lie anywhere in their ranges, at the ends most of all."""
    data = copy.deepcopy(EVERY)
    data["channel"].append(channel("cal", 2))
    data["tz"] = draw(
        st.sampled_from(["UTC0", "<+1030>-10:30<+11>-11,M10.1.0,M4.1.0", "A1B,J60/-167,0/167"])
        | st.just(data["tz"])
    )
    data["channel"][0]["at"] = draw(st.sampled_from([None, LISTED]))
    rows = [
        path
        for path, row in paths.rows().items()
        if row[2] not in ("text", "id", "ids", "word") and not path.startswith("channel.at")
    ]
    for path in draw(st.lists(st.sampled_from(rows), max_size=4)):
        owner, key, _ = place(data, path)
        _, _, unit, least, most, _ = paths.rows()[path]
        step = fields.STEP_S.get(unit, 1)
        inner = st.integers(least // step, most // step).map(lambda n, step=step: n * step)
        owner[key] = draw(st.sampled_from([least, most]) | inner)
    return data


@given(extremes())
def test_fields_at_the_ends_of_their_ranges_never_raise(data):
    assert validate.shape(data) == []
    for problem in validate.problems(data, DATE):
        assert validate.text(problem)


volumes = st.integers(100, 60000)


@given(
    daily_ul=volumes,
    doses=st.integers(1, 144),
    least_ul=st.integers(20, 300),
    cap_pct=st.integers(90, 320),
    from_ul=st.none() | volumes,
    weekdays=st.integers(1, 127),
)
def test_a_set_up_without_problems_keeps_its_limits_on_every_day(
    daily_ul, doses, least_ul, cap_pct, from_ul, weekdays
):
    """Day by day, a clock change among them: no dose out of range, any 24 h under the cap."""
    cap_ul = max(daily_ul, from_ul or 0) * cap_pct // 100
    ramp = None if from_ul is None else {"from_ul": from_ul, "start_date": DATE + 3, "days": 5}
    data = canonical(
        channel(
            daily_ul=daily_ul,
            doses=doses,
            dose_least_ul=least_ul,
            cap_ul=cap_ul,
            dose_most_ul=60000,
            run_most_s=900,
            ramp=ramp,
            weekdays=weekdays,
            grace_s=120,
        )
    )
    assume(not validate.problems(data, DATE))
    setup = build(data)
    table = Timetable(setup, consistent.calibrations(data))
    given_at = []
    for date in [*range(DATE, DATE + 12), *range(9582, 9587)]:
        start = setup.zone.day_start(date)
        day = table.day(date)
        assert sum(day.ul(0, i) for i in range(len(day.times[0]))) == day_ul(
            setup.channels[0], date, []
        )
        for i, second in enumerate(day.times[0]):
            assert least_ul <= day.ul(0, i) <= 60000
            given_at.append((start + second, day.ul(0, i)))
    for end, _ in given_at:
        assert sum(ul for at, ul in given_at if end - 86400 <= at <= end) <= cap_ul


def test_the_survey_looks_at_every_clock_change_of_five_years():
    setup = build(canonical())
    table = Timetable(setup, [(12800, 10020)])
    dates = []
    assert len(list(survey._dates(table, DATE, dates))) > 60  # it pauses, for a board
    changes = [d for d in range(DATE, DATE + survey.YEARS_DAYS) if not setup.zone.ordinary(d)]
    assert len(changes) == 10
    assert set(changes) <= set(dates)


def test_a_pump_setting_changes_the_signature_of_a_calibration():
    pump = channel()["pump"]
    others = ({"speed_cps": 501}, {"microsteps": 32}, {"reverse": 1}, {"kind": "timed"})
    signatures = {signature(pump), *(signature({**pump, **other}) for other in others)}
    assert len(signatures) == 5
    assert all(0 <= each < 1 << 30 for each in signatures)
    assert signature({**pump, "output": 2}) == signature(pump)


def test_compiling_carries_every_number_over():
    reservoir = {"size_ul": 2000000, "dead_ul": 40000, "low_pct": 15, "left_ul": 1500000}
    data = canonical(
        channel(
            reservoir=reservoir,
            ramp={"from_ul": 20000, "start_date": DATE, "days": 9},
            every_days=2,
            start_date=DATE,
        ),
        channel("cal", 2, **LISTING),
        separate=[{"channels": ["cal", "alk"], "seconds": 1200}],
        group=[{"channels": ["alk", "cal"], "cap_ul": 110000}],
        clock={"carry_on_s": 3600},
    )
    made = build(json.loads(json.dumps(data)), "5e")
    first, second = made.channels
    assert (made.hash, made.carry_on_s) == ("5e", 3600)
    assert made.groups == [(110000, (0, 1))]
    assert made.separate == [(1, 0, 1200)]
    assert (first.id, first.daily_ul, first.doses, first.cap_ul) == ("alk", 36500, 24, 55000)
    assert (first.least_ul, first.most_ul, first.run_most_s) == (100, 4000, 22)
    assert (first.grace_s, first.speed_cps, first.offset) == (1800, 500, 0)
    assert (first.raise_pct, first.age_s, first.owed_most_ul) == (25, 86400, 18250)
    assert (first.size_ul, first.dead_ul, first.low_ul) == (2000000, 40000, 300000)
    assert first.ramp == (20000, DATE, 9)
    assert (first.every, first.start_date, first.weekdays) == (2, DATE, 127)
    assert second.at == ((28800, 3000), (72000, 1500))
    assert second.start_date == 0
