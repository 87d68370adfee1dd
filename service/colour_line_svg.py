"""The colour line of a trim as a picture: blue and red over green, as photographed and after balance.

A metal multiplies what it mirrors by its own colour: seen from the light's point, gold lies in one direction
and platinum, much nearer, in another. Both are drawn where white surroundings would put them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.register import svg

Facts = dict[str, Any]
Place = tuple[float, float]  # ln of blue over green, ln of red over green

WIDTH, PLOT_WIDTH, PLOT_HEIGHT, LEFT = 360, 306, 196, 44
PANEL_STEP, FIRST_TOP, LEGEND_HEIGHT = 266, 62, 96
TICKS = (0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 1.4, 2.0, 3.0, 5.0, 8.0, 12.0)
ROOM_SHARE = 0.1  # of the span, left at each side for marks and names
GLAZE_BLUE = "#27506e"
LEAST_SPAN = (1.0, 0.65)  # so that noise of an even photo does not fill the picture


@dataclass(frozen=True)
class _Frame:
    """Maps ln ratios to the page; what lies outside is drawn at its edge."""

    low: Place
    high: Place
    top: float

    def at(self, place: Place) -> tuple[float, float]:
        """x, y on the page."""
        x, y = (
            min(max((value - low) / (high - low), 0.0), 1.0)
            for value, low, high in zip(place, self.low, self.high, strict=True)
        )
        return round(LEFT + x * PLOT_WIDTH, 1), round(self.top + (1 - y) * PLOT_HEIGHT, 1)

    def holds(self, place: Place) -> bool:
        """Whether it lies inside."""
        return all(low <= value <= high for value, low, high in zip(place, self.low, self.high, strict=True))


@dataclass(frozen=True)
class _Panel:
    """What one of the two plots shows, in ln ratios."""

    heading: str
    light: Place
    trim: Sequence[Place]
    glaze: Sequence[Place]
    ring: Sequence[Place]


def draw_colour_line(facts: Facts) -> str:
    """The SVG of a reading that has a light and a colour line."""
    panels = _list_panels(facts)
    low, high = _find_limits(panels)
    height = FIRST_TOP + PANEL_STEP * len(panels) + LEGEND_HEIGHT
    title = "Colours of trim, glaze and light"
    page = svg.SvgPage("colour-line", title, _describe(facts, panels[1]), WIDTH, height)
    page.text(16, 26, title, size=16, bold=True)
    for number, panel in enumerate(panels):
        frame = _Frame(low, high, FIRST_TOP + number * PANEL_STEP)
        page.text(LEFT, frame.top - 8, panel.heading, bold=True)
        _draw_axes(page, frame)
        _draw_points(page, frame, panel)
        _draw_expected(page, frame, panel.light)
    _draw_legend(page, FIRST_TOP + PANEL_STEP * len(panels) - 8)
    return page.write()


def _list_panels(facts: Facts) -> list[_Panel]:
    points = facts["trim"]["colour_line"]["points"]
    trim = [_place(point["trim_red"], point["trim_blue"]) for point in points]
    glaze = [_place(point["glaze_red"], point["glaze_blue"]) for point in points]
    red, _, blue = facts["light"]["white_rgb"]
    light, neutral = _place(red, blue), (0.0, 0.0)
    ring = _ring_of(facts["light"]["uncertainty_deg"])
    return [
        _Panel("As photographed", light, trim, glaze, [_move(place, light) for place in ring]),
        _Panel(
            "Balanced for the light",
            neutral,
            [_move(place, light, -1) for place in trim],
            [_move(place, light, -1) for place in glaze],
            ring,
        ),
    ]


def _place(red: float, blue: float) -> Place:
    return math.log(max(blue, 1e-3)), math.log(max(red, 1e-3))


def _move(place: Place, by: Place, sign: int = 1) -> Place:
    return place[0] + sign * by[0], place[1] + sign * by[1]


def _expected() -> dict[str, Place]:
    """Where white surroundings would put the metals, from neutral light."""
    from model.colour import GOLD_LINEAR_RGB, PLATINUM_LINEAR_RGB

    metals = {"gold": GOLD_LINEAR_RGB, "platinum": PLATINUM_LINEAR_RGB}
    return {name: _place(float(rgb[0] / rgb[1]), float(rgb[2] / rgb[1])) for name, rgb in metals.items()}


def _ring_of(uncertainty_deg: float) -> list[Place]:
    """Whites so many degrees from neutral, in linear RGB."""
    import numpy as np

    from model.colour import angle_deg

    distance = np.linspace(0.005, 1.2, 240)
    ring = []
    for turn in np.linspace(0, 2 * np.pi, 36, endpoint=False):
        blue, red = np.cos(turn) * distance, np.sin(turn) * distance
        whites = np.exp(np.stack([red, np.zeros_like(red), blue], axis=-1))
        reached = distance[np.argmin(np.abs(angle_deg(whites, np.ones(3)) - uncertainty_deg))]
        ring.append((float(np.cos(turn) * reached), float(np.sin(turn) * reached)))
    return ring


def _find_limits(panels: Sequence[_Panel]) -> tuple[Place, Place]:
    """The same frame for both plots; the farthest twentieth of the points does not set it."""
    places: list[Place] = []
    for panel in panels:
        places += [panel.light, *(_move(place, panel.light) for place in _expected().values())]
        places += [*panel.ring, *_without_farthest(panel.trim), *_without_farthest(panel.glaze)]
    low, high = [], []
    for axis, least in zip((0, 1), LEAST_SPAN, strict=True):
        values = [place[axis] for place in places]
        middle = (min(values) + max(values)) / 2
        half = max((max(values) - min(values)) * (0.5 + ROOM_SHARE), least / 2)
        low.append(middle - half)
        high.append(middle + half)
    return (low[0], low[1]), (high[0], high[1])


def _without_farthest(places: Sequence[Place]) -> list[Place]:
    drop = len(places) // 20
    kept = list(places)
    for axis in (0, 1):
        order = sorted(kept, key=lambda place: place[axis])
        kept = order[drop : len(order) - drop] if len(order) > 2 * drop else order
    return kept


def _draw_axes(page: svg.SvgPage, frame: _Frame) -> None:
    page.rect(LEFT, frame.top, PLOT_WIDTH, PLOT_HEIGHT, "#ffffff", stroke=svg.QUIET)
    bottom = frame.top + PLOT_HEIGHT
    last = -100.0
    for tick in TICKS:
        value = math.log(tick)
        if frame.low[0] <= value <= frame.high[0]:
            x, _ = frame.at((value, frame.low[1]))
            page.line(x, frame.top, x, bottom)
            if x - last >= 30:
                page.text(x, bottom + 15, f"{tick:g}", "middle", svg.QUIET, 12)
                last = x
        if frame.low[1] <= value <= frame.high[1]:
            _, y = frame.at((frame.low[0], value))
            page.line(LEFT, y, LEFT + PLOT_WIDTH, y)
            page.text(LEFT - 5, y + 4, f"{tick:g}", "end", svg.QUIET, 12)
    page.text(LEFT + PLOT_WIDTH, bottom + 31, "blue ÷ green →", "end", svg.INK, 12)
    page.text(LEFT, bottom + 31, "↑ red ÷ green", "start", svg.INK, 12)


def _draw_expected(page: svg.SvgPage, frame: _Frame, light: Place) -> None:
    """From the light's point to where each metal would lie."""
    x0, y0 = frame.at(light)
    for name, place in _expected().items():
        colour = svg.GOLD if name == "gold" else svg.PLATINUM
        x, y = frame.at(_move(place, light))
        page.line(x0, y0, x, y, colour, 2.5)
        page.parts.append(
            f'<circle cx="{x:g}" cy="{y:g}" r="7" fill="none" stroke="{colour}" stroke-width="2.5"/>'
        )
        beside = (x, y - 12, "middle") if name == "gold" else (x - 10, y + 18, "end")
        page.parts.append(
            f'<text x="{beside[0]:g}" y="{beside[1]:g}" text-anchor="{beside[2]}" fill="{colour}" '
            'font-size="13" font-weight="600" stroke="#ffffff" stroke-width="4" paint-order="stroke">'
            f"{name}</text>"
        )


def _draw_points(page: svg.SvgPage, frame: _Frame, panel: _Panel) -> None:
    ring = " ".join("{:g},{:g}".format(*frame.at(place)) for place in panel.ring)
    page.parts.append(
        f'<polygon points="{ring}" fill="none" stroke="{svg.QUIET}" stroke-width="1.5" '
        'stroke-dasharray="4 3"/>'
    )
    for place in panel.glaze:
        page.parts.append(_square(*frame.at(place)))
    for place in panel.trim:
        page.parts.append(_dot(*frame.at(place), frame.holds(place)))
    page.parts.append(_cross(*frame.at(panel.light)))


def _square(x: float, y: float) -> str:
    return (
        f'<rect x="{x - 3:g}" y="{y - 3:g}" width="6" height="6" fill="none" '
        f'stroke="{GLAZE_BLUE}" stroke-width="1.5"/>'
    )


def _dot(x: float, y: float, inside: bool = True) -> str:
    """Filled; hollow at the edge of the plot where it lies beyond."""
    fill = svg.INK if inside else "#ffffff"
    return f'<circle cx="{x:g}" cy="{y:g}" r="3.2" fill="{fill}" stroke="{svg.INK}" stroke-width="1"/>'


def _cross(x: float, y: float) -> str:
    return (
        f'<path d="M{x - 7:g} {y:g}H{x + 7:g}M{x:g} {y - 7:g}V{y + 7:g}" stroke="#a02c1c" '
        'stroke-width="3" fill="none"/>'
    )


def _draw_legend(page: svg.SvgPage, top: float) -> None:
    rows = (
        (_dot(24, top + 4), "trim, each 10 degrees of the rim"),
        (_square(24, top + 25), "glaze beside it"),
        (_cross(24, top + 46), "the light; dashed: how surely it is known"),
        (
            f'<circle cx="24" cy="{top + 67:g}" r="6" fill="none" stroke="{svg.GOLD}" stroke-width="2.5"/>',
            "gold, platinum: mirroring white things",
        ),
    )
    for number, (mark, words) in enumerate(rows):
        page.parts.append(mark)
        page.text(42, top + 8 + 21 * number, words, size=13)


def _describe(facts: Facts, balanced: _Panel) -> str:
    """What the picture says, in words."""
    middle = tuple(sorted(place[axis] for place in balanced.trim)[len(balanced.trim) // 2] for axis in (0, 1))
    expected = _expected()
    gold, platinum = (math.dist(middle, expected[name]) for name in ("gold", "platinum"))
    nearer = "gold" if gold < platinum else "platinum"
    blue, red = math.exp(middle[0]), math.exp(middle[1])
    light = facts["light"]
    return (
        f"Red and blue over green, on two plots: as photographed, and balanced for the light, which is known "
        f"within {light['uncertainty_deg']:.0f} degrees. {len(balanced.trim)} places round the rim. "
        f"Balanced, the middle of the trim lies at blue {blue:.2f} and red {red:.2f} times green, nearer to "
        f"{nearer}. Mirroring white things gold would lie at blue {math.exp(expected['gold'][0]):.2f}, red "
        f"{math.exp(expected['gold'][1]):.2f}; platinum at blue {math.exp(expected['platinum'][0]):.2f}, red "
        f"{math.exp(expected['platinum'][1]):.2f}."
    )
