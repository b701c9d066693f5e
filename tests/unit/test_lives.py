"""The scheduler on its real store, as hypothesis drives it; rules and laws stand in lives.py."""

from hypothesis import settings

from lives import BOUNDED, Life

TestLife = Life.TestCase
# The profile of conftest.py counts for what is not set: in CI always the same lives.
TestLife.settings = settings(BOUNDED)
