"""Moments at which seconds outgrow their bits pass without a wrong dose, on both interpreters.

When the doses are due is worked out here by `zoneinfo`, how much they are by `fractions`.
"""

import collections
import datetime
import itertools
import os
import zoneinfo
from fractions import Fraction

import pytest

from conformance.harness import on_cpython, on_vm
from conformance.tank import canonical

EPOCH = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)
BERLIN = zoneinfo.ZoneInfo("Europe/Berlin")
DAYS = 5
# The first second that does not fit any more.
ERAS = {
    # A small integer of a 32-bit MicroPython has 31 bits with its sign; the epoch is 2000.
    "small integers": EPOCH + datetime.timedelta(seconds=1 << 30),
    # RFC 5905, section 6: era 1 of NTP's 32-bit seconds since 1900.
    "NTP era": datetime.datetime(2036, 2, 7, 6, 28, 16, tzinfo=datetime.UTC),
    # 32-bit signed seconds since 1970, POSIX time_t of many libraries.
    "time_t": datetime.datetime(2038, 1, 19, 3, 14, 8, tzinfo=datetime.UTC),
    "32 bits since 2000": EPOCH + datetime.timedelta(seconds=1 << 31),
}
LIMITS_BITS = {"small integers": 2000, "NTP era": 1900, "time_t": 1970, "32 bits since 2000": 2000}


def start_w(era):
    """Two midnights of Berlin before, in seconds since 2000."""
    local = ERAS[era].astimezone(BERLIN).date() - datetime.timedelta(days=2)
    midnight = datetime.datetime.combine(local, datetime.time(), BERLIN)
    return round((midnight - EPOCH).total_seconds())


@pytest.fixture(scope="module")
def lived(tmp_path_factory):
    """era -> what CPython prints."""
    fsync, os.fsync = os.fsync, lambda _: None  # it costs most of the time and changes no byte
    try:
        return {
            era: on_cpython(
                "eras",
                lambda m, era=era: m.main(start_w(era), str(tmp_path_factory.mktemp("eras"))),
            )
            for era in ERAS
        }
    finally:
        os.fsync = fsync


@pytest.mark.parametrize("era", ERAS)
def test_the_eras_are_where_their_bits_run_out(era):
    since = datetime.datetime(LIMITS_BITS[era], 1, 1, tzinfo=datetime.UTC)
    seconds = round((ERAS[era] - since).total_seconds())
    assert seconds in {1 << 30, 1 << 31, 1 << 32}


@pytest.mark.parametrize("era", ERAS)
def test_s20_every_dose_comes_at_its_local_time_with_its_volume(era, lived):
    channels = canonical()["channel"]
    counts = collections.Counter()
    doses = collections.defaultdict(list)
    for line in lived[era].splitlines():
        if line.startswith("run "):
            end_w, ch, told, given = map(int, line.split()[1:])
            begin_w = end_w - -(-told // 500)
            if begin_w < start_w(era):
                continue  # the end of the day on which the board was switched on
            begin = EPOCH + datetime.timedelta(seconds=begin_w)
            assert told == given
            doses[ch].append(begin.astimezone(BERLIN).replace(tzinfo=None))
            counts[ch] += told
    first = (EPOCH + datetime.timedelta(seconds=start_w(era))).astimezone(BERLIN)
    midnight = first.replace(tzinfo=None)
    assert sorted(doses) == [0, 1, 2, 3]
    for ch, begun in doses.items():
        cfg = channels[ch]
        hours = [
            midnight + datetime.timedelta(hours=hour, seconds=cfg["from_s"])
            for hour in range(24 * DAYS)
        ]
        # The first channel keeps its times; the others make way for those before them.
        late = [(at - due).total_seconds() for at, due in zip(begun, hours, strict=True)]
        assert min(late) >= 0
        assert max(late) <= (0 if ch == 0 else 1800)
        cal = cfg["calibration"]
        wanted = Fraction(cfg["daily_ul"] * DAYS * cal["counts"], cal["ul"])
        assert abs(counts[ch] - wanted) <= 1
        assert all(one < other for one, other in itertools.pairwise(begun))


@pytest.mark.parametrize("era", ERAS)
def test_the_same_days_pass_on_a_board_to_the_byte(era, vm, lived):
    steps = ["import eras", f"eras.main({start_w(era)})"]
    told = on_vm(vm, ["rig", "tank", "month", "eras"], steps).text
    assert told == lived[era]
    sums, outages = told.splitlines()[-1], int(told.splitlines()[-2].split()[0])
    assert sums.startswith("sha256 ")
    assert outages >= 2
