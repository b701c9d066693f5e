"""Aliquot: so many millilitres a day into motor counts. It holds the version and no code."""

__version__ = "0.1.0"
