"""Runs first on the board: puts every motor pin to rest. It never starts a motor and never raises.

The pins stand in `pins.txt`, which comes onto the board with the program: one line a pin, its
number or name and its level at rest (`25 0`). What cannot be read is said and passed over, so that
one bad line leaves the other pins at rest. Between power-on and this file, and where the file
system is lost, only a pull-down resistor keeps a driver off: fit one to every motor pin.

It imports nothing of the package on purpose: a broken package must not leave a pump running.
"""

# Pins that are put to rest even without pins.txt: (number or name, level at rest).
ALWAYS = ()
# A longer file is not ours; the rest of it is not read.
FILE_MOST_BYTES = 1024


def listed():
    """The (pin, level) pairs of pins.txt; no file gives none."""
    pairs = []
    try:
        with open("pins.txt") as file:
            text = file.read(FILE_MOST_BYTES)
    except (OSError, ValueError) as problem:
        print("boot: no pins.txt:", problem)
        return pairs
    for line in text.split("\n"):
        words = line.split("#")[0].split()
        if not words:
            continue
        if len(words) == 2 and words[1] in ("0", "1"):
            pairs.append((int(words[0]) if words[0].isdigit() else words[0], int(words[1])))
        else:
            print("boot: pins.txt: want `pin level`, got", line)
    return pairs


def rest(pairs):
    """Drive each pin to its level at rest; one that cannot be driven does not stop the others."""
    from machine import Pin

    for name, level in pairs:
        try:
            Pin(name, Pin.OUT, value=level)
        except Exception as problem:  # noqa: BLE001 - whatever it is, the next pin must rest too
            print("boot: pin", name, "is not at rest:", problem)


for source in (lambda: ALWAYS, listed):
    try:
        rest(source())
    except Exception as problem:  # noqa: BLE001 - nothing may keep the board from going on
        print("boot: motor pins are not all at rest:", problem)
