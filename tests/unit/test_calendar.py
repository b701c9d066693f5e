"""The calendar file of `timetable --ics`: its form by RFC 5545, and what it may overwrite."""

import json
import uuid

import pytest
from freezegun import freeze_time

from aliquot_host import calendar_file, cli

TANK = """
timezone = "Europe/Berlin"
[[channel]]
id = "alk"
daily_ml = 36.5
doses = 6
cap_ml = 55
dose_most_ml = 10
calibration = { counts = 12800, ml = 10.02 }
[[channel]]
id = "trace-elements-a"
daily_ml = 0.2
doses = 2
from = "00:30"
cap_ml = 1
dose_most_ml = 0.2
calibration = { counts = 12800, ml = 10.02 }
"""


@pytest.fixture
def make(tmp_path, capsys):
    """make(ics, text) writes a calendar of two dates and returns (exit code, bytes)."""

    def run(ics="doses.ics", text=TANK, name="reef.toml", *options):
        file, target = tmp_path / name, tmp_path / ics
        file.write_text(text)
        asked = ["--date", "2026-03-28", "--days", "2", "--ics", str(target), *options]
        code = cli.run(["timetable", str(file), *asked])
        return code, target.read_bytes() if target.is_file() else b""

    return run


def unfolded(data):
    """The lines of a calendar, RFC 5545, section 3.1: a line that goes on begins with a blank."""
    return data.decode().replace("\r\n ", "").split("\r\n")


def values(data, name):
    return [line.partition(":")[2] for line in unfolded(data) if line.split(":")[0] == name]


def test_lines_end_in_crlf_and_have_at_most_75_octets(make):
    """RFC 5545, section 3.1."""
    code, data = make()
    assert code == 0
    lines = data.split(b"\r\n")
    assert lines.pop() == b""
    assert all(len(line) <= 75 for line in lines)
    assert b"\n" not in b"".join(lines)


def test_it_has_the_properties_that_a_calendar_and_an_event_must_have(make):
    """RFC 5545, sections 3.6 and 3.6.1: PRODID and VERSION once; UID, DTSTAMP, DTSTART an event;
    TZID only together with a VTIMEZONE, so none here: all instants are in UTC."""
    with freeze_time("2026-03-01T12:00:00Z"):
        _, data = make()
    lines = unfolded(data)
    assert (lines[0], lines[-2]) == ("BEGIN:VCALENDAR", "END:VCALENDAR")
    assert values(data, "VERSION") == ["2.0"]
    assert len(values(data, "PRODID")) == 1
    events = lines.count("BEGIN:VEVENT")
    assert events == 16
    for name in ("UID", "DTSTAMP", "DTSTART", "DURATION", "SUMMARY"):
        assert len(values(data, name)) == events
    assert set(values(data, "DTSTAMP")) == {"20260301T120000Z"}
    assert all(value.endswith("Z") for value in values(data, "DTSTART"))
    assert "TZID" not in data.decode()


def test_an_event_says_channel_and_millilitres_and_is_longer_than_nothing(make):
    _, data = make()
    summaries = values(data, "SUMMARY")
    assert summaries.count("trace-elements-a 0.1 mL") == 4
    assert {s for s in summaries if s.startswith("alk")} == {"alk 6.083 mL", "alk 6.084 mL"}
    # 6.083 mL are 7771 counts at 500 a second: 15.542 s; 0.1 mL are 128 counts: 0.256 s.
    assert set(values(data, "DURATION")) == {"PT16S", "PT1S"}
    assert "stands in the journal alone" in "".join(values(data, "DESCRIPTION"))


def test_uids_are_unique_uuids_and_stay_when_volumes_change(make):
    """RFC 5545, section 3.8.4.7: globally unique; RFC 7986, section 5.3: a UUID."""
    _, data = make()
    uids = values(data, "UID")
    assert len(set(uids)) == len(uids)
    assert all(uuid.UUID(uid).version == 5 for uid in uids)
    _, changed = make(text=TANK.replace("36.5", "35"))
    assert values(changed, "UID") == uids
    assert values(changed, "SUMMARY") != values(data, "SUMMARY")
    _, other = make(name="frag.toml")
    assert not set(values(other, "UID")) & set(uids)


def test_the_calendar_stands_beside_the_json_and_does_not_disturb_it(make, capsys):
    code, data = make("doses.ics", TANK, "reef.toml", "--json")
    out, err = capsys.readouterr()
    assert code == 0
    assert data.startswith(b"BEGIN:VCALENDAR")
    assert len(json.loads(out)["days"]) == 2
    assert err.startswith("16 doses written to ")


def test_a_calendar_is_replaced_and_no_other_file_is(make, tmp_path, capsys):
    (tmp_path / "doses.ics").write_bytes(b"BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n")
    (tmp_path / "empty.ics").write_bytes(b"")
    assert make()[1].count(b"BEGIN:VEVENT") == 16
    assert make("empty.ics")[1].count(b"BEGIN:VEVENT") == 16
    code, kept = make("reef.toml")
    assert (code, kept) == (2, TANK.encode())
    assert "--ics" in capsys.readouterr().err


@pytest.mark.parametrize("target", ["none/doses.ics", "."])
def test_a_place_that_cannot_be_written_ends_with_2(make, capsys, target):
    assert make(target)[0] == 2
    assert "Traceback" not in capsys.readouterr().err


def test_more_events_than_any_calendar_opens_end_with_2(make, monkeypatch, capsys):
    monkeypatch.setattr(calendar_file, "EVENTS_MOST", 15)
    code, data = make()
    assert (code, data) == (2, b"")
    err = capsys.readouterr().err
    assert "16 doses" in err
    assert "at most 15 doses" in err
