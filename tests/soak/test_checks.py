"""Every check can fail: each law of checks.py and books.py is broken here, and told by its number.

A `Desk` writes journal lines by hand, turns motors and cuts power, right at first; then it does
one thing wrong. That no place in the two modules where something is told stands without a case is
itself a test. The other way round, worlds that do right are told of nothing.
"""

import ast
import copy
import functools
import inspect
import random
import re

import pytest

from aliquot.core.dates import days_of
from aliquot_host import books, checks, due_times, journal_lines, resources, setup_file, simulation
from aliquot_host.books import ALL, CUP, TANK
from aliquot_host.commands import demo
from aliquot_host.world import DAY_S, Weather
from soak.desk import DATE, DAY, HOUR, PLACES, SEGMENT, START, Desk, fresh, sealed, two
from soak.seen_world import SeenWorld

ABSENT, HOLD, FAULT, CAP, EMPTY, TRIMMED, USER, RESET = 1, 2, 4, 5, 6, 10, 11, 12
TELLING = ("violate", "again", "_early", "_over_cap")


CASES = []


def case(number, words):
    """A function that does right, says so by `sound`, then does something wrong."""

    def add(do):
        CASES.append((number, words, do))
        return do

    return add


def replaced(desk, line, part, at, new):
    """A snapshot with one number changed: of a line, a list of it, a place in that."""
    lines = desk.lines()
    lists = [own.split(" ") for own in lines[line].split(";")]
    lists[part][at : at + 1] = [str(new)]
    lines[line] = ";".join(" ".join(one) for one in lists)
    return lines


# Lines and segments


@case("S24", "record 9 follows record 5")
def numbers_are_left_out(d):
    d.sound()
    d.line("t", seq=9)


@case("S24", "record 5 follows record 5")
def a_number_comes_twice(d):
    d.sound()
    d.line("t", seq=5)


@case("S24", "the checksum does not fit")
def a_checksum_is_wrong(d):
    d.sound().appended(SEGMENT, b"6 0 t 01234567\n")


@case("S24", "not the form")
def a_line_goes_back_in_time(d):
    d.sound()
    d.line("t", dt=-1)


@case("S24", "a zero is written at the end")
def a_zero_is_written(d):
    d.sound().appended(SEGMENT, sealed(b"6 0 B 1 0"))


@case("S24", "not one line")
def two_lines_are_written_at_once(d):
    d.sound().appended(SEGMENT, sealed(b"6 0 t") + sealed(b"7 0 t"))


@case("S24", "of channel 2")
def a_record_names_no_channel(d):
    d.sound()
    d.line("P", 2, 50, 1)


@case("S24", "of the kind Q")
def a_record_is_of_no_kind(d):
    d.sound()
    d.line("Q", 1)


@case("S24", "the newest segment is j00000002.txt")
def a_record_goes_to_the_segment_before(d):
    d.rotate()
    d.segment = SEGMENT
    d.sound()
    d.line("t")


@case("S24", "segment 2 follows 2")
def a_segment_is_made_twice(d):
    d.rotate()
    d.line("t")
    d.sound()
    d.rotate(number=2)


@case("S24", "j00000002.txt: the opening counts")
def an_opening_counts_wrong(d):
    data = d.opening(2)
    end = data.rindex(b"S end")
    d.sound().written("j00000002.txt", data[:end] + sealed(b"S end 3"))


@case("S24", "the checksum of an opening")
def an_opening_is_torn_and_said_to_be_whole(d):
    d.sound().written("j00000002.txt", d.opening(2).replace(b"aliquot", b"Aliquot"))


@case("S24", "has no end")
def an_opening_is_half(d):
    d.sound().written("j00000002.txt", d.opening(2)[:-30])


@case("S24", "larger than 4 KB")
def a_snapshot_is_too_large(d):
    d.checks.requests = [10**9 + i for i in range(500)]
    d.sound()
    d.rotate()


@case("S24", "opens at record")
def a_segment_opens_with_an_older_state(d):
    data = d.opening(2)
    d.line("t")
    d.sound().written("j00000002.txt", data)


@case("S24", "nothing damaged them")
def records_are_lost_without_damage(d):
    d.dark()
    d.checks.booting = True
    d.sound()
    gone = sealed(b"%d 0 G 3 100 100" % (d.checks.seq + 1))
    d.checks.written("j00000002.txt", d.opening(2, extra=[gone]))


@case("S24", "a snapshot cannot be read")
def a_state_has_other_numbers(d):
    lines = d.lines()
    d.sound().state([lines[0].replace(" ", " 1 ", 1), *lines[1:]])


# Power and files


@case("S16", "opens at record")
def a_start_forgets_a_record_and_goes_on(d):
    data = d.opening(2)
    d.line("t")
    d.checks.dark()
    d.sound().written("j00000002.txt", data)


@case("S16", "the journal ends with record 5")
def a_start_forgets_the_last_record(d):
    d.line("t")
    d.checks.dark()
    d.sound().booted_with(5, d.now)


@case("S16", "at 5 s, durable was 5")
def a_start_reads_another_time(d):
    d.checks.dark()
    d.sound().booted_with(5, 5)


@case("S16", "may be torn")
def a_record_follows_one_that_failed(d):
    d.line("t", whole=False)
    d.sound()
    d.line("t")


@case("S16", "may be torn")
def a_record_follows_a_torn_one_after_a_start(d):
    c = d.checks
    c.appended(SEGMENT, b"6 0 t 012", False)
    c.dark()
    c.booted_with(c.seq, c.now_s)
    d.sound()
    d.line("B", 1)


@case("S16", "the journal ends with record 6")
def a_start_finds_a_record_that_nobody_wrote(d):
    d.checks.dark()
    d.sound().booted_with(6, 10)


@case("S17", "not with the set-up it adopted")
def a_start_takes_another_set_up(d):
    d.dark()
    d.sound().settled("ok", b"{}")


@case("S17", "starts with rejected")
def a_start_rejects_the_set_up(d):
    d.dark()
    d.sound().settled("rejected", None)


@case("S17", "never adopted")
def a_start_takes_a_set_up_that_was_never_adopted(d):
    d = fresh(d, adopt=False)
    d.sound().settled("ok", d.text)


@case("S17", "nobody loaded")
def a_set_up_comes_from_nowhere(d):
    d.sound()
    d.line("C", START + 10, text="00ff a b")


@case("S4", "turns without a board")
def the_power_goes_and_a_motor_turns_on(d):
    d.intent()
    d.starts()
    d.sound().dark()


@case("S26", "turns without a board")
def memory_ends_and_a_motor_turns_on(d):
    d.intent()
    d.starts()
    d.sound().dark(starved=True)


@case("S26", "comes a record t")
def a_start_after_memory_ended_is_not_recorded(d):
    d.checks.dark(starved=True)
    d.checks.booted_with(d.checks.seq, d.now)
    d.sound()
    d.line("t")


@case("S26", "memory ran out, and a record")
def a_record_follows_without_a_start(d):
    d.checks.starve()
    d.sound()
    d.line("t")


@case("S26", "runs after memory ran out")
def a_motor_follows_without_a_start(d):
    d.intent()
    d.checks.starve()
    d.sound()
    d.starts()


# The motor


@case("S8", "before a set-up was adopted")
def a_motor_turns_on_a_board_without_a_set_up(d):
    d = fresh(d, adopt=False)
    d.sound().starts(0, 128, 2, 0)


@case("S14", "without an intent of its own")
def a_motor_turns_without_an_intent(d):
    d.sound().starts(0, 128, 2, 10)


@case("S14", "without an intent of its own")
def another_motor_turns(d):
    d.intent()
    d.sound()
    d.starts(ch=1)


@case("S14", "without an intent of its own")
def a_motor_turns_twice(d):
    d.intent()
    d.starts()
    d.stops()
    d.sound()
    d.starts()


@case("S9", "-128 counts")
def a_motor_turns_back(d):
    d.intent()
    d.sound()
    d.starts(-128)


@case("S2", "130 counts are told, the intent says 128")
def a_motor_is_told_other_counts(d):
    d.intent()
    d.sound()
    d.starts(130)


@case("S3", "30 s told, 22 s allowed")
def a_driver_may_run_too_long(d):
    d.intent()
    d.sound()
    d.starts(most=30)


@case("S3", "50 s told, 22 s allowed")
def a_run_is_too_long(d):
    d = fresh(d, *two(dose_most_ul=20000, daily_ul=240000, cap_ul=10**6), group=[])
    d.line("X", 0, 19000, 0, TANK)
    d.line("J", 0, 19000, 24320, TANK)
    d.line("F", 0, 10**6)
    d.sound()
    d.starts(most=50)


@case("S3", "the largest is 300")
def a_dose_is_too_large(d):
    d.extra(ul=400, run=False)
    d.line("J", 0, 400, 512, TANK)
    d.sound()
    d.starts()


@case("S6", "starts while a turns")
def two_motors_turn(d):
    d.intent()
    d.starts()
    d.checks.run = None
    d.extra(ch=1, into=CUP, counts=50, ul=0)
    d.sound()
    d.starts()


@case("S8", "before the start is recorded")
def a_motor_turns_before_the_start_is_recorded(d):
    d.dark()
    d.intent()
    d.sound()
    d.starts()


@case("S19", "while the clock is unset")
def a_motor_turns_while_the_clock_is_unset(d):
    d.cut(clock=False)
    d.intent()
    d.sound()
    d.starts()


@case("S11", "runs while held")
def a_channel_runs_while_all_are_held(d):
    d.line("H", ALL)
    d.intent()
    d.sound()
    d.starts()


@case("S11", "runs while held")
def a_channel_runs_before_its_hold_is_over(d):
    d.line("H", 0, START + 2 * HOUR)
    d.intent()
    d.sound()
    d.starts()


@case("S12", "runs with the fault 3")
def a_channel_runs_with_a_fault(d):
    d.line("Z", 0, 3)
    d.intent()
    d.sound()
    d.starts()


@case("S12", "runs with the fault 1")
def a_channel_runs_with_a_fault_of_all(d):
    d.line("Z", ALL, 1, 1)
    d.intent()
    d.sound()
    d.starts()


@case("S24", "while records are lost")
def a_channel_runs_while_lost_records_are_not_answered_for(d):
    d.line("G", 3, 100, 100)
    d.intent()
    d.sound()
    d.starts()


@case("S7", "hangs over a cup")
def a_dose_runs_while_the_line_hangs_over_a_cup(d):
    d.extra(ul=0, counts=50, into=CUP)
    d.starts()
    d.stops()
    d.outcome()
    d.intent()
    d.sound()
    d.starts()


@case("S8", "without a calibration")
def a_pump_runs_with_the_calibration_of_other_settings(d):
    data = copy.deepcopy(d.data)
    data["channel"][0]["pump"]["microsteps"] = 32
    text = d.know(data)
    d.now += 5
    d.adopt(text, cal=(0, 0, 0, 0), left=0)
    d.intent()
    d.sound()
    d.starts()


@case("S8", "for other settings")
def a_calibration_names_other_settings(d):
    d.sound()
    d.line("K", 0, 1280, 1000, 0, 78)


@case("S8", "for other settings")
def two_settings_bear_one_name(d):
    data = copy.deepcopy(d.data)
    data["channel"][0]["pump"]["speed_cps"] = 400
    text = d.know(data)
    d.now += 5
    d.sound()
    d.adopt(text)


@case("S21", "100 µL of 150 µL, 100 out of reach")
def a_dose_runs_from_an_empty_container(d):
    d.line("F", 0, 150)
    d.line("W", 0)
    d.intent()
    d.sound()
    d.starts()


@case("S21", "ran low, and nobody said so")
def nobody_says_that_a_container_is_low(d):
    d.line("F", 0, 2100)
    d.dose()
    d.intent(index=2)
    d.sound()
    d.starts()


@case("S21", "low is said twice")
def low_is_said_twice(d):
    d.line("W", 0)
    d.sound()
    d.line("W", 0)


@case("S6", "starts 1201 s after")
def a_dose_runs_after_its_grace(d):
    d.intent(late=1201)
    d.sound()
    d.starts()


@case("S6", "starts -1 s after")
def a_dose_runs_before_its_time(d):
    d.intent(late=-1)
    d.sound()
    d.starts()


@case("S6", "due at once both run")
def two_doses_that_are_due_at_once_both_run(d):
    d = fresh(d, *two(doses=96, daily_ul=9600, cap_ul=20000), group=[], separate=[])
    for index in (1, 2):
        due = START + index * 900
        d.now = 1850
        d.line("I", 0, due - d.checks.channels[0].wm, index, 100, 128, [DATE, 0][index > 1])
        if index == 1:
            d.starts()
            d.stops()
            d.now -= 1
            d.outcome()
    d.sound()
    d.starts()


@case("S6", "299 s after a, not 600")
def liquids_that_react_run_too_near(d):
    d = fresh(
        d,
        *two(),
    )
    d.shift = 300
    d.data["channel"][1]["from_s"] = 300
    d.now += 5
    d.adopt(d.know(d.data))
    d.passes("M", ch=1, last=0)
    d.dose()
    d.intent(ch=1, index=1)
    d.sound()
    d.starts()


# Caps


def filled(d):
    """Doses until the cap of a is used up; then one more is asked for."""
    d = fresh(d, *two(cap_ul=1000, reservoir=None), group=[])
    for index in range(1, 11):
        d.dose(index=index)
    d.intent(index=11)
    return d


@case("S1", "1100 µL in 24 h, the cap is 1000 µL")
def a_dose_passes_the_cap(d):
    d = filled(d)
    d.sound()
    d.starts()


@case("S1", "a and b: 1000 µL in 24 h, the cap is 900 µL")
def a_dose_passes_the_cap_of_a_group(d):
    group = [{"channels": ["a", "b"], "cap_ul": 900}]
    d = fresh(d, *two(reservoir=None), group=group)
    d.dose(1, 0)
    for index in range(1, 5):
        d.dose(0, index)
        d.dose(1, index)
    d.intent(0, 5)
    d.sound()
    d.starts()


@case("S1", "2500 µL in 24 h, the cap is 2450 µL")
def a_channel_without_a_past_is_taken_for_an_empty_one(d):
    d = fresh(d, *two(cap_ul=2450, reservoir=None), group=[], stated=None)
    d.intent()
    d.sound()
    d.starts()


@case("S7", "1100 µL in 24 h, the cap is 1000 µL")
def extras_are_left_out_of_the_cap(d):
    d = fresh(d, *two(cap_ul=1000, reservoir=None), group=[])
    for _ in range(10):
        d.extra()
        d.starts()
        d.stops()
        d.outcome()
    d.intent()
    d.sound()
    d.starts()


@case("S15", "1100 µL in 24 h, the cap is 1000 µL")
def what_nobody_knows_is_left_out_of_the_cap(d):
    d = fresh(d, *two(cap_ul=1000, reservoir=None), group=[])
    for index in range(1, 11):
        d.intent(index=index)
        d.starts()
        d.stops(0, known=False)
        d.dark()
        d.line("B", 1)
        d.line("U", 0, 22)
        d.clock()
        if index % 2 == 0:
            d.line("z", ALL)
    d.checks.idle = False
    d.intent(index=11)
    d.sound()
    d.starts()


@case("S1", "0 µL in the window, 1000 may have entered")
def a_window_on_flash_is_empty(d):
    d = filled(d)
    d.checks.run = None
    lines = d.lines(ring=0)
    d.sound()
    d.rotate(lines)


@case("S7", "0 µL in the window, 100 may have entered")
def a_window_on_flash_lacks_an_extra(d):
    d.extra()
    d.starts()
    d.stops()
    d.outcome()
    lines = d.lines(ring=0)
    d.sound().state(lines)


@case("S15", "0 µL in the window, 100 may have entered")
def a_window_on_flash_lacks_a_run_that_was_cut(d):
    d.intent()
    d.dark()
    d.line("B", 1)
    d.line("U", 0, 22)
    d.sound().state(d.lines(ring=0))


@case("S1", "1000 µL may enter, 100 did of 1000")
def the_board_forgets_too_early_what_entered(d):
    d = fresh(d, *two(cap_ul=1000, reservoir=None), group=[])
    d.dose()
    right = {0: 900, DAY - 1: 900}
    d.checks.room(d.now, lambda ch, later: right[later] if ch == 0 else 1000)
    d.sound()
    right[DAY - 1] = 1000
    d.checks.room(d.now, lambda ch, later: right[later] if ch == 0 else 1000)


# Runs


@case("S2", "130 counts for 100 µL, not 128")
def an_intent_rounds_up(d):
    d.sound()
    d.intent(counts=130)


@case("S2", "51 counts into a cup, asked 50")
def a_cup_gets_more(d):
    d.sound()
    d.line("X", 0, 0, 50, CUP)
    d.line("J", 0, 0, 51, CUP)


@case("S10", "100 counts are recorded, 128 of 128 were given")
def an_outcome_says_less_than_was_given(d):
    d.intent()
    d.starts()
    d.stops()
    d.sound()
    d.outcome(-28, FAULT)


@case("S11", "128 counts are recorded, 100 of 128 were given")
def a_stop_loses_its_count(d):
    d.intent()
    d.starts()
    d.stops(100)
    d.sound()
    d.outcome(0, USER)


@case("S18", "128 counts are recorded, 100 of 128 were given")
def a_clock_step_in_a_run_changes_its_count(d):
    d.intent()
    d.starts()
    d.clock(skew=300)
    d.stops(100)
    d.sound()
    d.outcome()


@case("S18", "129 counts are recorded, 128 of 128 were given")
def ticks_that_wrap_change_a_count(d):
    d.intent()
    d.starts(law="S18")
    d.stops()
    d.sound()
    d.outcome(1)


@case("S18", "while the motor turns, after a clock step")
def a_clock_step_ends_a_run_that_goes_on(d):
    d.intent()
    d.starts()
    d.clock(skew=300)
    d.sound()
    d.line("U", 0, 22)


@case("S14", "an outcome while the motor turns")
def an_outcome_comes_too_early(d):
    d.intent()
    d.starts()
    d.sound()
    d.outcome()


@case("S14", "its run is given up while the motor turns")
def a_run_is_given_up_while_it_goes_on(d):
    d.intent()
    d.starts()
    d.sound()
    d.line("U", 0, 22)


@case("S15", "nobody can know")
def an_outcome_makes_up_what_power_took(d):
    d.intent()
    d.starts()
    d.stops(60, known=False)
    d.dark()
    d.line("B", 1)
    d.sound()
    d.outcome(-68, RESET)


@case("S10", "128 counts were given, and the record calls them unknown")
def what_is_known_is_called_unknown(d):
    d.intent()
    d.starts()
    d.stops()
    d.sound()
    d.line("U", 0, 22)


@case("S14", "ends a run that was not begun")
def an_outcome_comes_without_a_run(d):
    d.sound()
    d.outcome()


@case("S14", "how 6 ended is not recorded")
def a_dose_begins_before_the_last_one_ended(d):
    d.intent()
    d.starts()
    d.stops()
    d.sound()
    d.intent(index=2)


@case("S15", "how 6 ended is not recorded")
def a_run_that_power_ended_is_forgotten(d):
    d.intent()
    d.cut()
    d.sound()
    d.intent(index=2)


@case("S15", "still open")
def a_start_leaves_a_run_open(d):
    d.intent()
    d.cut()
    d.sound().ready()


@case("S13", "start after start")
def three_watchdog_resets_do_not_latch(d):
    for _ in range(3):
        d.cut(cause=2)
    d.sound().ready()


@case("S13", "start after start")
def three_runs_that_resets_ended_do_not_latch(d):
    for index in (1, 2, 3):
        d.intent(index=index)
        d.dark()
        d.line("B", 1)
        d.line("U", 0, 22)
    d.clock()
    d.intent(index=4)
    d.sound()
    d.starts()


# Keys


@case("S5", "closed is all until")
def a_dose_is_due_before_what_is_closed(d):
    d.dose(index=1)
    d.dose(index=2)
    d.sound()
    d.line("I", 0, -HOUR, 3, 100, 128)


@case("S5", "dose 1 of date 9648 after dose 1")
def a_key_runs_twice(d):
    d.dose(index=1)
    d.sound()
    d.now += 5
    d.line("I", 0, 5, 1, 100, 128)


@case("S20", "closed is all until")
def a_clock_step_makes_a_dose_run_again(d):
    d.dose()
    d.clock(skew=-HOUR)
    d.sound()
    d.line("I", 0, -5, 1, 100, 128)


@case("S25", "closed is all until")
def a_new_set_up_makes_a_dose_run_again(d):
    d.dose()
    d.now += 50
    d.adopt(d.text)
    d.sound()
    d.line("I", 0, -5, 1, 100, 128)


@case("S5", "belongs to what has passed")
def a_revision_reaches_back(d):
    d.dose()
    d.now = 2 * HOUR + 100
    d.adopt(d.text)
    d.sound()
    d.line("I", 0, 5, 1, 100, 128)


@case("S20", "a dose of date 9647 after one of date 9648")
def a_date_comes_again(d):
    d.dose()
    d.sound()
    d.line("I", 0, 5, 1, 100, 128, -1)


@case("S5", "the highest revision: the state says [3]")
def a_revision_may_come_again(d):
    d.sound().state(replaced(d, 0, 0, 11, 3))


@case("S20", "date 9647 after date 9648")
def a_date_comes_again_after_a_new_set_up(d):
    d.now += 5
    d.adopt(d.text)
    d.dose()
    d.sound()
    d.line("I", 0, 5, 1, 100, 128, -1)


@case("S10", "dose 3 follows dose 1")
def a_dose_is_left_out(d):
    d.dose()
    d.sound()
    d.intent(index=3)


@case("S10", "doses after 1 of 24 are left out")
def the_rest_of_a_date_is_left_out(d):
    d.dose()
    d.sound()
    d.intent(index=0, dates=1)


@case("S10", "dose 23 of date 9649 is left out")
def a_whole_date_is_left_out(d):
    d.passes("M", last=23, n=23, owed=0)
    d.sound()
    d.intent(index=0, dates=2)


@case("S10", "key 24 on a date of 24 doses")
def a_key_is_not_of_the_plan(d):
    d.passes("M", last=23, n=23)
    d.sound()
    d.line("I", 0, HOUR, 24, 100, 128)


@case("S10", "2 doses between 1 and 3")
def doses_are_counted_wrong(d):
    d.sound()
    d.passes("M", last=3, n=2, ul=300, first=1)


@case("S10", "99 µL for 1 to 1 of 24")
def a_volume_is_not_of_the_plan(d):
    d.sound()
    d.passes("M", ul=99)


@case("S10", "due 7260 s into its date, wanted at 7200")
def the_first_channel_makes_way(d):
    d.dose()
    d.sound()
    d.intent(index=2, moved=60)


@case("S10", "due 9060 s into its date, wanted at 5400")
def a_dose_makes_way_past_the_next_one(d):
    d.sound()
    d.intent(ch=1, index=1, moved=3660)


@case("S10", "2 doses of 200 µL over 2 dates, the plan says 3 of 300")
def doses_over_two_dates_are_counted_wrong(d):
    d.passes("M", last=22, n=22)
    d.sound()
    d.passes("M", last=1, n=2, dates=1, back=1, first=23)


@case("S20", "before they are due")
def doses_pass_before_they_are_due(d):
    d.sound()
    d.passes("M", late=-5)


@case("S5", "doses due at")
def doses_pass_that_are_closed(d):
    d.dose()
    d.sound()
    d.line("M", 0, -10, 2, 1, 100, 0, 0, 0, 1, 0, 2)


@case("S24", "-1")
def a_record_has_a_negative_volume(d):
    d.sound()
    d.passes("M", ul=101, trim=-1)


# Volumes


@case("S10", "90 µL are given, 100 should be")
def a_dose_is_smaller_without_a_reason(d):
    d.sound()
    d.intent(ul=90, counts=115, trim=10)


@case("S10", "60 µL are given, 50 should be")
def a_trim_takes_too_little(d):
    d.line("P", 0, 50, 2)
    d.sound()
    d.intent(ul=60, counts=77, trim=40)


@case("S25", "more on a date that gets")
def a_new_plan_gives_a_date_more_than_its_day(d):
    d.dose()
    d.passes("M", last=12, n=11)
    data = copy.deepcopy(d.data)
    data["channel"][0] |= {"daily_ul": 1200, "doses": 12}
    d.adopt(d.know(data))
    d.sound()
    d.now = 14 * HOUR
    d.line("I", 0, START + d.now - d.checks.channels[0].wm, 7, 100, 128)


@case("S10", "trimmed, and no trim is in force")
def a_missed_dose_is_trimmed_without_a_trim(d):
    d.dose()
    d.passes("M", last=23, n=22)
    d.dose(index=0, dates=1)
    d.sound()
    d.passes("M", last=1, dates=1, trim=40)


@case("S10", "refused for the reason 1")
def an_absence_is_called_refused(d):
    d.sound()
    d.passes("R", why=ABSENT)


@case("S21", "nobody said that it ran low")
def an_empty_container_was_never_low(d):
    d.sound()
    d.passes("R", why=EMPTY)


@case("S10", "skipped for the reason 2")
def a_hold_is_called_skipped(d):
    d.line("P", 0, 100, 3)
    d.sound()
    d.passes("S", trim=100, why=HOLD)


@case("S10", "1 doses of 100 µL are skipped for the reason 10")
def a_dose_that_is_large_enough_is_skipped(d):
    d.sound()
    d.passes("S", why=TRIMMED)


# What is owed


@case("S6", "missed for the reason 2")
def a_hold_is_called_missed(d):
    d.sound()
    d.passes("M", why=HOLD)


@case("S6", "150 µL owed for 100 missed")
def more_is_owed_than_was_missed(d):
    d.sound()
    d.passes("M", owed=150)


@case("S6", "100 µL owed for 100 missed")
def a_new_journal_owes_something(d):
    d = fresh(d, stated=None)
    d.sound()
    d.passes("M", owed=100)


@case("S6", "may catch up after 0 s")
def a_new_journal_may_catch_up_at_once(d):
    d = fresh(d, adopt=False, stated=None)
    d.sound()
    d.adopt(d.text)


@case("S6", "50 µL owed for what was not missed")
def a_refused_dose_is_owed(d):
    d.sound()
    d.passes("R", why=CAP, owed=50)


@case("S6", "600 µL are owed, 500 may be")
def too_much_is_owed(d):
    d.sound()
    d.passes("M", last=6, n=6, owed=600)


@case("S6", "22 µL owed for a run that ended with 11")
def a_stop_by_the_user_is_owed(d):
    d.intent()
    d.starts()
    d.stops(100)
    d.sound()
    d.outcome(-28, USER, 22)


@case("S6", "50 µL owed, 22 is missing")
def more_is_owed_than_a_run_lacks(d):
    d.intent()
    d.starts()
    d.stops(100)
    d.sound()
    d.outcome(-28, FAULT, 50)


@case("S6", "a raise of 40 on 100 µL, 100 owed")
def a_raise_is_too_large(d):
    d.passes("M", owed=100)
    d.sound()
    d.intent(index=2, ul=140, counts=179, up=40)


@case("S6", "a raise of 20 on 100 µL, 0 owed")
def a_raise_comes_from_nothing(d):
    d.sound()
    d.intent(ul=120, counts=154, up=20)


@case("S6", "that was lowered is raised")
def a_trimmed_dose_is_raised(d):
    d.passes("M", owed=100)
    d.line("P", 0, 20, 5)
    d.sound()
    d.intent(index=2, ul=100, counts=128, trim=20, up=20)


@case("S6", "that was lowered is raised")
def a_dose_of_a_lowered_day_is_raised(d):
    d.passes("M", owed=100)
    d.line("D", 0, -1200, DATE, 3, START + d.now)
    d.passes("M", last=11, n=11, moved=11 * HOUR)
    d.sound()
    d.intent(index=0, dates=1, ul=110, counts=141, up=10)


@case("S6", "is above the largest dose")
def a_raise_passes_the_largest_dose(d):
    d = fresh(d, *two(dose_most_ul=110))
    d.passes("M", owed=100)
    d.sound()
    d.intent(index=2, ul=120, counts=154, up=20)


@case("S6", "raised for a dose that was due at")
def a_raise_comes_from_what_has_lapsed(d):
    d.passes("M", owed=100)
    d.passes("M", last=23, n=22)
    d.passes("M", last=1, n=2, dates=1)
    d.sound()
    d.intent(index=2, dates=1, ul=120, counts=154, up=20)


@case("S6", "a raise while the journal is new")
def a_new_journal_raises(d):
    d = fresh(d, stated=None)
    d.checks.channels[0].owed = [(START, 100)]
    d.checks.channels[0].uneven = None
    d.sound()
    d.intent(ul=120, counts=154, up=20)


@case("S24", "150 µL lapse")
def more_lapses_than_is_owed(d):
    d.passes("M", owed=100)
    d.sound()
    d.line("L", 0, 150)


@case("S24", "the sums do not balance")
def the_sums_do_not_balance(d):
    d.sound()
    d.line("L", 0, 50)


# The clock


@case("S20", "keys 3600 s ahead are let go")
def keys_of_the_same_day_are_let_go(d):
    d.sound()
    d.clock(jump=HOUR)


@case("S19", "the clock is set to")
def a_clock_is_set_to_nonsense(d):
    d.cut(clock=False)
    d.sound()
    d.line("T", 5 - d.now, 2, 1)


@case("S20", "source 4 never said")
def a_clock_is_set_to_what_nobody_said(d):
    d.sound()
    d.clock(source=4, skew=300, heard=False)


@case("S19", "source 1 never said")
def a_first_clock_is_set_to_what_nobody_said(d):
    d.cut(clock=False)
    d.sound()
    d.clock(heard=False)


@case("S19", "on the word of source 4 alone")
def a_first_clock_comes_from_one_source(d):
    d.cut(clock=False)
    d.sound()
    d.clock(source=4)


@case("S20", "on the word of source 4 alone")
def a_large_step_comes_from_one_source(d):
    d.sound()
    d.clock(source=4, skew=HOUR)


@case("S20", "on the word of source 5 alone")
def a_large_step_comes_from_two_sources_that_differ(d):
    d.checks.hear(4, START + d.now + HOUR + 100, d.now)
    d.sound()
    d.clock(source=5, skew=HOUR)


@case("S19", "in place of a time that was set")
def an_estimate_takes_the_place_of_a_time(d):
    d.sound()
    d.clock(source=2, quality=1)


@case("S19", "an estimate that nobody gave")
def an_estimate_comes_from_nowhere(d):
    d.cut(clock=False)
    d.sound()
    d.clock(source=2, quality=1, heard=False)


@case("S19", "the estimate goes on after 0 s")
def an_estimate_goes_on_that_may_not(d):
    d.cut(clock=False)
    d.sound()
    d.clock(source=0, quality=1, heard=False)


@case("S19", "the estimate goes on after 599 s")
def an_estimate_goes_on_too_early(d):
    d = fresh(d, clock={"carry_on_s": 600})
    d.cut(clock=False)
    d.now += 599
    d.sound()
    d.clock(source=0, quality=1, heard=False)


@case("S20", "valid from 5 s ago on")
def a_revision_after_a_clock_reaches_back(d):
    d.sound()
    d.line("V", 0, START + d.now - 5)


@case("S25", "valid from 5 s ago on")
def an_override_reaches_back(d):
    d.sound()
    d.line("D", 0, 100, DATE, 1, START + d.now - 5)


@case("S25", "valid from 5 s ago on")
def a_set_up_reaches_back(d):
    d.sound()
    d.adopt(d.text, begin=START + d.now - 5)


@case("S25", "no new revision")
def a_set_up_brings_no_new_revision(d):
    d.sound()
    d.adopt(d.text, revised=0)


# Acts and faults


@case("S7", "request 9 is recorded twice")
def a_request_is_carried_out_twice(d):
    d.line("N", 0, 9)
    d.sound()
    d.line("N", 0, 9)


@case("S7", "that nobody asked for")
def an_extra_runs_that_nobody_asked_for(d):
    d.sound()
    d.line("J", 0, 100, 128, TANK)


@case("S7", "that nobody asked for")
def an_extra_goes_into_the_tank_and_not_the_cup(d):
    d.extra(into=CUP, run=False)
    d.sound()
    d.line("J", 0, 100, 128, TANK)


@case("S7", "from before a start")
def an_extra_runs_after_a_start(d):
    d.extra(run=False)
    d.cut()
    d.sound()
    d.line("J", 0, 100, 128, TANK)


@case("S7", "an extra outlives a start")
def an_extra_waits_on_after_a_start(d):
    d.extra(run=False)
    d.cut()
    d.sound().ready()


@case("S7", "runs 601 s after")
def an_extra_waits_too_long(d):
    d.extra(run=False)
    d.now += 601
    d.sound()
    d.line("J", 0, 100, 128, TANK)


@case("S7", "while another waits")
def two_extras_wait(d):
    d.extra(run=False)
    d.sound()
    d.extra(run=False)


@case("S13", "for the third time does not latch")
def a_third_fault_does_not_latch(d):
    d.line("Z", 0, 3)
    d.line("Z", 0, 3)
    d.sound()
    d.line("Z", 0, 3)


@case("S12", "is left by one act")
def a_latched_fault_is_left_by_one_act(d):
    d.line("Z", 0, 3, 1)
    d.sound()
    d.line("z", 0, 0)


# States: (law, line, list, place) of a snapshot; 999 stands there

STATES = [
    *(("S24", 0, 0, at) for at in (0, 1, 2, 3, 7, 8)),
    ("S11", 0, 0, 4),
    *(("S12", 0, 0, at) for at in (5, 6)),
    ("S6", 0, 0, 9),
    ("S13", 0, 0, 10),
    ("S5", 0, 0, 11),
    ("S1", 0, 0, 12),
    ("S7", 0, 1, 0),
    *(("S13", 0, part, 0) for part in (2, 3)),
    ("S15", 0, 4, 0),
    ("S17", 1, 0, 0),
    *(("S24", 2, 0, at) for at in (0, 1, 2, 3)),
    ("S25", 2, 0, 4),
    ("S2", 2, 0, 5),
    *(("S24", 2, 0, at) for at in range(6, 14)),
    *(("S21", 2, 0, at) for at in range(14, 17)),
    ("S11", 2, 0, 17),
    ("S7", 2, 0, 18),
    *(("S12", 2, 0, at) for at in (19, 20)),
    *(("S24", 2, 0, at) for at in (21, 22)),
    ("S6", 2, 0, 23),
    *(("S24", 2, part, 0) for part in (1, 2)),
    ("S7", 2, 3, 0),
    ("S13", 2, 4, 0),
    *(("S24", 2, 5, at) for at in range(12)),
]


@pytest.mark.parametrize(("law", "line", "part", "at"), STATES)
def test_each_number_of_a_state_is_held_against_the_records(law, line, part, at):
    desk = Desk()
    desk.dose()
    desk.checks.state(desk.lines())
    desk.sound()
    desk.checks.state(replaced(desk, line, part, at, 999999 if line != 2 or at != 1 else 10**9))
    assert law in [number for number, _ in desk.told], desk.told


@case("S5", "the state's mark is")
def a_state_has_moved_its_watermark_back(d):
    d.dose()
    wm = d.checks.channels[0].wm
    d.sound().state(replaced(d, 2, 0, 1, wm - 1))


@case("S24", "the state's mark is")
def a_state_has_moved_its_watermark_on(d):
    d.dose()
    wm = d.checks.channels[0].wm
    d.sound().state(replaced(d, 2, 0, 1, wm + 1))


@case("S21", "numbers from 14 on")
def a_state_has_another_fill(d):
    d.sound().state(replaced(d, 2, 0, 14, 6000))


@case("S24", "the totals")
def a_state_has_other_totals(d):
    d.sound().state(replaced(d, 2, 5, 0, 1))


# Questions


def overview(d, **own):
    told = [{"commanded_ul": c.tot[1], "planned_ul": c.tot[0]} for c in d.checks.channels]
    told[0]["left_ul"], told[1]["left_ul"] = 4900, -1
    told[0] |= own
    return {"delivery": "commanded, not verified", "channels": told}


@case("S22", "that delivery is verified")
def the_status_calls_delivery_verified(d):
    d.checks.status(overview(d))
    d.sound().status({**overview(d), "delivery": "verified"})


@case("S22", "other sums")
def the_status_tells_other_sums(d):
    d.sound().status(overview(d, commanded_ul=1))


@case("S21", "are said to be left")
def the_status_tells_more_than_is_left(d):
    d.sound().status(overview(d, left_ul=5000))


@functools.cache
def broken(do):
    """The desk of a case, after it."""
    desk = Desk()
    do(desk)
    while hasattr(desk, "next"):
        desk = desk.next
    assert desk.sounded, "a case says when all is still well"
    return desk


@pytest.mark.parametrize(
    ("number", "words", "do"), CASES, ids=[f"{n} {do.__name__}" for n, _, do in CASES]
)
def test_what_is_done_wrong_is_told_under_its_number(number, words, do):
    desk = broken(do)
    mine = [text for own, text in desk.told if own == number]
    assert any(words in text for text in mine), desk.told


def calls():
    """Each place in the modules at which something is told, as (file, first and last line)."""
    found = []
    for name, module in PLACES.items():
        for node in ast.walk(ast.parse(inspect.getsource(module))):
            called = node.func if isinstance(node, ast.Call) else None
            if isinstance(called, ast.Attribute) and called.attr in TELLING:
                found.append((name, node.lineno, node.end_lineno))
    return found


def test_no_place_that_tells_something_stands_without_a_case():
    hit = set().union(*(broken(do).places for _, _, do in CASES))
    places = calls()
    missed = [
        (name, first)
        for name, first, last in places
        if not any(name == own and first <= line <= last for own, line in hit)
    ]
    assert missed == []
    assert len(places) > 90


def test_every_number_that_the_checks_promise_has_a_case():
    words = (checks.__doc__ or "").split("\n")
    promised = {line.split()[0] for line in words if line[:1] == "S"}
    assert promised == {f"S{number}" for number in range(1, 27)}
    assert {number for number, _, _ in CASES} == promised - {"S23"}


def test_the_checks_import_nothing_of_the_product():
    for module in (books, checks, due_times, journal_lines):
        for node in ast.walk(ast.parse(inspect.getsource(module))):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            assert not [n for n in names if n == "aliquot" or n.startswith("aliquot.")]


def test_a_day_done_right_breaks_nothing():
    desk = Desk()
    desk.dose(1, 0)
    for index in range(1, 24):
        desk.dose(0, index)
        desk.dose(1, index)
        if index % 5 == 0:
            desk.rotate()
            desk.checks.ready()
    assert desk.checks.channels[0].tot[1] == 2300
    desk.sound()


def test_what_a_start_after_lost_records_says_is_believed():
    desk = Desk()
    desk.dose()
    desk.checks.lost = True
    desk.checks.dark()
    lines = desk.lines(ring=0)
    seq = desk.checks.seq
    desk.checks.seq += 7  # records that the board never finds again
    desk.checks.channels[0].tot[0] += 100
    desk.checks.written(
        "j00000002.txt", desk.opening_of(seq, lines, [sealed(b"%d 0 G 7 100 100" % (seq + 1))])
    )
    desk.segment = "j00000002.txt"
    desk.checks.booted_with(seq + 1, desk.now)
    desk.boot()
    desk.line("h", ALL, 2)
    desk.dose(index=2)
    desk.rotate()
    c = desk.sound().channels[0]
    assert desk.checks.gap == 0
    assert (c.tot[1], c.sum // c.cal[0]) == (200, 200)


# Worlds that do right


@pytest.mark.parametrize("seed", [1, 2])
def test_a_month_of_the_demo_breaks_nothing(seed, monkeypatch):
    monkeypatch.setattr(simulation, "World", SeenWorld)
    outcome = demo.month(seed)
    assert outcome.world.violations == []
    assert outcome.world.checks.records > 3000
    assert outcome.world.checks.number > 3


ZONES = [
    ("Europe/Berlin", (2026, 3, 15), 30),
    ("America/New_York", (2026, 10, 20), 30),
    ("Australia/Lord_Howe", (2026, 3, 20), 200),
    ("America/St_Johns", (2027, 3, 1), 60),
    ("Asia/Kathmandu", (2026, 1, 2), 30),
    ("Pacific/Auckland", (2035, 9, 1), 400),
]


@pytest.mark.parametrize("name", ["four_channels", "listed_times"])
@pytest.mark.parametrize(("zone", "first", "days"), ZONES)
def test_days_of_an_example_in_any_zone_break_nothing(name, zone, first, days):
    """Outages, silences of the clock and stumbling motors, over clock changes."""
    text = resources.examples()[name].read_text("utf-8")
    text = re.sub(r'timezone = "[^"]*"', f'timezone = "{zone}"', text)
    loaded = setup_file.load(text.encode(), where="x.toml")
    rng = random.Random(f"{name} {zone}")
    weather = Weather.drawn(rng, days, days // 3)
    weather.silences = [(rng.randrange(days * DAY_S), DAY_S) for _ in range(2)]
    weather.stumbles = 0.02
    start_w = loaded.setup.zone.day_start(days_of(*first))
    world = SeenWorld(loaded, start_w=start_w, days=days, seed=1, weather=weather).run()
    assert world.violations == []
    assert world.checks.records > 2 * len(world.runs)
