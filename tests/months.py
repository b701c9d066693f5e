"""Made-up months of a tank whose truth is known: tests that err, doses, cuts, a water change.

Invented for the tests; the shapes are those that a keeper meets: 8 to 31 tests in a month, kits
with errors from 0.05 to 0.3 dKH, a pump that gives a percent more or less than its calibration.
"""

import dataclasses

import numpy as np

from aliquot_host.consuming import Dose, Settings, estimate
from aliquot_host.water_tests import Change, Reading

VOLUME_L = 260.0
DAYS = 30.0
CHANGE_D, CHANGE_L, FRESH = 15.3, 40.0, 7.0


@dataclasses.dataclass
class Month:
    """What a keeper has of it, and the true use."""

    readings: list
    doses: list
    changes: list
    use: float
    sigma: float

    def estimate(self, kit=None, **more):
        settings = Settings(kit_error=kit, volume_l=VOLUME_L, hour=lambda _: 19.0, **more)
        return estimate(
            "alkalinity", "dKH", self.readings, self.doses, self.changes, settings=settings
        )


def month(rng, *, n=None, sigma=None, bend=None, step=None, change=None, slow=0.0):
    """Draw a month.

    bend: (day, factor) by which the use changes; step: (day, by) of all later tests; change:
    whether there is a water change; slow: correlation of each test's error with the one before."""
    n = n or int(rng.choice([8, 11, 16, 31]))
    sigma = sigma or float(rng.choice([0.05, 0.15, 0.3]))
    at = np.linspace(0, DAYS, n)
    use = rng.uniform(0.2, 0.8)
    truth = 1 + rng.normal(0, 0.01)
    planned = use * rng.uniform(0.8, 1.1) / 4
    when = np.arange(0.01, DAYS, 0.25)
    cut = rng.random(len(when)) < 0.01
    given = np.where(cut, planned * rng.random(len(when)), planned) * truth
    doses = [
        Dose(float(t), 0.0 if short else planned, planned)
        for t, short in zip(when, cut, strict=True)
    ]
    changed = rng.random() < 1 / 3 if change is None else change
    changes = [Change(CHANGE_D, CHANGE_L, {"alkalinity": FRESH})] if changed else []

    def used(t):
        if bend is None:
            return use * t
        return use * min(t, bend[0]) + use * bend[1] * max(0.0, t - bend[0])

    def level(t):
        if not changed or t < CHANGE_D:
            return 12 - used(t) + given[when <= t].sum()
        before = 12 - used(CHANGE_D) + given[when < CHANGE_D].sum()
        mixed = before + (FRESH - before) * CHANGE_L / VOLUME_L
        late = given[(when >= CHANGE_D) & (when <= t)].sum()
        return mixed - used(t) + used(CHANGE_D) + late

    errors = rng.normal(0, sigma, n)
    for i in range(1, n):
        errors[i] = slow * errors[i - 1] + np.sqrt(1 - slow**2) * errors[i]
    readings = [
        Reading(float(t), level(t) + float(e) + (step[1] if step and t > step[0] else 0.0))
        for t, e in zip(at, errors, strict=True)
    ]
    return Month(readings, doses, changes, use * (bend[1] if bend else 1), sigma)
