"""What differs between a photo and a gallery photo, measured the same way in both, in words."""

from __future__ import annotations

from typing import Any

Facts = dict[str, Any]


def say_differences(facts: Facts, other: Facts, item: Facts) -> tuple[list[str], list[str]]:
    """What differs and what agrees; ``other`` is the reading of the gallery photo, ``item`` its labels.

    What one of the two does not know takes part in neither.
    """
    differ: list[str] = []
    agree: list[str] = []
    for named, ours, theirs, why in _pairs(facts, other, item):
        if ours is None or theirs is None:
            continue
        if ours == theirs:
            agree.append(f"{named}: {ours}")
        else:
            differ.append(f"{named}: yours {ours}, the gallery’s {theirs}." + (f" {why}" if why else ""))
    return differ, agree


def _pairs(facts: Facts, other: Facts, item: Facts) -> list[tuple[str, str | None, str | None, str]]:
    ours, theirs = facts["border"] or {}, other["border"] or {}
    return [
        ("Metal", _metal(facts["trim"]), item["metal"], "One motif is often used in both."),
        ("State", _state(facts["trim"]), item["state"], "Wear is no variant."),
        ("Layout", _layout(ours), _layout(theirs), ""),
        ("Repeats", _count(ours), _count(theirs), "Pieces of other sizes carry other counts."),
        ("Edge line", _line(facts, "edge"), _line(other, "edge"), ""),
        ("Verge line", _line(facts, "verge"), _line(other, "verge"), ""),
    ]


def _metal(trim: Facts) -> str | None:
    metal: str | None = trim["metal"]
    return "no metal" if trim["verdict"] == "no metal" else metal


def _state(trim: Facts) -> str | None:
    told = {"worn lustre": "worn", "gold": "sound", "platinum": "sound"}
    return told.get(trim["verdict"])


def _layout(border: Facts) -> str | None:
    layout: str | None = border.get("layout")
    return None if layout == "none" else layout


def _count(border: Facts) -> str | None:
    repeats = border.get("repeats")
    return None if repeats is None else str(repeats)


def _line(facts: Facts, place: str) -> str | None:
    """The line's colour; "none" only where it was looked for."""
    if facts["lines"] is None:
        return None
    colours = [line["colour"] for line in facts["lines"] if line["place"] == place]
    return colours[0] if colours else "none"
