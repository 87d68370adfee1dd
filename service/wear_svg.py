"""Wear as a dial: how much of the stamped metal is left at each clock position of the rim."""

from __future__ import annotations

import math
from typing import Any

from service import view
from service.register import svg

Facts = dict[str, Any]
WIDTH, HEIGHT, CENTRE_X, CENTRE_Y = 360, 400, 180.0, 196.0
INNER, OUTER, HOURS = 70.0, 128.0, 148.0
METAL_TINTS = {"gold": svg.GOLD, "platinum": svg.PLATINUM}
GAP_DEG = 1.0  # left bare between sectors


def draw_wear(facts: Facts) -> str:
    """The SVG of a reading whose sectors were measured: the fuller a sector, the more metal is left."""
    trim = facts["trim"]
    sectors, remaining = trim["sectors"], trim["remaining_share"]
    title = "Metal left round the rim"
    page = svg.SvgPage("wear", title, describe_wear(remaining, sectors), WIDTH, HEIGHT)
    page.text(16, 26, title, size=16, bold=True)
    tint = METAL_TINTS.get(trim["metal"] or "", svg.INK)
    for sector in sectors:
        _draw_sector(page, sector, tint)
    for radius in (INNER, OUTER):
        page.parts.append(
            f'<circle cx="{CENTRE_X:g}" cy="{CENTRE_Y:g}" r="{radius:g}" fill="none" '
            f'stroke="{svg.QUIET}" stroke-width="1.5"/>'
        )
    for hour in range(12):
        x, y = _point(30.0 * hour, HOURS)
        page.text(x, y + 5, str(hour or 12), "middle", svg.INK if hour % 3 == 0 else svg.QUIET, 14)
    if remaining is not None:
        page.text(CENTRE_X, CENTRE_Y + 4, view.percent(remaining), "middle", size=30, bold=True)
        page.text(CENTRE_X, CENTRE_Y + 26, "of it is left", "middle", svg.QUIET, 13)
    _draw_legend(page, tint)
    return page.write()


def _draw_sector(page: svg.SvgPage, sector: Facts, tint: str) -> None:
    first, last = sector["from_deg"] + GAP_DEG / 2, sector["to_deg"] - GAP_DEG / 2
    share = sector["remaining_share"]
    if share is None:
        page.parts.append(_arc(first, last, INNER, OUTER, "#ffffff", "", dashed=True))
        return
    said = f"{view.say_place((first + last) / 2)}: {view.percent(share)} left"
    page.parts.append(_arc(first, last, INNER, OUTER, svg.PLAIN_PALE, said))
    if share > 0:
        page.parts.append(_arc(first, last, INNER, INNER + share * (OUTER - INNER), tint, said))


def _arc(
    first_deg: float, last_deg: float, inner: float, outer: float, fill: str, hint: str, dashed: bool = False
) -> str:
    """A piece of a ring between two angles (clockwise, 0 at the top)."""
    corners = [
        _point(first_deg, inner),
        _point(first_deg, outer),
        _point(last_deg, outer),
        _point(last_deg, inner),
    ]
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = corners
    shape = (
        f"M{ax:.1f} {ay:.1f}L{bx:.1f} {by:.1f}A{outer:.1f} {outer:.1f} 0 0 1 {cx:.1f} {cy:.1f}"
        f"L{dx:.1f} {dy:.1f}A{inner:.1f} {inner:.1f} 0 0 0 {ax:.1f} {ay:.1f}Z"
    )
    line = f' stroke="{svg.QUIET}" stroke-dasharray="3 3"' if dashed else ""
    inside = f"<title>{svg.escape_text(hint)}</title>" if hint else ""
    return f'<path d="{shape}" fill="{fill}"{line}>{inside}</path>'


def _point(angle_deg: float, radius: float) -> tuple[float, float]:
    turn = math.radians(angle_deg)
    return CENTRE_X + radius * math.sin(turn), CENTRE_Y - radius * math.cos(turn)


def _draw_legend(page: svg.SvgPage, tint: str) -> None:
    page.rect(24, 366, 14, 14, tint)
    page.text(44, 378, "metal left")
    page.rect(136, 366, 14, 14, svg.PLAIN_PALE, stroke=svg.QUIET)
    page.text(156, 378, "worn away")
    page.parts.append(
        f'<rect x="250" y="366" width="14" height="14" fill="#ffffff" stroke="{svg.QUIET}" '
        'stroke-dasharray="3 3"/>'
    )
    page.text(270, 378, "not seen")


def describe_wear(remaining: float | None, sectors: list[Facts]) -> str:
    """The dial in words: the whole, then each quarter of the clock."""
    quarters = []
    for name, first in (("12 to 3", 0), ("3 to 6", 90), ("6 to 9", 180), ("9 to 12", 270)):
        told = [
            s["remaining_share"]
            for s in sectors
            if first <= s["from_deg"] < first + 90 and s["remaining_share"] is not None
        ]
        said = view.percent(sum(told) / len(told)) if told else "not seen"
        quarters.append(f"{name} o'clock {said}")
    return f"{view.say_wear(remaining, sectors)} By quarters: {', '.join(quarters)}."
