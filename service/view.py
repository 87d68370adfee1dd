"""What the pages show of a reading: words and shapes, no markup."""

from __future__ import annotations

import math
from typing import Any

from service import report

Facts = dict[str, Any]
DIAL_OUTER, DIAL_INNER = 100.0, 62.0
LIKELY = 0.5  # more likely than not: the page then says so before it shows look-alikes
WEAR_STEPS = (0.2, 0.4, 0.6, 0.8)  # remaining shares at which the dial changes its tint


def percent(share: float) -> str:
    """A share as a percentage, never rounded up to certainty."""
    rounded = min(99, max(1, round(share * 100))) if 0 < share < 1 else round(share * 100)
    return f"{rounded}\u00a0%"  # the number never parts from its sign


def recent(facts: Facts) -> Facts:
    """A reading in a list: id and a few words."""
    best = facts["candidates"][0]["motif"] if facts["candidates"] else None
    verdict = facts["trim"]["verdict"]
    return {"id": facts["id"], "said": f"{best}, {verdict}" if best else verdict}


def reading(facts: Facts, nearest: dict[str, Facts], current: Facts | None) -> Facts:
    """Everything the reading page shows; ``nearest`` are the candidates' gallery items by id."""
    rim = facts["piece"]["rim"]
    curve = rim["curve"] if rim is not None else None
    first_deg = facts["strip_first_column_deg"]
    sectors = facts["trim"]["sectors"] or []
    remaining = facts["trim"]["remaining_share"]
    return {
        "facts": facts,
        "verdict": report.say_verdict(facts["trim"]),
        "rim_points": " ".join(f"{x:.0f},{y:.0f}" for x, y in curve) if curve else "",
        "has_strip": first_deg is not None,
        "strip_start": say_place(first_deg) if first_deg is not None else "",
        "candidates": [
            _candidate(c, nearest.get(c["gallery_id"]), facts["trim"]) for c in facts["candidates"]
        ],
        "missing_likely": (facts["not_in_gallery_probability"] or 0.0) >= LIKELY,
        "current": current or {},
        "dial": [_draw_arc(s) for s in sectors if s["to_deg"] - s["from_deg"] < 360],
        "dial_text": percent(remaining) if remaining is not None else "",
        "wear_said": say_wear(remaining, sectors),
        "lines_said": report.say_lines(facts["lines"]),
        "border_said": report.say_border(facts["border"]),
        "size_said": report.say_size(facts["piece"]["size"]),
        "light_said": say_light(facts["light"]),
    }


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


def say_light(light: Facts | None) -> str:
    """How well the light's colour is known and from what."""
    if light is None:
        return "could not be measured"
    evidence = ", ".join(light["evidence"]) or "no more than is usual"
    return f"white known within {light['uncertainty_deg']:.1f}°, from {evidence}"


def _candidate(candidate: Facts, item: Facts | None, trim: Facts) -> Facts:
    """A candidate with its gallery item and what one tap would keep."""
    labels = {"motif": candidate["motif"], "variant": candidate["variant"], "metal": trim["metal"]}
    labels["state"] = {"worn lustre": "worn", "gold": "sound", "platinum": "sound"}.get(trim["verdict"])
    labels = {name: value for name, value in labels.items() if value}
    shown = [item["variant"], item["metal"], item["state"]] if item is not None else []
    return candidate | {
        "reading_id": item["reading_id"] if item is not None else None,
        "shown_as": ", ".join(word for word in shown if word) or "gallery",
        "labels": labels,
        "said": ", ".join(labels.values()),
    }


def _draw_arc(sector: Facts) -> Facts:
    """One sector of the wear dial as an SVG path about the origin, 0 at the top, clockwise."""
    share = sector["remaining_share"]
    step = "x" if share is None else str(sum(share >= limit for limit in WEAR_STEPS))
    start, end = (math.radians(sector[name] - 90) for name in ("from_deg", "to_deg"))
    large = int(end - start > math.pi)

    def at(radius: float, angle: float) -> str:
        return f"{radius * math.cos(angle):.1f} {radius * math.sin(angle):.1f}"

    path = (
        f"M{at(DIAL_OUTER, start)}A{DIAL_OUTER} {DIAL_OUTER} 0 {large} 1 {at(DIAL_OUTER, end)}"
        f"L{at(DIAL_INNER, end)}A{DIAL_INNER} {DIAL_INNER} 0 {large} 0 {at(DIAL_INNER, start)}Z"
    )
    return {"path": path, "step": step}
