"""The real app on a virtual board: the same doses as in the simulator, and what goes wrong."""

import asyncio
import threading
import time

import pytest

from aliquot import link
from aliquot.core.decimals import date_of_text
from aliquot.core.ledger import COMMANDED, COUNTS, FAULT, HOLD, MISSED, UNCERTAIN, USER
from aliquot_host import setup_file, virtual_life
from aliquot_host.errors import BadInput
from aliquot_host.memory_files import MemoryFiles
from aliquot_host.resources import examples
from aliquot_host.virtual_board import Folder, Memory, Restart
from aliquot_host.virtual_life import Desk, Press
from aliquot_host.world import Weather, World
from set_ups import TOML

HOUR, DAY = 3600, 86400
# The world's board hears the time a second before its first day; so does this one, well before.
EARLY_S = 60
TANK = (
    TOML
    + """
[[channel]]
id = "cal"
daily_ml = 21.4
doses = 30
from = "00:20"
cap_ml = 40
dose_most_ml = 4
calibration = { counts = 9000, ml = 8.8 }
reservoir = { size_ml = 1000, left_ml = 400 }
[[separate]]
channels = ["alk", "cal"]
minutes = 12
"""
)


def loaded(text=TOML):
    return setup_file.load(text.encode())


def midnight(own, date="2026-03-20"):
    return own.setup.zone.day_start(date_of_text(date))


@pytest.fixture
def desk():
    """Makes desks that begin a minute before midnight, and clears them at the end."""
    made = []

    def make(own=None, files=None, **options):
        own = own or loaded()
        options = {"start_w": midnight(own) - EARLY_S, "speed": 0} | options
        made.append(Desk(own, files or Memory(), **options))
        return made[-1]

    yield make
    for one in made:
        one.close()


def ask(one, **order):
    return one.app.answer(order)


def tot(one, channel=0):
    return one.state().channels[channel].tot


def ml(own, counts):
    """What the engine takes counts for, in microlitres."""
    cal = own.data["channel"][0]["calibration"]
    return counts * cal["ul"] / cal["counts"]


def runs_of(runs, ids):
    return {
        (ids[run.channel], run.date, run.at): (run.counts, run.given, run.due_w)
        for run in runs
        if run.into == "dose"
    }


def starts_of(runs):
    return [run.start_w for run in runs if run.into == "dose"]


@pytest.mark.parametrize("name", ["tank", "demo_reef"])
def test_a_day_gives_the_same_doses_as_the_simulator(desk, name):
    own = loaded(TANK) if name == "tank" else setup_file.load(examples()["demo_reef"])
    world = World(own, start_w=midnight(own), days=1, seed=3).run()
    one = desk(own, seed=3, for_s=EARLY_S + DAY - 1).live()
    expected = runs_of(world.runs, world.ids)
    assert len(expected) > 24
    assert runs_of(one.board.truth.runs, one.board.truth.ids) == expected
    for here, there in zip(starts_of(one.board.truth.runs), starts_of(world.runs), strict=True):
        assert -1 <= here - there <= 3
    # Seeded alike, the pumps are the very same ones.
    for told, true in zip(one.totals().values(), world.totals().values(), strict=True):
        assert told == {"doses": told["doses"], **true}


def test_an_outage_costs_the_same_doses_as_in_the_simulator(desk):
    own = loaded(TANK)
    at_s, length_s = 6 * HOUR + 7, 2 * HOUR
    weather = Weather(outages=[(at_s, length_s)])
    world = World(own, start_w=midnight(own), days=1, weather=weather).run()
    weather = Weather(outages=[(EARLY_S + at_s, length_s)])
    one = desk(own, weather=weather, for_s=EARLY_S + DAY - 1).live()
    assert runs_of(one.board.truth.runs, one.board.truth.ids) == runs_of(world.runs, world.ids)
    assert one.totals()["alk"]["missed_ul"] == world.totals()["alk"]["missed_ul"] > 0


def test_a_new_board_learns_the_time_by_itself(desk):
    one = desk(for_s=30).live()
    assert one.app.why == ""
    assert one.state().quality == 2
    assert abs(one.app.now_s() + one.state().offset - one.board.now_w()) <= 2


def test_without_a_network_the_clock_stays_unset_and_nothing_is_dosed(desk):
    one = desk(network=False, for_s=3 * HOUR).live()
    assert one.state().quality == 0
    assert one.board.truth.runs == []


def test_the_user_sets_the_clock_where_no_server_does(desk):
    one = desk(network=False, for_s=2 * HOUR)
    one.loop.call_later(10, lambda: ask(one, do="clock", wall_w=one.board.now_w(), id=5))
    one.live()
    assert len(one.board.truth.runs) == 2


def cutting(desk, **options):
    """A desk whose midnight run has been under way for two seconds after 62 s."""
    return desk(weather=Weather(outages=[(EARLY_S + 2, 60)]), **options)


def test_a_power_cut_in_a_run_leaves_it_uncertain_and_in_full(desk):
    one = cutting(desk, for_s=HOUR).live()
    run = one.board.truth.runs[0]
    assert (run.ended, run.given < run.counts) == ("cut", True)
    assert tot(one)[UNCERTAIN] == tot(one)[COMMANDED] == 1521
    assert tot(one)[COUNTS] == run.counts
    assert one.starts == {"power": 2}


def hanging(monkeypatch, name, after_s):
    """The task `name` hangs in the first life, once it has lived for so long."""

    class Hanging(virtual_life.App):
        lives = 0

        def __init__(self, hw):
            super().__init__(hw)
            Hanging.lives += 1
            self.first = Hanging.lives == 1

    async def hang(self):
        task = asyncio.ensure_future(getattr(virtual_life.App.__base__, name)(self))
        if self.first:
            await asyncio.sleep(after_s)
            task.cancel()
            await asyncio.sleep(10**6)
        await task

    setattr(Hanging, name, hang)
    monkeypatch.setattr(virtual_life, "App", Hanging)


@pytest.mark.parametrize("task", ["dose", "time", "inputs", "light", "serial"])
def test_s23_the_watchdog_bites_a_task_that_hangs_and_the_board_doses_on(desk, monkeypatch, task):
    hanging(monkeypatch, task, 20)
    one = desk(for_s=2 * HOUR).live()
    assert one.starts == {"power": 1, "watchdog": 1}
    assert [event.kind for event in one.troubles()] == ["watchdog"]
    assert one.events[0].at_w <= one.board.start_w + 20 + 10
    assert len(one.board.truth.runs) == 2


def test_a_hang_in_a_run_keeps_the_exact_count_through_the_reset(desk, monkeypatch):
    hanging(monkeypatch, "dose", EARLY_S + 2)
    one = desk(for_s=HOUR - 60).live()
    run = one.board.truth.runs[0]
    assert one.starts == {"power": 1, "watchdog": 1}
    # The burst under way ended by itself, and what was kept counts it in full.
    assert 0 < run.given < run.counts
    assert (tot(one)[COUNTS], tot(one)[UNCERTAIN]) == (run.given, 0)


def test_a_reset_in_a_run_counts_at_most_the_burst_under_way_too_many(desk):
    one = desk(for_s=HOUR - 60)
    one.loop.call_later(EARLY_S + 2.1, one.board.reset)
    one.live()
    run = one.board.truth.runs[0]
    assert one.starts == {"power": 1, "program": 1}
    assert run.given <= tot(one)[COUNTS] <= run.given + 125
    assert tot(one)[UNCERTAIN] == 0


def test_an_order_to_restart_waits_for_the_run(desk):
    one = desk(for_s=HOUR - 60)
    one.loop.call_later(EARLY_S + 2, lambda: ask(one, do="restart", id=9))
    one.live()
    assert one.starts == {"power": 1, "program": 1}
    assert one.board.truth.runs[0].ended == "done"


def test_s11_the_stop_button_rests_the_motor_and_holds(desk):
    one = desk(presses=[Press("stop", EARLY_S + 2, 1)], for_s=2 * HOUR).live()
    (run,) = one.board.truth.runs
    assert run.ended == "partial"
    assert tot(one)[COUNTS] == run.given
    assert one.app.last[3] in (USER, HOLD)
    assert one.state().hold_w == 0


@pytest.mark.parametrize("what", ["leak", "float"])
def test_an_input_holds_while_it_is_on_and_clears_a_minute_later(desk, what):
    one = desk(presses=[Press(what, EARLY_S + 2, 600)], for_s=2 * HOUR)
    seen = []
    for at_s in (EARLY_S + 300, EARLY_S + 630, EARLY_S + 700):
        one.loop.call_later(at_s, lambda: seen.append(one.state().fault))
    one.live()
    code = {"float": 5, "leak": 6}[what]
    assert seen == [code, code, 0]
    first, second = one.board.truth.runs
    assert (first.ended, second.ended) == ("partial", "done")
    assert one.state().fault == 0


def test_without_motor_supply_doses_are_missed_and_not_done(desk):
    one = desk(presses=[Press("supply", 30, 2 * HOUR)], for_s=3 * HOUR).live()
    assert tot(one)[MISSED] > 0
    assert [run.start_w for run in one.board.truth.runs if run.true_ul] == [
        run.start_w for run in one.board.truth.runs
    ]
    assert all(run.start_w >= one.board.start_w + 2 * HOUR for run in one.board.truth.runs)


def test_supply_that_goes_in_a_run_ends_it_as_a_fault(desk):
    one = desk(presses=[Press("supply", EARLY_S + 2, 60)], for_s=HOUR - 60).live()
    assert one.app.last[3] == FAULT
    assert one.board.truth.runs[0].given <= tot(one)[COUNTS]


def test_a_button_that_is_pressed_while_the_board_sleeps_long_is_seen(desk):
    one = desk(presses=[Press("stop", 1800, 1)], for_s=2 * HOUR).live()
    assert one.state().hold_w == 0


def lived(desk, own, **options):
    """The files of a board after hours with an outage and a leak."""
    one = desk(
        own, weather=Weather(outages=[(2 * HOUR, HOUR)]), presses=[Press("leak", 5 * HOUR, 60)],
        for_s=8 * HOUR, **options,
    ).live()  # fmt: skip
    return one.board.files.content()


@pytest.mark.parametrize("speed", [0, 1_000_000])
def test_the_same_arguments_give_the_same_journal_to_the_byte(desk, speed):
    own = loaded(TANK)
    first = lived(desk, own, seed=5)
    assert len(first["j00000001.txt"]) > 1000
    assert lived(desk, own, seed=5, speed=speed) == first
    assert lived(desk, own, seed=5, start_w=midnight(own) - EARLY_S + 7) != first


def test_sleeping_longer_changes_no_dose(desk, monkeypatch):
    own = loaded(TANK)
    long = desk(own, for_s=2 * HOUR).live()
    short = desk(own, for_s=2 * HOUR)
    short.board.fast = False
    short.live()
    expected = runs_of(long.board.truth.runs, long.board.truth.ids)
    assert len(expected) > 3
    assert runs_of(short.board.truth.runs, short.board.truth.ids) == expected
    starts = starts_of(long.board.truth.runs), starts_of(short.board.truth.runs)
    for a, b in zip(*starts, strict=True):
        assert -1 <= a - b <= 2


def test_a_board_on_a_folder_goes_on_where_it_was(desk, tmp_path):
    own = loaded()
    first = desk(own, Folder(str(tmp_path / "flash")), for_s=3 * HOUR).live()
    seq, doses = first.state().seq, len(first.board.truth.runs)
    first.close()
    later_w = midnight(own) + 12 * HOUR
    again = desk(own, Folder(str(tmp_path / "flash")), start_w=later_w, for_s=2 * HOUR).live()
    assert doses == 3
    assert again.state().seq > seq
    assert tot(again)[MISSED] > 0
    assert len(again.board.truth.runs) == 2
    assert set(again.board.truth.ids) == {"alk"}


def test_another_set_up_than_that_of_the_folder_is_loaded(desk):
    files = Memory()
    desk(loaded(), files, for_s=HOUR).live()
    more = desk(loaded(TANK), files, start_w=midnight(loaded()) + 2 * HOUR, for_s=60).live()
    assert more.state().ids == ["alk", "cal"]


def test_a_set_up_for_another_output_is_refused_in_words(desk):
    own = setup_file.load(TOML.replace("[[", 'board = "pico-w"\n[[', 1).encode())
    one = desk(own, for_s=10)
    one.board.wiring = {**own.board, "name": "other"}
    with pytest.raises(BadInput, match="this is other"):
        one.live()


def test_a_container_that_runs_dry_in_truth_is_told_once(desk):
    text = TANK.replace("left_ml = 400", "left_ml = 5")
    told = []
    one = desk(loaded(text), for_s=DAY, said=told.append)
    one.loop.call_later(60, lambda: one.board.truth.pumps[1].__setattr__("left_ul", 1000.0))
    one.live()
    assert [event.channel for event in told if event.kind == "dry"] == ["cal"]


def test_a_refill_that_is_told_is_true(desk):
    one = desk(loaded(TANK), for_s=HOUR - 60)
    one.loop.call_later(30, lambda: ask(one, do="refill", channel="cal", ul=900_000, id=3))
    one.live()
    assert one.board.truth.pumps[1].left_ul < 900_000
    assert one.board.truth.pumps[1].left_ul > 890_000


def test_a_cup_run_tells_what_the_cup_holds(desk):
    told = []
    one = desk(for_s=120, start_w=midnight(loaded()) + 600, said=told.append)
    one.loop.call_later(30, lambda: ask(one, do="cup", channel="alk", counts=2000, id=3))
    one.live()
    (run,) = one.board.truth.runs
    assert (run.into, run.given) == ("cup", 2000)
    assert abs(run.true_ul / ml(loaded(), 2000) - 1) < 0.1
    assert any("2,000 counts into the cup" in event.text for event in told)


def test_an_exception_ends_the_run_is_recorded_and_the_board_begins_anew(desk):
    one = desk(for_s=HOUR - 60)

    def planted():
        raise ValueError("planted")

    one.loop.call_later(EARLY_S + 2, lambda: setattr(one.app._watch, "look", planted))
    one.live()
    assert one.starts["program"] == 1
    assert [event.kind for event in one.troubles()][:1] != []
    assert b"planted" in one.board.files.read("crash.txt")
    assert one.board.truth.runs[0].given == tot(one)[COUNTS]


def test_the_reset_button_takes_the_set_up_away_and_the_board_says_so(desk):
    one = desk(presses=[Press("reset", 1800, 17)], for_s=2 * HOUR).live()
    assert one.starts == {"power": 1, "program": 1}
    assert "does not dose" in one.events[-2].text
    assert one.app.engine is None
    assert len(one.board.truth.runs) == 1


def test_a_journal_that_cannot_be_read_is_left_as_it_is(desk):
    broken = {f"j{number:08d}.txt": b"S torn\n" for number in (1, 2)}
    files = Memory(broken)
    one = desk(files=files, for_s=HOUR).live()
    assert one.app.why.startswith("the journal cannot be read")
    assert (one.totals(), one.board.truth.runs) == ({}, [])
    assert {name: files.read(name) for name in broken} == broken


def test_ticks_wrap_in_the_first_quarter_of_an_hour(desk):
    one = desk(for_s=900)
    ticks = []
    for at_s in (500, 800):
        one.loop.call_later(at_s, lambda: ticks.append(one.board.ticks_ms()))
    one.live()
    assert ticks[1] < ticks[0]
    assert one.board.diff(ticks[1], ticks[0]) == 300_000
    assert one.app.now_s() == 900


def test_the_memory_of_resets_does_not_outlive_a_power_cut(desk):
    one = desk(for_s=1)
    one.board.keep(7, 3)
    one.board.begin(2)
    assert one.board.kept() == (7, 3)
    one.board.begin(1)
    assert one.board.kept() is None


def test_a_reset_is_no_exception_that_a_program_catches_by_mistake():
    assert not issubclass(Restart, Exception)


class Client:
    """A client on a real socket, by pyserial, in the thread of the test."""

    def __init__(self, serial, number):
        self.serial = serial.serial_for_url(f"socket://127.0.0.1:{number}", timeout=0.05)
        self.lines = link.Lines()
        self.talk = []
        self.number = 0

    def send(self, **order):
        self.number += 1
        self.serial.write(link.pack({"id": self.number, **order}))
        return self.number

    def reply(self, number, seconds=10):
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            for line in self.lines.feed(self.serial.read(4096)):
                found = link.unpack(line)
                if found and found["re"] == number:
                    return found
                self.talk.append(line)
        return None

    def ask(self, **order):
        return self.reply(self.send(**order))


@pytest.fixture
def served(desk, need):
    """A desk that lives in a thread at 50 times the speed of life; gives a maker of clients."""
    serial = need("serial")
    one = desk(speed=50)
    thread = threading.Thread(target=one.live)
    thread.start()
    clients = []

    def client():
        clients.append(Client(serial, one.board.port.number))
        return clients[-1]

    yield client
    for each in clients:
        each.serial.close()
    one.loop.call_soon_threadsafe(one.end)
    thread.join(20)
    assert not thread.is_alive()


def test_a_client_on_a_real_socket_is_answered_and_skips_what_is_no_message(served):
    client = served()
    client.serial.write(b"\r\nwhat a person types\r\n\x1e{broken\n")
    status = client.ask(do="status")
    assert (status["ok"], status["why"], status["clock"] in (0, 2)) == (1, "", True)
    assert any(b"lines without a check sum are talk" in line for line in client.talk)
    assert client.ask(do="hold", channel="alk", until_w=0)["done"] == 1
    assert client.ask(do="status")["channels"][0]["hold_w"] == 0
    refused = client.ask(do="hold", channel="nobody")
    assert (refused["ok"], refused["field"]) == (0, "channel")


def test_a_second_client_waits_for_its_turn(served):
    first, second = served(), served()
    assert first.ask(do="status")["ok"] == 1
    waiting = second.send(do="status")
    assert second.reply(waiting, 0.3) is None
    assert first.ask(do="status")["ok"] == 1
    first.serial.close()
    assert second.reply(waiting)["ok"] == 1


def test_the_journal_comes_over_the_line_as_it_is(served):
    client = served()
    names = [name for name, size in client.ask(do="files")["files"] if name.startswith("j")]
    text = b""
    while more := bytes.fromhex(client.ask(do="read", name=names[0], at=len(text))["hex"]):
        text += more
    assert text.startswith(b"S aliquot-journal 1 ")
    assert MemoryFiles({names[0]: text}).size(names[0]) == len(text)
