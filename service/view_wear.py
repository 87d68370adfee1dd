"""Wear round the rim: words, a dial, and the same as a table by clock position."""

from __future__ import annotations

import math
from typing import Any

Facts = dict[str, Any]
DIAL_OUTER, DIAL_INNER, DIAL_HOURS = 100.0, 62.0, 112.0
WEAR_STEPS = (0.2, 0.4, 0.6, 0.8)  # remaining shares at which the dial changes its tint
WEAR_WORDS = ("hardly any left", "little left", "about half left", "most left", "sound")


def percent(share: float) -> str:
    """A share as a percentage, never rounded up to certainty."""
    rounded = min(99, max(1, round(share * 100))) if 0 < share < 1 else round(share * 100)
    return f"{rounded}\u00a0%"  # the number never parts from its sign


def say_place(angle_deg: float) -> str:
    """A rim angle as a place on a clock face."""
    hour = round(angle_deg / 30) % 12
    return "the top of the rim" if hour == 0 else f"{hour} o'clock"


def say_wear(remaining: float | None, sectors: list[Facts]) -> str:
    """Remaining metal and where it is most worn."""
    if remaining is None:
        return "How much metal is left cannot be told."
    told = [s for s in sectors if s["remaining_share"] is not None]
    said = f"{percent(remaining)} of the metal in view remains"
    if len(told) > 1:
        worst = min(told, key=lambda s: s["remaining_share"])
        if worst["remaining_share"] < remaining - 0.1:
            said += f", least near {say_place((worst['from_deg'] + worst['to_deg']) / 2)}"
    return said + "."


def draw_dial(sectors: list[Facts]) -> list[Facts]:
    """Arcs of the dial; none where the whole rim was measured as one."""
    return [draw_arc(s) for s in sectors if s["to_deg"] - s["from_deg"] < 360]


def list_hours() -> list[Facts]:
    """The twelve numbers round the dial."""
    angles = [(hour or 12, math.radians(hour * 30 - 90)) for hour in range(12)]
    return [
        {
            "hour": hour,
            "x": f"{DIAL_HOURS * math.cos(angle):.0f}",
            "y": f"{DIAL_HOURS * math.sin(angle) + 5:.0f}",
        }
        for hour, angle in angles
    ]


def tabulate_wear(sectors: list[Facts]) -> list[Facts]:
    """A row for each clock position: 12 is the top of the rim; an hour not seen says so."""
    hours: dict[int, list[float]] = {}
    for sector in sectors:
        if sector["remaining_share"] is not None and sector["to_deg"] - sector["from_deg"] < 360:
            middle = (sector["from_deg"] + sector["to_deg"]) / 2
            hours.setdefault(round(middle / 30) % 12 or 12, []).append(sector["remaining_share"])
    if not hours:
        return []
    return [_row(hour, hours.get(hour, [])) for hour in (12, *range(1, 12))]


def _row(hour: int, shares: list[float]) -> Facts:
    if not shares:
        return {"hour": hour, "share": "not seen", "said": "–", "step": "x"}
    mean = sum(shares) / len(shares)
    step = _step(mean)
    return {"hour": hour, "share": percent(mean), "said": WEAR_WORDS[step], "step": str(step)}


def _step(share: float) -> int:
    return sum(share >= limit for limit in WEAR_STEPS)


def draw_arc(sector: Facts) -> Facts:
    """One sector of the dial as an SVG path about the origin, 0 at the top, clockwise."""
    share = sector["remaining_share"]
    start, end = (math.radians(sector[name] - 90) for name in ("from_deg", "to_deg"))
    large = int(end - start > math.pi)

    def at(radius: float, angle: float) -> str:
        return f"{radius * math.cos(angle):.1f} {radius * math.sin(angle):.1f}"

    path = (
        f"M{at(DIAL_OUTER, start)}A{DIAL_OUTER} {DIAL_OUTER} 0 {large} 1 {at(DIAL_OUTER, end)}"
        f"L{at(DIAL_INNER, end)}A{DIAL_INNER} {DIAL_INNER} 0 {large} 0 {at(DIAL_INNER, start)}Z"
    )
    return {"path": path, "step": "x" if share is None else str(_step(share))}
