"""main.py as the board runs it: what starts, what is said, what comes after whatever ends it."""

import builtins
import itertools
import sys
import time

import pytest

import chip_board
from aliquot import app as app_module
from aliquot.hal import board as board_module
from aliquot.hal import pause
from aliquot.store import board as board_store
from aliquot.store import files as files_module
from aliquot_host.memory_files import MemoryFiles

LOAD = board_store.load


class Run:
    """One life of main.py on a chip: what it said, its names, and how it ended."""

    def __init__(self, out, names, reset):
        self.out, self.names, self.reset = out, names, reset


@pytest.fixture
def main(firmware, monkeypatch, root, capsys, tmp_path):
    """main(live, board=...) runs the real file; `live(app)` stands for the life of the app."""
    text = (root / "device" / "main.py").read_text("utf-8")
    ours = (root / "boards" / "esp32-dev.json").read_text("utf-8")
    files = MemoryFiles()
    monkeypatch.setattr(files_module, "Files", lambda folder: files)

    def run(live=None, board=ours, missing="", slept=None):
        at = run.at = firmware("esp32")
        path = tmp_path / "board.json"
        path.unlink(missing_ok=True)
        if board is not None:
            path.write_text(board, "utf-8")
        monkeypatch.setattr(board_store, "load", lambda: LOAD(str(path)))
        if live:
            monkeypatch.setattr(app_module.App, "live", live)

        def sleep(seconds):
            at.us += seconds * 1000000
            if slept:
                slept(at)

        monkeypatch.setattr(time, "sleep", sleep)
        real = builtins.__import__

        def importing(name, *rest):
            if missing and name == missing:
                raise ImportError(f"no module named '{name}'")
            return real(name, *rest)

        monkeypatch.setattr(builtins, "__import__", importing)
        names = {"__name__": "__main__"}
        reset = False
        try:
            exec(compile(text, "main.py", "exec"), names)
        except chip_board.Reset:
            reset = True
        finally:
            monkeypatch.setattr(builtins, "__import__", real)
        return Run(capsys.readouterr().out, names, reset)

    run.files = files
    return run


def raises(problem):
    def live(app):
        raise problem

    return live


def gaps_ms(at):
    fed = [*at.fed, at.us]
    return max(later - earlier for earlier, later in itertools.pairwise(fed)) // 1000


def test_the_app_is_made_and_lives(main):
    lived = []
    done = main(lambda app: lived.append(app) or raises(KeyboardInterrupt)(app))
    (app,) = lived
    assert app.why == "no set-up was ever adopted"
    assert done.out.startswith("Aliquot ")
    assert done.names["app"] is app
    assert main.at.fed, "the watchdog runs before the app does"


@pytest.mark.parametrize(
    "problem", [RuntimeError("boom"), MemoryError(), OSError(28), ValueError("x"), SystemError()]
)
def test_s23_what_ends_the_app_is_written_down_and_the_board_starts_again(main, problem):
    done = main(raises(problem))
    assert done.reset
    assert type(problem).__name__ in main.files.read("crash.txt").decode()
    assert type(problem).__name__ in done.out
    # A program that ends at once every time writes once a minute and no more often.
    assert main.at.us - main.at.fed[0] >= 60_000_000
    assert gaps_ms(main.at) < board_module.WDT_MS
    assert not chip_board.Timer.all


def test_an_app_that_ends_by_itself_starts_again(main):
    assert main(lambda app: None).reset


def test_a_crash_that_cannot_be_written_down_still_starts_again(main, monkeypatch):
    def worse(app, problem):
        raise MemoryError

    monkeypatch.setattr(app_module.App, "crashed", worse)
    done = main(raises(RuntimeError("boom")))
    assert done.reset
    assert "could not be written down" in done.out


def test_a_start_that_fails_is_written_down_and_tried_again(main, monkeypatch):
    import aliquot.start

    def fails(app):
        raise RuntimeError("no start")

    monkeypatch.setattr(aliquot.start, "start", fails)
    done = main(raises(AssertionError("it must not live")))
    assert done.reset
    assert "no start" in main.files.read("crash.txt").decode()


# After Ctrl-C.


def test_ctrl_c_leaves_the_prompt_and_the_watchdog_is_fed(main):
    done = main(raises(KeyboardInterrupt()))
    assert not done.reset
    assert "nothing is dosed" in done.out
    assert "stay()" in done.out
    (timer,) = chip_board.Timer.all
    assert timer.period == 1000
    fed = len(main.at.fed)
    for _ in range(60 * pause.MINUTES - 1):
        timer.callback(timer)
    assert len(main.at.fed) == fed + 60 * pause.MINUTES - 1
    with pytest.raises(chip_board.Reset):
        timer.callback(timer)


def test_stay_gives_ten_more_minutes(main, capsys):
    done = main(raises(KeyboardInterrupt()))
    (timer,) = chip_board.Timer.all
    for _ in range(500):
        timer.callback(timer)
    done.names["stay"]()
    assert "10" in capsys.readouterr().out
    for _ in range(60 * pause.MINUTES - 1):
        timer.callback(timer)
    with pytest.raises(chip_board.Reset):
        timer.callback(timer)


def test_ctrl_c_while_it_waits_after_a_crash_leaves_the_prompt(main):
    def interrupted(at):
        raise KeyboardInterrupt

    done = main(raises(RuntimeError("boom")), slept=interrupted)
    assert not done.reset
    assert len(chip_board.Timer.all) == 1


@pytest.mark.parametrize("name", ["esp32", "esp32c3", "rp2040", "rp2350"])
def test_the_timer_is_one_that_the_chip_has(make, name):
    ours = {"esp32": "esp32-dev", "esp32c3": "esp32-c3", "rp2040": "pico-w", "rp2350": "pico-2-w"}
    hw, _ = make(ours[name])
    pause.Pause(hw)
    assert len(chip_board.Timer.all) == 1


# What cannot start.


@pytest.mark.parametrize(
    "missing", ["aliquot", "aliquot.hal.board", "aliquot.store.files", "aliquot.app"]
)
def test_s08_a_package_that_is_not_whole_doses_nothing_and_leaves_the_prompt(main, missing):
    lived = []
    done = main(lived.append, missing=missing)
    assert not lived
    assert not done.reset
    assert "not whole" in done.out
    assert "device/README.md" in done.out
    # Where the watchdog runs already, it is fed.
    assert bool(chip_board.Timer.all) == bool(done.names["hw"])


@pytest.mark.parametrize(
    ("board", "said"),
    [
        (None, "there is no"),
        ("", "no JSON"),
        ("{", "no JSON"),
        ("[]", "no board file"),
        ('{"format": "aliquot-board"}', "version None"),
        ('{"format": "aliquot-board", "version": 2}', "version 2"),
        ('{"format": "aliquot-board", "version": 1, "chip": "rp2040"}', "is for rp2040"),
    ],
)
def test_a_board_that_is_not_set_up_says_so_and_leaves_the_prompt(main, board, said):
    lived = []
    done = main(lived.append, board=board)
    assert not lived
    assert not done.reset
    assert said in done.out
    assert "not set up" in done.out
    assert not hasattr(main.at, "fed"), "no watchdog bites somebody who copies files"


def test_s23_a_soft_reset_goes_on_with_a_watchdog_that_runs(main):
    """It cannot be stopped: it is fed from the first moment on, and again before the app lives."""
    main(raises(KeyboardInterrupt()))
    fed = []
    done = main(lambda app: fed.extend(main.at.fed))
    assert done.reset
    # Board made, each part imported, app started.
    assert len(fed) >= 2 + len(done.names["PARTS"])


def test_the_parts_that_are_imported_one_by_one_are_there(main):
    for name in main(lambda app: None).names["PARTS"]:
        assert sys.modules[name].__name__ == name
