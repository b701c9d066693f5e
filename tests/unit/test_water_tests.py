"""Water tests as people write them: headings, units, times, journals; chemistry of their units."""

import pytest

from aliquot_host import chemistry, csv_file, water_tests
from aliquot_host.errors import BadInput
from aliquot_host.intake import NOTE, TEST, Entry
from aliquot_host.water_tests import Change, Reading

UNITS = {"KH": "meq/L", "Ca": "mg/L", "nitrate": "mg/L"}


def read(text, units=None, zone="UTC"):
    return water_tests.from_table(csv_file.parse(text, "tests.csv"), units or {}, zone)


def test_values_are_turned_into_the_set_ups_own_names_and_units():
    found = read("time,alkalinity_dKH,calcium,NO3 [mg/L]\n2026-03-10,8,420,5\n", UNITS)
    assert found.readings["KH"][0].value == pytest.approx(8 * 0.356650, abs=1e-5)
    assert found.readings["Ca"][0].value == 420
    assert found.readings["nitrate"][0].value == 5
    assert found.units == UNITS


def test_without_a_set_up_alkalinity_is_in_degrees():
    found = read("time,alk_meq/L,kh_dKH\n2026-03-10,2.8,8\n")
    assert found.readings["alk"][0].value == pytest.approx(2.8 * 2.80387, abs=1e-4)
    assert found.units["kh"] == "dKH"
    with pytest.raises(BadInput, match="dKH, meq/L"):
        read("time,kh\n2026-03-10,8\n")


@pytest.mark.parametrize(
    ("text", "hours"),
    [
        ("2026-03-10", 12),
        ("2026-03-10T19:30", 18.5),
        ("2026-03-10 19:30", 18.5),
        ("2026-03-10T19:30Z", 19.5),
        ("2026-03-10T19:30+02:00", 17.5),
    ],
)
def test_times_are_local_unless_they_say_otherwise(text, hours):
    """Berlin is an hour ahead of UTC in March; a date alone is its noon."""
    zone = "UTC" if hours == 12 else "Europe/Berlin"
    (reading,) = read(f"time,a_x\n{text},1\n", zone=zone).readings["a"]
    assert reading.at_d % 1 * 24 == pytest.approx(hours)


def test_changes_and_what_was_put_in_stand_beside_the_tests():
    text = (
        "date,alkalinity_dKH,change_l,change_alkalinity_dKH,added_alkalinity_dKH,salinity,kit\n"
        "2026-03-12,8.2,,,,35,a\n2026-03-10,8,30,7.5,,34.5,a\n2026-03-11,,,,0.3,,\n"
    )
    found = read(text)
    assert [r.value for r in found.readings["alkalinity"]] == [8, 8.2]
    assert found.readings["alkalinity"][0] == Reading(found.changes[0].at_d, 8, 34.5, "a")
    assert found.changes[0].litres == 30
    assert found.changes[0].values == {"alkalinity": 7.5}
    assert (found.added[0].water, found.added[0].raised) == ("alkalinity", 0.3)


def entry(text, channel="", kind=TEST, at_w=86400):
    return Entry(kind, channel, 7, at_w, text)


def test_test_records_of_a_journal_are_read():
    entries = [
        entry("8.0 dKH, calcium 425 mg/L", "alk"),
        entry("alkalinity 2.9 meq/L"),
        entry("change 30 L, kh 7.5 dKH"),
        entry("water looked green"),
        entry("alkalinity 9 dKH", kind=NOTE),
        entry("9", ""),
    ]
    found, odd = water_tests.from_journal(entries, UNITS, {"alk": "KH"})
    values = [r.value for r in found.readings["KH"]]
    assert values == [pytest.approx(8 * 0.356650, abs=1e-5), 2.9]
    assert found.readings["Ca"][0].value == 425
    assert found.changes == [Change(1.0, 30.0, {"KH": pytest.approx(7.5 * 0.356650, abs=1e-5)})]
    assert len(odd) == 2
    assert "looked green" in odd[0]


def test_a_test_in_both_places_counts_once():
    a = read("time,calcium_mg/L\n2026-03-10T12:00,420\n")
    b = read("time,calcium_mg/L\n2026-03-10T12:01,420\n2026-03-11T12:00,421\n")
    assert [r.value for r in water_tests.joined(a, b).readings["calcium"]] == [420, 421]
    with pytest.raises(BadInput, match="column time"):
        water_tests.joined(a, read("day,calcium_mg/L\n1,420\n"))


@pytest.mark.parametrize("unit", ["dKH", "DKH", "°dKH", "meq/L", "meq_per_L", "mg/L CaCO3",
                                  "mg/L as CaCO3", "mg/l_CaCO3"])  # fmt: skip
def test_units_are_known_however_they_are_written(unit):
    assert chemistry.is_alkalinity(unit)


def test_what_a_value_is_follows_from_name_and_unit():
    assert chemistry.kind("KH") == chemistry.kind("Whatever", "dKH") == chemistry.ALKALINITY
    assert chemistry.kind("Ca") == chemistry.kind("calcium", "mg/L") == chemistry.CALCIUM
    assert chemistry.kind("iodine") == "iodine"
    with pytest.raises(BadInput):
        chemistry.to_dkh(1, "ppm")
    with pytest.raises(BadInput):
        chemistry.converted(1, "mg/L", "µg/L")
    assert chemistry.converted(1, "dKH", "mg/L CaCO3") == pytest.approx(17.848, abs=1e-3)
