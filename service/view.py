"""What the reading page shows of a reading: words and shapes, no markup."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service import report
from service.view_answer import (
    choose_next_step,
    misses_likely,
    say_answer,
    say_briefly,
    say_why_motif,
    say_why_trim,
)
from service.view_difference import say_differences
from service.view_wear import draw_dial, list_hours, percent, say_place, say_wear, tabulate_wear

__all__ = ["percent", "reading", "recent", "say_place", "say_wear"]

Facts = dict[str, Any]
# Candidates below are folded away: on the demo's readings others than the right motif seldom reach it.
LEAST_SHOWN = 0.05
FRAME_ROOM = 0.08  # of the piece's size left around it
# Words of ``model.lines`` that have a swatch of their own in the stylesheet.
SWATCHES = frozenset(
    (
        "gold",
        "platinum",
        "red",
        "orange",
        "yellow",
        "ochre",
        "brown",
        "green",
        "turquoise",
        "blue",
        "purple",
        "pink",
        "black",
        "grey",
        "white",
    )
)


def recent(facts: Facts) -> Facts:
    """A reading in a list: id and a sentence."""
    return {
        "id": facts["id"],
        "said": say_briefly(facts),
        "answer": say_answer(facts),
        "why": say_why_motif(facts),
    }


def reading(
    facts: Facts, nearest: Mapping[str, Facts], others: Mapping[str, Facts], current: Facts | None
) -> Facts:
    """Everything the reading page shows.

    Parameters
    ----------
    nearest : the candidates' gallery items by id.
    others : the readings of those items by the items' id.
    current : the gallery item that this reading was confirmed as.
    """
    candidates = [
        _candidate(c, nearest.get(c["gallery_id"]), others.get(c["gallery_id"]), facts)
        for c in facts["candidates"]
    ]
    shown = [c for c in candidates if c["probability"] >= LEAST_SHOWN] or candidates[:1]
    return {
        "facts": facts,
        "same_piece": facts.get("same_piece"),
        "answer_said": say_answer(facts),
        "verdict": report.say_verdict(facts["trim"]),
        "why_motif": say_why_motif(facts),
        "why_trim": say_why_trim(facts["trim"]),
        "next_step": choose_next_step(facts),
        "candidates": shown,
        "unlikely": candidates[len(shown) :],
        "missing_likely": misses_likely(facts),
        "current": current or {},
        "size_said": report.say_size(facts["piece"]["size"]),
        "light_said": say_light(facts["light"]),
        "border_said": report.say_border(facts["border"]),
        "lines": list_lines(facts["lines"]),
        **_shapes(facts),
    }


def _shapes(facts: Facts) -> Facts:
    """Rim, strip and dial."""
    rim = facts["piece"]["rim"]
    curve = rim["curve"] if rim is not None else None
    first_deg = facts["strip_first_column_deg"]
    sectors = facts["trim"]["sectors"] or []
    remaining = facts["trim"]["remaining_share"]
    return {
        "frame": frame_piece(facts),
        "rim_points": " ".join(f"{x:.0f},{y:.0f}" for x, y in curve) if curve else "",
        "has_strip": first_deg is not None,
        "strip_start": say_place(first_deg) if first_deg is not None else "",
        "dial": draw_dial(sectors),
        "dial_hours": list_hours(),
        "dial_text": percent(remaining) if remaining is not None else "",
        "wear_rows": tabulate_wear(sectors),
        "wear_said": say_wear(remaining, sectors),
    }


def frame_piece(facts: Facts) -> str:
    """The part of the photo that shows the piece with a little room, as an SVG view box; else all of it."""
    width, height = facts["photo"]["width"], facts["photo"]["height"]
    rim = facts["piece"]["rim"]
    points = (facts["piece"]["outline"] or []) + ((rim["curve"] or []) if rim is not None else [])
    if not points:
        return f"0 0 {width} {height}"
    xs, ys = [x for x, _ in points], [y for _, y in points]
    room = FRAME_ROOM * max(max(xs) - min(xs), max(ys) - min(ys))
    x0, x1 = max(0.0, min(xs) - room), min(float(width), max(xs) + room)
    y0, y1 = max(0.0, min(ys) - room), min(float(height), max(ys) + room)
    return f"{x0:.0f} {y0:.0f} {max(1.0, x1 - x0):.0f} {max(1.0, y1 - y0):.0f}"


def list_lines(lines: list[Facts] | None) -> list[Facts] | None:
    """Edge and verge lines with the class of their swatch; None where nobody could look."""
    if lines is None:
        return None
    return [
        line
        | {
            "swatch": line["colour"] if line["colour"] in SWATCHES else "other",
            "width": f"{line['width_mm']:.1f}\u00a0mm" if line["width_mm"] is not None else "",
        }
        for line in lines
    ]


def say_light(light: Facts | None) -> str:
    """How well the light's colour is known and from what."""
    if light is None:
        return "could not be measured"
    evidence = ", ".join(light["evidence"]) or "no more than is usual"
    return f"white known within {light['uncertainty_deg']:.1f}°, from {evidence}"


def _candidate(candidate: Facts, item: Facts | None, other: Facts | None, facts: Facts) -> Facts:
    """A candidate with its gallery item, what differs, and what one tap would keep."""
    labels = suggest_labels(candidate, facts["trim"])
    shown = [item["variant"], item["metal"], item["state"], item["line"]] if item is not None else []
    differ, agree = (
        say_differences(facts, other, item) if item is not None and other is not None else ([], [])
    )
    return candidate | {
        "reading_id": item["reading_id"] if item is not None else None,
        "shown_as": ", ".join(word for word in shown if word) or "gallery",
        "labels": labels,
        "said": ", ".join(labels.values()),
        "differ": differ,
        "agree": agree,
    }


def suggest_labels(candidate: Facts, trim: Facts) -> dict[str, str]:
    """What one tap keeps: the candidate's motif and what the photo says of the metal."""
    labels = {"motif": candidate["motif"], "variant": candidate["variant"], "metal": trim["metal"]}
    labels["state"] = {"worn lustre": "worn", "gold": "sound", "platinum": "sound"}.get(trim["verdict"])
    return {name: value for name, value in labels.items() if value}
