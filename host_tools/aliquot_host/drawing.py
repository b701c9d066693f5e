"""A small SVG pen: boxes, lines with hops, resistors, switches and wrapped text, in black alone.

It knows signs, not what they stand for; `wiring.py` draws with it. Nothing here needs colour to be
told apart: kinds of line differ in width and dashes, and everything bears a word.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from xml.etree import ElementTree as ET

SVG = "http://www.w3.org/2000/svg"
FONT = "Helvetica, Arial, 'DejaVu Sans', sans-serif"
SIZE = 16
SMALL = 14
# A letter is about this much of its size wide, on average and rather too much (Helvetica).
LETTER = 0.5
HOP = 5
# The page's width is that of a sheet of A4 (ISO 216); no part is cut where it is printed on some.
SHEET_MM = (210, 297)
MARGIN = 30

INK = "#000"
PAPER = "#fff"
SHADE = "#eee"
# Widths and dashes of the kinds of line.
SIGNAL = {"stroke-width": "1.6"}
POWER = {"stroke-width": "4"}
GROUND = {"stroke-width": "4", "stroke-dasharray": "10 4"}
OPTIONAL = {"stroke-width": "1.6", "stroke-dasharray": "5 4"}
TUBE = {"stroke-width": "6", "stroke-linecap": "round"}

Style = dict[str, str]


class Pen:
    """Draws on a page of a given width; the height is told at the end."""

    def __init__(self, width: int, title: str, description: str) -> None:
        self.width = width
        self.root = ET.Element("svg", {"xmlns": SVG, "role": "img", "font-family": FONT})
        ET.SubElement(self.root, "title").text = title
        ET.SubElement(self.root, "desc").text = description
        self.paper = self._put("rect", {"x": "0", "y": "0", "fill": PAPER})
        self._later: list[tuple[float, float, str]] = []

    def finish(self, height: int) -> bytes:
        """The file: UTF-8, the same bytes for the same drawing."""
        for x, y, words in self._later:
            self.text(x, y, words, size=SMALL, at="end")
        for name, value in (("width", self.width), ("height", height)):
            self.root.set(name, f"{value * SHEET_MM[0] / self.width:g}mm")
            self.paper.set(name, str(value))
        self.root.set("viewBox", f"0 0 {self.width} {height}")
        ET.indent(self.root)
        return ET.tostring(self.root, encoding="utf-8", xml_declaration=True) + b"\n"

    def fit(self, y: float, height: float) -> float:
        """Where something of a height may begin, at y or at the top of the next sheet."""
        sheet = self.width * SHEET_MM[1] / SHEET_MM[0]
        past = y % sheet
        if past < MARGIN:
            return y - past + MARGIN
        return y if past + height <= sheet - MARGIN else y - past + sheet + MARGIN

    def _put(self, tag: str, attributes: Style) -> ET.Element:
        return ET.SubElement(self.root, tag, attributes)

    def text(
        self, x: float, y: float, words: str, *, size: int = SIZE, at: str = "start", bold: int = 0
    ) -> None:
        """One line of text; `at` is start, middle or end; y is the base line."""
        style = {"x": f"{x:g}", "y": f"{y:g}", "font-size": str(size), "fill": INK}
        if at != "start":
            style["text-anchor"] = at
        if bold:
            style["font-weight"] = "bold"
        self._put("text", style).text = words

    def later(self, x: float, y: float, words: str) -> None:
        """A small word that ends at x, over whatever is drawn in the meantime."""
        self._later.append((x, y, words))

    def paragraph(
        self, x: float, y: float, words: str, width: float, *, size: int = SMALL, at: str = "start"
    ) -> float:
        """Wrapped text; gives the base line of the line after it."""
        for line in wrapped(words, width, size):
            self.text(x, y, line, size=size, at=at)
            y += size * 1.3
        return y

    def box(
        self, x: float, y: float, w: float, h: float, *, dashed: bool = False, fill: str = PAPER
    ) -> None:
        """A box; dashed for what is optional."""
        style = {"x": f"{x:g}", "y": f"{y:g}", "width": f"{w:g}", "height": f"{h:g}", "rx": "4"}
        style |= {"fill": fill, "stroke": INK, **(OPTIONAL if dashed else SIGNAL)}
        self._put("rect", style)

    def line(self, *points: tuple[float, float], style: Style = SIGNAL) -> None:
        """A line through points."""
        path = " ".join(f"{x:g},{y:g}" for x, y in points)
        base = {"points": path, "fill": "none", "stroke": INK}
        self._put("polyline", {**base, **style})

    def across(
        self, x1: float, x2: float, y: float, over: Sequence[float], *, style: Style = SIGNAL
    ) -> None:
        """A level line from left to right that hops over upright lines at the places `over`."""
        path = f"M{x1:g},{y:g}"
        for x in sorted(x for x in over if x1 + HOP < x < x2 - HOP):
            path += f" H{x - HOP:g} a{HOP},{HOP} 0 0 1 {2 * HOP},0"
        base = {"d": f"{path} H{x2:g}", "fill": "none", "stroke": INK}
        self._put("path", {**base, **style})

    def dot(self, x: float, y: float, r: float = 4) -> None:
        """Where lines are joined."""
        self._put("circle", {"cx": f"{x:g}", "cy": f"{y:g}", "r": f"{r:g}", "fill": INK})

    def circle(self, x: float, y: float, r: float, *, style: Style = SIGNAL) -> None:
        """An open circle."""
        place = {"cx": f"{x:g}", "cy": f"{y:g}", "r": f"{r:g}"}
        self._put("circle", {**place, "fill": PAPER, "stroke": INK, **style})

    def ground(self, x: float, y: float) -> None:
        """The sign for 0 V, hanging from a point."""
        for i, half in enumerate((11, 7, 3)):
            self.line((x - half, y + 4 * i), (x + half, y + 4 * i), style={"stroke-width": "2"})

    def resistor(self, x: float, y: float, words: str, *, length: float = 34) -> None:
        """An upright resistor from (x, y) down, its value to its right."""
        body = length - 12
        self.line((x, y), (x, y + 6))
        self.box(x - 5, y + 6, 10, body)
        self.line((x, y + 6 + body), (x, y + length))
        self.text(x + 10, y + 6 + body / 2 + 5, words, size=SMALL)

    def switch(self, x: float, y: float, *, dashed: bool = False) -> None:
        """A contact that is open, 44 wide, from (x, y) to the right."""
        style = OPTIONAL if dashed else SIGNAL
        self.line((x, y), (x + 10, y), style=style)
        self.line((x + 10, y), (x + 34, y - 13), style={"stroke-width": "2"})
        self.line((x + 34, y), (x + 44, y), style=style)
        self.dot(x + 10, y, 3)
        self.dot(x + 34, y, 3)

    def fuse(self, x: float, y: float) -> None:
        """A fuse in a level line, 60 wide."""
        self.box(x, y - 10, 60, 20)
        self.line((x, y), (x + 60, y))

    def diode(self, x: float, y: float) -> None:
        """An upright diode 24 high that lets current through upwards, below (x, y)."""
        self.line((x - 8, y), (x + 8, y), style={"stroke-width": "2"})
        path = f"M{x:g},{y:g} l-8,16 h16 z"
        self._put("path", {"d": path, "fill": PAPER, "stroke": INK, "stroke-width": "1.6"})
        self.line((x, y + 16), (x, y + 24))

    def pump(self, x: float, y: float, r: float = 25) -> None:
        """A peristaltic pump: a ring of tube and three rollers."""
        self.circle(x, y, r, style={"stroke-width": "2.4"})
        self.circle(x, y, r - 6, style={"stroke-width": "1.2"})
        for dx, dy in ((0, -1), (0.87, 0.5), (-0.87, 0.5)):
            self.dot(x + dx * (r - 11), y + dy * (r - 11), 4)

    def mark(self, x: float, y: float, number: int) -> None:
        """A caution's number in a triangle, its middle at (x, y)."""
        path = f"M{x:g},{y - 15:g} l15,26 h-30 z"
        self._put("path", {"d": path, "fill": PAPER, "stroke": INK, "stroke-width": "2.4"})
        self.text(x, y + 8, str(number), size=SMALL, at="middle", bold=1)


def wrapped(words: str, width: float, size: int) -> list[str]:
    """Words in lines that fit into a width."""
    return textwrap.wrap(words, max(8, int(width / (size * LETTER))))
