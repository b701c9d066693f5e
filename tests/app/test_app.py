"""The app on a board on a desk: doses, stops, faults, resets, the watchdog."""

import json

import pytest

from aliquot.core.ledger import COMMANDED, COUNTS, FAULT, MISSED, UNCERTAIN, USER
from aliquot_host.memory_files import MemoryFiles
from app_files import NOON_W, load
from app_rig import Board, Life, Restart
from set_ups import canonical, channel


def small(**changes):
    """One channel that doses every hour for about four seconds."""
    return canonical(channel(**changes))


@pytest.fixture
def life():
    board = Board(MemoryFiles(), inputs=("float", "leak", "supply", "stop", "reset"))
    life = Life(board)
    assert load(life, small())["ok"]
    assert life.ask(do="clock", wall_w=NOON_W, id=8)["ok"]
    return life


def to_a_run(life):
    """Let time go on until a motor turns."""
    for _ in range(4 * 7200):
        life.run(ms=250)
        if life.board.pumping and life.board.pumping.given:
            return life.board.pumping
    raise AssertionError("no motor turned")


def test_a_new_board_has_no_engine_and_says_why():
    life = Life(Board(MemoryFiles()))
    life.run(60)
    status = life.ask(do="status")
    assert status["why"] == "no set-up was ever adopted"
    assert status["light"] == 5
    assert not life.board.truth


def test_a_set_up_comes_over_the_line_and_doses_run(life):
    life.run(3 * 3600 + 60)
    status = life.ask(do="status")
    assert status["why"] == ""
    assert len(life.board.truth) == 3
    told = status["channels"][0]["commanded_ul"]
    given = sum(counts for _, counts in life.board.truth)
    assert abs(told - given * 10020 / 12800) < 1
    assert status["light"] == 1
    assert life.board.fed_ms >= life.board.ms - 1000


def test_s11_a_stop_rests_the_motor_at_once_and_keeps_the_count(life):
    to_a_run(life)
    life.ask(do="stop", id=21)
    assert life.board.pumping is None
    given = life.board.truth[-1][1]
    life.run(1)
    assert life.app.last[2:4] == (given, USER)
    life.run(7200)
    assert len(life.board.truth) == 1  # held
    assert life.ask(do="status")["light"] == 3
    assert life.ask(do="release", channel="all", id=22)["done"] == 1
    life.run(3600)
    assert len(life.board.truth) == 2


def test_a_stop_that_is_repeated_does_not_stop_a_later_run(life):
    life.ask(do="stop", id=21)
    life.ask(do="release", channel="all", id=22)
    to_a_run(life)
    assert life.ask(do="stop", id=21)["done"] == 0
    assert life.board.pumping


def test_ending_a_run_holds_nothing_and_a_repeat_ends_no_other(life):
    to_a_run(life)
    assert life.ask(do="end", id=30)["done"] == 1
    life.run(1)
    to_a_run(life)
    assert life.ask(do="end", id=30)["done"] == 0
    assert life.board.pumping


def test_a_hold_stops_the_run_of_its_channel(life):
    to_a_run(life)
    assert life.ask(do="hold", channel="alk", until_w=0, id=31)["done"] == 1
    assert not life.board.pumping


def test_a_driver_that_miscounts_leaves_a_fault_and_the_outcome(life):
    life.board.stall = 0
    life.run(3660)
    status = life.ask(do="status")
    assert status["channels"][0]["fault"] == 3
    assert status["last"][3] == FAULT
    assert status["light"] == 4


@pytest.mark.parametrize(("what", "code"), [("float", 5), ("leak", 6), ("supply", 7)])
def test_an_input_stops_and_holds_while_it_is_on_and_a_minute_longer(life, what, code):
    to_a_run(life)
    life.board.on[what] = 1
    life.run(ms=200)
    assert not life.board.pumping
    status = life.ask(do="status")
    assert status["fault"] == code
    life.run(2 * 3600)
    assert len(life.board.truth) == 1
    life.board.on[what] = 0
    life.run(30)
    assert life.app.engine.state.fault == code
    life.run(60)
    assert life.app.engine.state.fault == 0
    before = len(life.board.truth)
    life.run(3600)
    assert len(life.board.truth) > before


def test_without_motor_supply_doses_are_missed_not_done(life):
    life.board.on["supply"] = 1
    life.run(5 * 3600)
    assert not life.board.truth
    tot = life.app.engine.state.channels[0].tot
    life.app.engine.flush(life.app.now_s())
    assert tot[MISSED] > 0
    assert tot[COMMANDED] == 0


def test_a_leak_matters_more_than_a_float_and_the_float_still_holds_after_it(life):
    life.board.on["float"] = 1
    life.run(5)
    life.board.on["leak"] = 1
    life.run(5)
    assert life.app.engine.state.fault == 6
    life.board.on["leak"] = 0
    life.run(120)
    assert life.app.engine.state.fault == 5


def test_waves_at_a_float_count_once(life):
    for _ in range(20):
        life.board.on["float"] = 1
        life.run(3)
        life.board.on["float"] = 0
        life.run(7)
    state = life.app.engine.state
    assert (state.fault, state.latched, state.faults[::2]) == (5, 0, [5])


def test_a_bounce_of_a_contact_is_no_input(life):
    for _ in range(50):
        life.board.on["leak"] = 1
        life.run(ms=45)
        life.board.on["leak"] = 0
        life.run(ms=105)
    assert life.app.engine.state.fault == 0


def test_the_stop_button_stops_and_holds_until_released(life):
    to_a_run(life)
    life.board.on["stop"] = 1
    life.run(ms=150)
    assert not life.board.pumping
    life.board.on["stop"] = 0
    life.run(2 * 3600)
    assert life.app.engine.state.hold_w == 0
    assert len(life.board.truth) == 1


@pytest.mark.parametrize(("seconds", "network", "set_up"), [(4, 1, 1), (7, 0, 1), (17, 0, 0)])
def test_the_reset_button_takes_away_what_its_time_says(life, seconds, network, set_up):
    life.board.files.write("net.json", b"{}")
    cal = life.app.engine.state.channels[0].cal_counts
    life.board.on["reset"] = 1
    life.run(seconds)
    flicker = [life.board.lamp[(life.board.lit - n) % 20] for n in range(1, 7)]
    life.board.on["reset"] = 0
    if network:
        life.run(5)
    else:
        with pytest.raises(Restart):
            life.run(5)
        assert set(flicker) == ({True} if not set_up else {True, False})
    there = life.board.files.names()
    assert ("net.json" in there, "setup.json" in there) == (network == 1, set_up == 1)
    again = Life(life.board, 3)
    assert again.app.journal.state.channels[0].cal_counts == cal
    if not set_up:
        assert again.app.why == "setup.json is missing"
        assert load(again, small(calibration={"counts": 11111}))["ok"]
        # What was measured stays, whatever the file says.
        assert again.app.engine.state.channels[0].cal_counts == cal


def test_a_watchdog_reset_in_a_run_knows_what_was_given(life):
    pump = to_a_run(life)
    life.board.hang = "serial"
    with pytest.raises(Restart) as restart:
        life.run(60)
    assert restart.value.cause == 2
    truth = life.board.truth[-1][1] if life.board.truth else pump.turned()
    assert life.app.journal.state.open or life.board.truth
    again = Life(life.board, 2)
    assert not again.app.journal.state.open
    told = again.app.journal.state.channels[0].tot[COUNTS]
    assert truth <= told <= truth + 125


def reset_in_a_run(life, cause):
    """A reset while a motor turns: what it gave truly, and what the next life takes it for."""
    pump = to_a_run(life)
    planned = life.app.job[1]
    life.run(ms=70)
    turned = pump.turned()
    again = Life(life.board, cause)
    return turned, planned, again.app.journal.state.channels[0]


def test_a_reset_in_a_run_counts_what_was_sent_and_no_more(life):
    turned, planned, after = reset_in_a_run(life, 3)
    assert turned <= after.tot[COUNTS] < turned + 130 < planned
    assert after.tot[UNCERTAIN] == 0  # nothing uncertain


def test_s15_a_power_cut_in_a_run_counts_in_full(life):
    _, planned, after = reset_in_a_run(life, 1)
    assert after.tot[COUNTS] == planned
    assert after.tot[UNCERTAIN] > 0


def test_the_count_of_another_run_is_never_taken(life):
    to_a_run(life)
    planned = life.app.job[1]
    seq, counts = life.board.memory
    life.board.memory = (seq - 1, counts)
    assert Life(life.board, 3).app.journal.state.channels[0].tot[COUNTS] == planned


@pytest.mark.parametrize("task", ["dose", "time", "inputs", "light", "serial", "watch"])
def test_s23_a_task_that_hangs_ends_in_a_watchdog_reset(life, task):
    life.run(10)
    life.board.hang = task
    with pytest.raises(Restart) as restart:
        life.run(60)
    assert restart.value.cause == 2
    again = Life(life.board, 2)
    assert again.app.journal.state.dogs
    text = b"".join(bytes(data) for data in life.board.files.files.values()).decode()
    if task != "watch":
        assert "do not report" in text


def test_an_exception_rests_the_motor_first_and_is_recorded(life):
    to_a_run(life)

    def fails():
        raise ZeroDivisionError("planted")

    life.board.light = lambda on: fails()
    with pytest.raises(ZeroDivisionError) as problem:
        life.run(5)
    assert not life.board.pumping
    assert not life.app.engine.state.open  # its outcome is recorded
    life.app.crashed(problem.value)
    assert b"planted" in life.board.files.read("crash.txt")
    assert life.app.engine.state.fault == 8
    del life.board.light
    again = Life(life.board, 3)
    assert again.app.engine.state.fault == 0


def test_s13_the_same_exception_three_times_in_ten_minutes_latches(life):
    now = life
    for _ in range(3):
        now.run(70)
        now.app.crashed(ValueError("planted"))
        now = Life(now.board, 3)
    assert (now.app.engine.state.fault, now.app.engine.state.latched) == (8, 1)


def test_s9_nothing_in_the_app_runs_a_pump_in_reverse(life):
    asked = []
    real = type(life.board.pump(0)).start

    class Watched(type(life.board.pump(0))):
        def start(self, counts, most_ms, reverse=False):
            asked.append(reverse)
            real(self, counts, most_ms, reverse)

    life.board.pump = lambda ch: Watched(life.board, ch, 500)
    life.run(2 * 3600 + 60)
    assert asked == [False, False]


def test_s18_ticks_that_wrap_in_a_run_change_nothing():
    board = Board(MemoryFiles())
    board.ms = (1 << 30) - 3_600_000 - 2000  # two seconds into a run
    life = Life(board)
    load(life, small())
    life.ask(do="clock", wall_w=NOON_W, id=8)
    life.run(2 * 3600 + 60)
    assert life.app.now_s() - life.app.journal.state.now_s < 3600
    assert life.app.now_s() == 2 * 3600 + 60
    assert [counts for _, counts in board.truth] == [1942, 1943]


def test_the_status_is_json_and_fits_a_board():
    board = Board(MemoryFiles())
    life = Life(board)
    names = [channel(f"channel-{i}", i) for i in range(1, 9)]
    assert load(life, canonical(*names))["ok"]
    assert len(json.dumps(life.ask(do="status"))) < 4096


def test_the_journal_that_cannot_be_read_is_begun_anew_only_on_the_users_word(life):
    for name in life.board.files.names():
        if name.startswith("j"):
            life.board.files.write(name, b"garbage\n" * 40)
    again = Life(life.board, 1)
    assert "cannot be read" in again.app.why
    again.run(3600)
    assert not life.board.truth
    assert again.ask(do="anew")["done"] == 1
    assert load(again, small(), given_ul=-1)["ok"]
    assert again.app.why == ""


def test_a_reset_of_known_cause_is_written_with_the_boot(life):
    again = Life(life.board, 2)
    assert len(again.app.journal.state.dogs) == 1


def test_a_stop_gets_through_while_a_new_set_up_is_checked(life):
    from aliquot.link import Lines, pack, unpack
    from aliquot.store.config import hash_of
    from aliquot_host.setup_file import dump_json

    to_a_run(life)
    text = dump_json(small(cap_ul=60000))
    for at in range(0, len(text), 700):
        life.ask(do="load", at=at, hex=text[at : at + 700].hex())
    board = life.board
    adopt = pack({"do": "adopt", "hash": hash_of(text), "id": 61})
    board.came = adopt + adopt
    life.run(ms=300)
    assert not board.went
    board.came = pack({"do": "stop", "id": 62})
    life.run(ms=100)
    assert not board.pumping
    assert [unpack(one)["re"] for one in Lines().feed(b"".join(board.went))] == [62]
    life.run(60)
    assert [unpack(one)["re"] for one in Lines().feed(b"".join(board.went))] == [62, 61]
    assert life.app.journal.state.hash == hash_of(text)


class Source:
    """A source of time that remembers when it was asked, and whether a motor turned then."""

    def __init__(self, life, number, right=True):
        self.life = life
        self.number = number
        self.asked = []
        self.disturbed = 0
        self.right = right

    async def ask(self):
        board = self.life.board
        self.disturbed += board.pumping is not None
        self.asked.append(board.ms // 1000)
        return NOON_W + board.ms // 1000 if self.right else 0


def without_a_clock(numbers, right=True):
    life = Life(Board(MemoryFiles()))
    assert load(life, small())["ok"]
    sources = [Source(life, number, right) for number in numbers]
    life.board.sources = [(one.number, one.ask) for one in sources]
    return life, sources


def test_two_servers_that_agree_set_the_clock_soon_after_a_start():
    life, sources = without_a_clock((4, 5))
    life.run(20)
    assert life.app.engine.state.quality == 2
    assert life.board.chip_w is not None
    life.run(5 * 3600)
    assert [len(one.asked) for one in sources] == [1, 1]
    life.run(2 * 3600)
    assert [len(one.asked) for one in sources] == [2, 2]


def test_sources_that_do_not_answer_are_asked_each_minute():
    life, sources = without_a_clock((4,), right=False)
    life.run(600)
    assert 9 <= len(sources[0].asked) <= 11
    assert life.app.engine.state.quality == 0


def test_no_source_is_asked_near_a_dose_or_in_a_run():
    life, sources = without_a_clock((4, 5), right=False)
    # The time of a phone is an estimate: while nobody confirms it, they are asked each minute.
    assert life.ask(do="clock", wall_w=NOON_W, unsure=1)["done"]
    life.run(3 * 3600 + 60)
    assert life.board.runs == 3
    asked = sources[0].asked
    assert len(asked) > 30
    assert not any(one.disturbed for one in sources)
    # Doses are due on the hour; they take about four seconds.
    assert not [second for second in asked if second % 3600 > 3570 or second % 3600 < 4]


@pytest.mark.parametrize("on", [(), ("leak",), ("float", "stop")])
def test_a_flash_that_takes_nothing_moves_nothing_and_ends_nothing(life, on):
    life.board.sources = [(4, Source(life, 4).ask), (5, Source(life, 5).ask)]
    life.app.engine.state.quality = 1
    life.board.files.fail_always(28)
    for what in on:
        life.board.on[what] = 1
    life.run(7 * 3600)
    assert not life.board.truth
    assert life.ask(do="status")["light"] == 4
    assert life.ask(do="refill", channel="alk", ul=5, id=77)["field"] == "journal"
    life.board.files.mend()
    for what in on:
        life.board.on[what] = 0
    life.run(120)
    life.ask(do="release", channel="all", id=78)
    life.run(2 * 3600)
    assert life.board.truth
