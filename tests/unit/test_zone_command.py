"""`aliquot zone`: what it says, what it refuses, and its exit codes."""

import datetime
import json
import struct
import zoneinfo

import pytest
from freezegun import freeze_time

from aliquot.core.decimals import stamp_text
from aliquot_host import cli, zones
from aliquot_host.commands import zone as zone_command

BERLIN = "CET-1CEST,M3.5.0,M10.5.0/3"


@pytest.fixture
def aliquot(capsys):
    """Runs a command: (exit code, stdout, stderr)."""

    def run(*arguments):
        code = cli.run(["zone", *arguments])
        told = capsys.readouterr()
        return code, told.out, told.err

    return run


def zone_file(footer, changes=(), version=b"2"):
    """A TZif file, RFC 9636: UTC+0 at first, then `changes` of (unix seconds, seconds east)."""
    types = [0, *(east for _, east in changes)]
    body = b"".join(struct.pack(">lBB", east, 0, 0) for east in types) + b"XXX\0"
    head = struct.pack(">4s1s15x6L", b"TZif", version, 0, 0, 0, 0, 1, 4)
    first = head + struct.pack(">lBB", 0, 0, 0) + b"XXX\0"
    if version == b"\0":
        return first
    times = b"".join(struct.pack(">q", at) for at, _ in changes)
    times += bytes(range(1, len(types)))
    second = struct.pack(">4s1s15x6L", b"TZif", version, 0, 0, 0, len(changes), len(types), 4)
    return first + second + times + body + b"\n" + footer + b"\n"


@pytest.fixture
def database(tmp_path):
    """A folder of zone files of our own in front of the machine's."""
    before = zoneinfo.TZPATH
    zoneinfo.reset_tzpath([str(tmp_path), *before])
    (tmp_path / "Test").mkdir()
    yield tmp_path / "Test"
    zoneinfo.reset_tzpath(before)


def unix(text):
    return round(datetime.datetime.fromisoformat(text).replace(tzinfo=datetime.UTC).timestamp())


@freeze_time("2026-02-01")
def test_a_zone_that_holds_is_told_in_words_with_its_next_changes(aliquot):
    code, out, err = aliquot("Europe/Berlin")
    assert (code, err) == (0, "")
    assert BERLIN in out
    assert "CEST starts on the last Sunday of March at 02:00 CET." in out
    assert "CEST ends on the last Sunday of October at 03:00 CEST." in out
    assert "2026-03-29T01:00:00Z" in out
    assert "2026-03-29 02:00  UTC+01:00" in out
    assert "2026-03-29 03:00  UTC+02:00" in out
    assert "It holds from 2026-02-01 to 2031-02-01." in out


@freeze_time("2026-02-01")
def test_json_says_the_same_with_its_format_and_version(aliquot):
    code, out, err = aliquot("Europe/Berlin", "--json")
    told = json.loads(out)
    assert (code, err) == (0, "")
    assert (told["format"], told["version"]) == ("aliquot-zone", 1)
    assert (told["posix"], told["holds"], told["reason"]) == (BERLIN, True, "")
    assert (told["compared_from"], told["compared_until"]) == ("2026-02-01", "2031-02-01")
    assert told["changes"][0] == {
        "utc": "2026-03-29T01:00:00Z",
        "local_before": "2026-03-29T02:00:00+01:00",
        "local_after": "2026-03-29T03:00:00+02:00",
        "offset_before_s": 3600,
        "offset_after_s": 7200,
    }
    assert [c["utc"][:10] for c in told["changes"]] == [
        *("2026-03-29", "2026-10-25", "2027-03-28", "2027-10-31"),
    ]


def test_the_date_to_look_ahead_from_can_be_given(aliquot):
    code, out, _ = aliquot("Europe/Berlin", "--date", "2027-06-01", "--json")
    told = json.loads(out)
    assert code == 0
    assert (told["compared_from"], told["changes"][0]["utc"]) == (
        "2027-06-01",
        "2027-10-31T01:00:00Z",
    )


# A zone that leaves its rule for a month each year, as Morocco did for Ramadan.
PAUSES = [
    (unix(f"{year}-{first}T02:00"), east)
    for year, start, end in ((2026, "02-15", "03-22"), (2027, "02-07", "03-14"))
    for first, east in ((start, 0), (end, 3600))
]


def test_a_zone_that_leaves_its_rule_is_refused_with_the_first_instant_that_differs(
    aliquot, database
):
    (database / "Pauses").write_bytes(zone_file(b"<+01>-1", [(0, 3600), *PAUSES]))
    code, out, err = aliquot("Test/Pauses", "--date", "2026-01-01")
    assert code == 1
    assert (
        "It does not hold. From 2026-02-15T02:00:00Z local time is UTC+00:00, and the rule would "
        "make it UTC+01:00. The last of the differences ends at 2027-03-14T02:00:00Z." in out
    )
    assert err.startswith("Test/Pauses: no one rule holds there")
    code, out, err = aliquot("Test/Pauses", "--date", "2026-01-01", "--json")
    told = json.loads(out)
    assert (code, told["holds"], err) == (1, False, "")
    assert told["differs"] == {
        "utc": "2026-02-15T02:00:00Z",
        "zone_offset_s": 0,
        "rule_offset_s": 3600,
        "until_utc": "2027-03-14T02:00:00Z",
    }
    assert aliquot("Test/Pauses", "--date", "2027-03-15")[0] == 0


@pytest.mark.parametrize(
    ("changes", "at", "until"),
    [
        # In the middle of an hour, and for less than one.
        ([(0, 0), (unix("2026-05-05T10:10:10"), 600)], "2026-05-05T10:10:10Z", None),
        ([(0, 0), (unix("2026-05-05T10:10:10"), 600), (unix("2027-05-05T10:10:10"), 0)],
         "2026-05-05T10:10:10Z", "2027-05-05T10:10:10Z"),
        # From the very first instant of the comparison.
        ([(0, 600), (unix("2026-01-01T05:00"), 0)],
         "2026-01-01T00:00:00Z", "2026-01-01T05:00:00Z"),
    ],
)  # fmt: skip
def test_a_difference_is_found_to_the_second(database, changes, at, until):
    (database / "Odd").write_bytes(zone_file(b"UTC0", [*changes, (unix("2040-01-01"), 0)]))
    difference = zones.check("Test/Odd", datetime.date(2026, 1, 1)).difference
    assert stamp_text(difference.at_s) == at
    assert (difference.until_s and stamp_text(difference.until_s)) == (until or None)


def test_a_change_at_another_hour_than_the_rule_says_is_a_difference(database):
    early = [(0, 0), (unix("2026-03-29T00:00"), 3600), (unix("2026-10-25T01:00"), 0)]
    (database / "Early").write_bytes(zone_file(b"GMT0BST,M3.5.0/1,M10.5.0", early))
    difference = zones.check("Test/Early", datetime.date(2026, 1, 1)).difference
    assert (difference.zone_s, difference.rule_s) == (3600, 0)
    assert stamp_text(difference.at_s) == "2026-03-29T00:00:00Z"
    assert stamp_text(difference.until_s) == "2026-03-29T01:00:00Z"


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (zone_file(b""), "gives no rule for the years after its last change"),
        (zone_file(b"", version=b"\0"), "version 1, which holds no rule"),
        (zone_file(b"UTC0")[:-6], "ends before its rule"),
        (zone_file(b"UTC0")[:70], "damaged"),
        (zone_file(b"XXX0YYY"), "dates when summer time starts and ends are missing"),
    ],
)
def test_a_zone_file_without_a_usable_rule_is_a_finding_with_the_reason(
    aliquot, database, data, says
):
    (database / "Bad").write_bytes(data)
    code, out, err = aliquot("Test/Bad", "--date", "2026-01-01")
    assert code == 1
    assert says in out
    assert "Traceback" not in out + err


def test_a_second_database_that_says_otherwise_is_mentioned(aliquot, tmp_path):
    # tzdata, the package, knows Berlin too; the folder in front of it is years behind.
    before = zoneinfo.TZPATH
    zoneinfo.reset_tzpath([str(tmp_path)])
    try:
        (tmp_path / "Europe").mkdir()
        (tmp_path / "Europe" / "Berlin").write_bytes(zone_file(b"CET-1", [(0, 3600)]))
        code, out, _ = aliquot("Europe/Berlin")
    finally:
        zoneinfo.reset_tzpath(before)
    assert code == 0
    assert "A second database here says otherwise (tzdata" in out
    assert BERLIN in out


def test_a_system_without_a_database_is_served_by_the_tzdata_package(aliquot):
    before = zoneinfo.TZPATH
    zoneinfo.reset_tzpath([])
    try:
        code, out, _ = aliquot("Europe/Berlin", "--json")
    finally:
        zoneinfo.reset_tzpath(before)
    told = json.loads(out)
    assert (code, told["posix"], told["elsewhere"]) == (0, BERLIN, "")
    assert told["origin"].startswith("tzdata 20")


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("Europe/Berln", "Europe/Berlin"),
        ("europe/berlin ", "Europe/Berlin"),
        ("berlin", "Europe/Berlin"),
        ("New York", "America/New_York"),
        ("Lord Howe", "Australia/Lord_Howe"),
    ],
)
def test_an_unknown_name_is_bad_input_and_close_names_are_suggested(aliquot, name, meant):
    code, out, err = aliquot(name)
    assert (code, out) == (2, "")
    assert f"Did you mean {meant}" in err


@pytest.mark.parametrize(
    "name",
    ["", "x", "../../etc/passwd", "/etc/localtime", "Europe", "Europe/", "Europe//Berlin",
     "Europe/Berlin\0", "tzdata.zi", "Ärger/Ödland", "A" * 5000, "A/" * 3000 + "A", "\x1b[31mred"],
)  # fmt: skip
def test_what_cannot_be_a_zone_is_bad_input_without_a_traceback(aliquot, name):
    code, out, err = aliquot(name)
    assert (code, out) == (2, "")
    assert "limit: a name of the zone database" in err
    assert "Traceback" not in err
    assert "\x1b" not in err
    assert len(err) < 600


def test_a_wrong_posix_rule_is_bad_input_with_the_place_that_is_wrong(aliquot):
    code, _, err = aliquot("CET-1CEST,M13.5.0,M10.5.0/3")
    assert code == 2
    assert "character 12" in err
    assert "month, must be 1 to 12" in err


def test_a_posix_rule_is_told_in_words_and_is_compared_with_nothing(aliquot):
    code, out, err = aliquot(BERLIN, "--date", "2026-01-01")
    assert (code, err) == (0, "")
    assert "CEST starts on the last Sunday of March at 02:00 CET." in out
    assert "there is no database to compare it with" in out
    told = json.loads(aliquot(BERLIN, "--json")[1])
    assert (told["compared"], told["holds"], told["origin"]) == (False, True, "")


@pytest.mark.parametrize("date", ["2026-02-30", "yesterday", "1999-12-31", "2399-01-01"])
def test_a_date_that_cannot_be_looked_ahead_from_is_bad_input(aliquot, date):
    code, out, err = aliquot("Europe/Berlin", "--date", date)
    assert (code, out) == (2, "")
    assert f'--date = "{date}"' in err


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ((3, 5, 6, 7200), "on the last Sunday of March at 02:00"),
        ((11, 1, 6, 7200), "on the first Sunday of November at 02:00"),
        ((3, 4, 3, 26 * 3600), "on the day after the fourth Thursday of March at 02:00"),
        ((3, 5, 6, -3600), "on the day before the last Sunday of March at 23:00"),
        ((10, 2, 0, 167 * 3600), "6 days after the second Monday of October at 23:00"),
        ((-1, 0, 59, 0), "on 1 March at 00:00"),
        ((-1, 0, 364, 5400), "on 31 December at 01:30"),
        ((0, 0, 59, 3661), "on day 60 of the year at 01:01:01"),
    ],
)
def test_a_change_is_told_in_words(change, words):
    assert zone_command.change_words(change) == words


def test_a_rule_that_is_always_the_same_says_so(aliquot):
    assert "IST is UTC+05:30. The clock never changes." in aliquot("Asia/Kolkata")[1]
    assert "EDT is UTC-04:00, all year round." in aliquot("EST5EDT,0/0,J365/25")[1]
