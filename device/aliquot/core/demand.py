"""Forgetting modules that a board needs only now and then, so that their memory is free again."""

import sys


def forget(*names: str) -> None:
    """Drop modules by their full names; where memory is plenty they stay, for speed."""
    if sys.implementation.name == "micropython":
        for name in names:
            if sys.modules.pop(name, None):
                package, _, own = name.rpartition(".")
                delattr(sys.modules[package], own)
