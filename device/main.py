"""Runs after boot.py: starts the app, and says what to do where that cannot be.

Motors are at rest before it begins (boot.py), and a run that is broken off is stopped and recorded
by the app itself. Whatever ends the app: the motors first, then the record, a minute's wait, so
that a program which ends at once every time does not wear the flash, and a restart. Ctrl-C leaves
the prompt, for ten minutes at a time. A package that cannot be imported doses nothing.
"""

import gc
import time

WAIT_S = 60
# Imported one by one with the watchdog fed in between: after Ctrl-D it runs from the start, and
# source that is not compiled yet takes its time.
PARTS = ("aliquot.core.engine", "aliquot.store.journal", "aliquot.app", "aliquot.start")

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

hw: "Any" = None
app: "Any" = None


def board_file():
    """The board file's data, read anew: it is too large to be kept."""
    from aliquot.core.demand import forget
    from aliquot.store import board

    data = board.load()
    forget("aliquot.store.board")
    return data


def broken(problem):
    print("The program on this board is not whole: %r" % problem)
    print("Nothing is dosed. Copy it again, as device/README.md says.")
    return False


def begin():
    """Make board and app; whether there is an app to run. What is missing is said."""
    global hw, app
    try:
        import aliquot
        from aliquot.hal.board import Board
        from aliquot.store.files import Files

        print("Aliquot", aliquot.__version__)
    except Exception as problem:  # noqa: BLE001 - a broken package may raise anything
        return broken(problem)
    try:
        hw = Board(Files("/data"), board_file)
    except ValueError as problem:
        print("This board is not set up: %s" % problem)
        print("Nothing is dosed until that is done.")
        return False
    # From here on a program that hangs is restarted, whatever it hangs in.
    hw.feed()
    try:
        for name in PARTS:
            __import__(name)
            hw.feed()
        from aliquot.app import App
        from aliquot.start import start
    except Exception as problem:  # noqa: BLE001 - as above
        return broken(problem)
    app = App(hw)
    start(app)
    hw.feed()
    return True


def tell(problem):
    """Have the app write down what ended it; never raises."""
    gc.collect()
    print("Stopped by %r" % problem)
    try:
        if app:
            app.crashed(problem)
    except Exception as worse:  # noqa: BLE001 - nothing may keep the board from coming back
        print("That could not be written down: %r" % worse)


def wait():
    """A minute's rest after the app ended, with the watchdog fed."""
    print("The motors rest. The board starts again in %d s; Ctrl-C leaves the prompt." % WAIT_S)
    for _ in range(WAIT_S):
        hw.feed()
        time.sleep(1)


def live():
    """Run the app, and start again after whatever ended it; returns where there is none to run."""
    try:
        if not begin():
            return
        app.live()
    except Exception as problem:  # noqa: BLE001 - whatever it is, the board must come back
        tell(problem)
    if hw:
        wait()
        hw.reset()


try:
    live()
except KeyboardInterrupt:
    print("Stopped by Ctrl-C.")
if hw:
    from aliquot.hal.pause import Pause

    stay = Pause(hw).stay
