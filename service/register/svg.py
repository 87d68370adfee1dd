"""A small SVG page: plain shapes and text, every text escaped, no script, nothing loaded."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Literal

# Ink on porcelain, with glaze blue, old gold and grey metal: our own quiet palette. Every text colour here
# has a contrast of at least 4.5 to 1 on every pale fill (WCAG 2.2, success criterion 1.4.3).
PAPER = "#fbfaf6"
INK = "#1f2a33"
QUIET = "#4a555e"
RULE = "#d8d2c4"
GOLD, GOLD_PALE = "#8a6a1c", "#f3e6c2"
PLATINUM, PLATINUM_PALE = "#4f6472", "#dfe6ea"
PLAIN, PLAIN_PALE = "#7a6f66", "#ece7e1"
FONT = "system-ui, sans-serif"
# XML 1.0 has no place for these, escaped or not.
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
Anchor = Literal["start", "middle", "end"]


def escape_text(text: str) -> str:
    """The text for XML or HTML, in content or in quoted attributes; what neither can hold is dropped."""
    return escape(_NOT_XML.sub("", text))


def shorten(text: str, most: int) -> str:
    """The text, or its beginning and three dots."""
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


@dataclass
class SvgPage:
    """Shapes in order, on a page with a title and a description for those who cannot see it."""

    name: str  # begins the ids, so that several pictures fit on one page
    title: str
    description: str
    width: float
    height: float
    parts: list[str] = field(default_factory=list)

    def rect(
        self, x: float, y: float, width: float, height: float, fill: str, hint: str = "", stroke: str = "none"
    ) -> None:
        """A filled box; the hint shows when pointed at."""
        inside = f"<title>{escape_text(hint)}</title>" if hint else ""
        self.parts.append(
            f'<rect x="{x:g}" y="{y:g}" width="{max(width, 0):g}" height="{height:g}" fill="{fill}" '
            f'stroke="{stroke}">{inside}</rect>'
        )

    def line(self, x0: float, y0: float, x1: float, y1: float, stroke: str = RULE, width: float = 1) -> None:
        """A straight line."""
        self.parts.append(
            f'<line x1="{x0:g}" y1="{y0:g}" x2="{x1:g}" y2="{y1:g}" '
            f'stroke="{stroke}" stroke-width="{width:g}"/>'
        )

    def text(
        self,
        x: float,
        y: float,
        text: str,
        anchor: Anchor = "start",
        fill: str = INK,
        size: float = 13,
        bold: bool = False,
        hint: str = "",
    ) -> None:
        """Text with its baseline at ``y``."""
        inside = f"<title>{escape_text(hint)}</title>" if hint else ""
        weight = ' font-weight="600"' if bold else ""
        self.parts.append(
            f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" fill="{fill}" font-size="{size:g}"{weight}>'
            f"{escape_text(text)}{inside}</text>"
        )

    def write(self) -> str:
        """The whole picture."""
        name = re.sub(r"[^a-z0-9-]", "-", self.name.lower())
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width:g}" height="{self.height:g}" '
            f'viewBox="0 0 {self.width:g} {self.height:g}" role="img" font-family="{FONT}" '
            f'aria-labelledby="{name}-title {name}-description">'
            f'<title id="{name}-title">{escape_text(self.title)}</title>'
            f'<desc id="{name}-description">{escape_text(self.description)}</desc>'
            f'<rect x="0" y="0" width="{self.width:g}" height="{self.height:g}" fill="{PAPER}"/>'
        )
        return head + "\n".join(self.parts) + "</svg>\n"


def write_html_table(rows: Sequence[Sequence[str]], caption: str) -> str:
    """A table in HTML: the first row and the first column are headings."""
    head, *body = [[escape_text(cell) for cell in row] for row in rows]
    top = "".join(f'<th scope="col">{cell}</th>' for cell in head)
    lines = "".join(
        f'<tr><th scope="row">{row[0]}</th>' + "".join(f"<td>{cell}</td>" for cell in row[1:]) + "</tr>"
        for row in body
    )
    return (
        f"<table><caption>{escape_text(caption)}</caption><thead><tr>{top}</tr></thead>"
        f"<tbody>{lines}</tbody></table>"
    )
