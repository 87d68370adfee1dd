"""Risk against coverage, and what was said against what was right, as one small picture."""

from __future__ import annotations

from pathlib import Path
from typing import Any

SIDE, LEFT, TOP, GAP = 240, 56, 44, 84
INK, QUIET, RULE, BLUE = "#1f2a33", "#4a555e", "#d8d2c4", "#27506e"
FONT = "system-ui, sans-serif"
RISK_TOP = 0.3  # of the axis; worse is drawn at its edge
TARGET_RISK, TARGET_COVERAGE = 0.01, 0.85


def draw_curves(result: dict[str, Any], target: Path) -> None:
    """Write an SVG of a trim exam's result tables."""
    risk = [(row["answered"], row["wrong"]) for row in result["gold against platinum"]["risk and coverage"]]
    said = [(row["said"], row["right"]) for row in result["calibration"].get("reliability", [])]
    width, height = 2 * (LEFT + SIDE) + GAP, TOP + SIDE + 60
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" '
        f'height="{height}" role="img" font-family="{FONT}"><title>Risk and reliability</title>',
        f"<desc>Wrong metal among answered at each coverage: {_list(risk)}. Chance said and share right, "
        f"bin by bin: {_list(said)}.</desc>",
        f'<rect width="{width}" height="{height}" fill="#fbfaf6"/>',
    ]
    parts += _axes(LEFT, "Wrong metal if the surest share is answered", "answered", RISK_TOP)
    parts += _plot(LEFT, risk, RISK_TOP)
    x, y = _at(LEFT, (TARGET_COVERAGE, TARGET_RISK), RISK_TOP)
    parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="6" fill="none" stroke="{INK}" stroke-width="2"/>')
    parts.append(_text(x - 10, y - 10, "target", "end"))
    right = LEFT + SIDE + GAP
    parts += _axes(right, "Said and right, gold, platinum or no metal", "said", 1.0)
    (x0, y0), (x1, y1) = _at(right, (0, 0), 1.0), _at(right, (1, 1), 1.0)
    parts.append(f'<path d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}" stroke="{QUIET}" stroke-dasharray="4 3"/>')
    parts += _plot(right, said, 1.0)
    target.write_text("\n".join([*parts, "</svg>", ""]), encoding="utf-8")


def _at(left: float, place: tuple[float, float], top: float) -> tuple[float, float]:
    return left + place[0] * SIDE, TOP + (1 - min(place[1] / top, 1.0)) * SIDE


def _axes(left: float, heading: str, along: str, top: float) -> list[str]:
    parts = [_text(left, TOP - 14, heading, "start", True)]
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        x, y = _at(left, (share, share * top), top)
        parts.append(f'<path d="M{x:.1f} {TOP}V{TOP + SIDE}M{left} {y:.1f}H{left + SIDE}" stroke="{RULE}"/>')
        parts.append(_text(x, TOP + SIDE + 18, f"{share:g}", "middle"))
        parts.append(_text(left - 6, y + 4, f"{share * top:.3g}", "end"))
    return [*parts, _text(left + SIDE, TOP + SIDE + 38, along, "end")]


def _plot(left: float, places: list[tuple[float, float]], top: float) -> list[str]:
    at = [_at(left, place, top) for place in places]
    if not at:
        return []
    path = "L".join(f"{x:.1f} {y:.1f}" for x, y in at)
    dots = [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.5" fill="{BLUE}"/>' for x, y in at]
    return [f'<path d="M{path}" fill="none" stroke="{BLUE}" stroke-width="2"/>', *dots]


def _text(x: float, y: float, words: str, anchor: str, bold: bool = False) -> str:
    weight = ' font-weight="600"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{INK}" font-size="12"{weight}>'
        f"{words}</text>"
    )


def _list(places: list[tuple[float, float]]) -> str:
    return ", ".join(f"{x:.2f} {y:.3f}" for x, y in places)
