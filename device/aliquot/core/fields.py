"""The one table of fields: both spellings of a set-up, its units, ranges and defaults.

The validator, the TOML and JSON spellings, the schema for editors, the reference and the forms of
the page are read from here; help texts live on the host. Nothing here checks or changes a value.
The table is one text, so that a board keeps none of its names once the module has been dropped.

A section line is `[path] shape least most`: `=` an object that is always there, `!` one that must
be written, `?` one or null, `*` a list of objects, `*?` such a list or null, with the least and
the most objects. A field line is `key toml_key unit least most default`, least and most in the
stored unit: `!` must be written, `?` null when not written, `~` left out when not written, `*`
worked out from other fields, `""` empty; of a `word` the last column lists the choices, the
default first. Units, stored (written): int; ml microlitres (mL, 3 decimals); l millilitres
(litres, 3 decimals); micro millionths (6 decimals); min seconds in steps of 6 (minutes); h
seconds in steps of 60 (hours or "HH:MM"); time second of the day ("HH:MM"); date days from
2000-01-01 (a date); weekdays bits from Monday (list of names); yes 0 or 1 (boolean); text and id,
lengths in characters; ids a list.
"""

FORMAT = "aliquot-setup"
VERSION = 1
STEP_S = {"min": 6, "h": 60}
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

TABLE: str = """
[] = 1 1
format format word 0 0 aliquot-setup
version version int 1 1 1
timezone timezone text 1 40 !
tz tz text 1 80 *
board board id 0 32 ""
[tank] ? 0 1
volume_ml volume_l l 1 100000000 !
[tank.water] * 0 12
name name text 1 24 !
unit unit text 1 16 !
start_micro start micro 0 10000000000 !
use_micro use_per_day micro 0 10000000000 !
[channel] * 1 8
id id id 1 16 !
label label text 0 40 ""
liquid liquid text 0 40 ""
daily_ul daily_ml ml 0 2000000 !
doses doses int 1 144 24
from_s from time 0 86399 0
span_s span_h h 60 86400 86400
weekdays weekdays weekdays 1 127 127
every_days every_days int 1 366 1
start_date start_date date 0 36524 ?
cap_ul cap_ml ml 1 4000000 !
dose_least_ul dose_least_ml ml 1 100000 100
dose_most_ul dose_most_ml ml 1 500000 !
run_most_s run_most_s int 1 900 *
grace_s grace_min min 120 43200 *
[channel.ramp] ? 0 1
from_ul from_ml ml 0 2000000 !
start_date start_date date 0 36524 !
days days int 1 366 !
[channel.at] *? 1 144
time_s time time 0 86399 !
ul ml ml 1 500000 ~
share share int 1 10000 ~
[channel.calibration] ! 1 1
counts counts int 1 10000000 !
ul ml ml 1 10000000 !
offset offset int 0 60000 0
[channel.pump] = 1 1
output output int 1 16 *
kind kind word 0 0 stepper|timed
speed_cps speed_cps int 1 50000 *
microsteps microsteps int 1 256 16
reverse reverse yes 0 1 0
[channel.reservoir] ? 0 1
size_ul size_ml ml 1 100000000 !
dead_ul dead_ml ml 0 100000000 0
low_pct low_pct int 0 99 10
left_ul left_ml ml 0 100000000 *
[channel.catch_up] = 1 1
raise_pct raise_pct int 0 100 25
max_age_s max_age_h h 0 604800 86400
max_ul max_ml ml 0 2000000 *
[channel.remind] = 1 1
calibration_days calibration_days int 0 3650 90
calibration_ul calibration_ml ml 0 1000000000 0
tubing_days tubing_days int 0 3650 365
tubing_ul tubing_ml ml 0 1000000000 0
[channel.strength] ? 0 1
water water text 1 24 !
ul ml ml 1 1000000 !
tank_ml litres l 1 100000000 !
raises_micro raises micro 1 10000000000 !
[separate] * 0 28
channels channels ids 2 2 !
seconds minutes min 60 21600 !
[group] * 0 4
channels channels ids 2 8 !
cap_ul cap_ml ml 1 32000000 !
[clock] = 1 1
carry_on_s carry_on_h h 0 604800 0
"""


def _lines(path: str) -> list[str]:
    start = TABLE.index("\n[%s] " % path) + 1
    end = TABLE.find("\n[", start)
    return TABLE[start : end if end > 0 else len(TABLE) - 1].split("\n")


def section(path: str) -> tuple[str, int, int]:
    """Return (shape, least, most) of the section at `path`; ValueError when there is none."""
    head = _lines(path)[0].split(" ")
    return head[1], int(head[2]), int(head[3])


def rows(path: str) -> list[tuple[str, str, str, int, int, str]]:
    """Return (key, toml_key, unit, least, most, default) of every field of a section, in order."""
    found: list[tuple[str, str, str, int, int, str]] = []
    for line in _lines(path)[1:]:
        key, toml, unit, least, most, default = line.split(" ")
        found.append((key, toml, unit, int(least), int(most), default))
    return found


def children(path: str) -> list[str]:
    """Return the names of the sections directly inside `path`, in order."""
    found: list[str] = []
    start = "\n[" + path + ("." if path else "")
    at = TABLE.find(start)
    while at >= 0:
        name = TABLE[at + len(start) : TABLE.find("]", at)]
        if name and "." not in name:
            found.append(name)
        at = TABLE.find(start, at + 1)
    return found


def choices(default: str) -> list[str]:
    """Return the words that a `word` field may hold; the first of them is its default."""
    return default.split("|")


def plain(unit: str, default: str) -> object:
    """Return the stored default of a field that has a fixed one (not `!`, `*` or `~`)."""
    if default == "?":
        return None
    if default == '""':
        return ""
    return choices(default)[0] if unit == "word" else int(default)
