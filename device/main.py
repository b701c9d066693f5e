"""Runs after boot.py: says what is on the board. It moves no pump.

The app, which wires pumps, clock and pages to the engine, is not written yet. Until it is, a board
with these files keeps its motor pins at rest (see boot.py) and doses nothing, and says so.
"""

import aliquot
import aliquot.core

print("Aliquot", aliquot.__version__, "is on this board:", aliquot.core.__name__)
print("The app is not part of this version: motor pins stay at rest, nothing is dosed.")
