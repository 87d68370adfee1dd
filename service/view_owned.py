"""What the page "do I own this?" shows: the nearest pieces, and what a new record could take over."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.view import LEAST_SHOWN, suggest_labels
from service.view_answer import misses_likely, say_briefly
from service.view_wear import percent

Facts = dict[str, Any]
MOST_PICKS = 3  # motifs to confirm with one tap before the piece can be recorded
MOST_NEAR = 3  # shown open: the nearest, and what else carries its motif
NOTHING = "Nothing in your register looks like it."
WEAR_SCORES = ("none", "dulled", "thin spots", "breaks", "ghost only")


def owned(answer: Facts, facts: Facts, current: Mapping[str, Any] | None) -> Facts:
    """Everything of the page.

    Parameters
    ----------
    answer : what the register says, as ``/api/register/owned`` gives it.
    current : the gallery item that the reading was confirmed as; a piece needs that.
    """
    first = answer["candidates"][0]["motif_id"] if answer["candidates"] else None
    candidates = [
        _candidate(one) | {"is_near": place == 0 or (place < MOST_NEAR and one["motif_id"] == first)}
        for place, one in enumerate(answer["candidates"])
    ]
    return {
        "facts": facts,
        "reading_said": say_briefly(facts),
        "answer": answer["answer"],
        "owned_said": answer["said"] if candidates else NOTHING,
        "candidates": [one for one in candidates if one["is_near"]],
        "others": [one for one in candidates if not one["is_near"]],
        "recorded": next((one for one in candidates if one["same_photo"]), None),
        "current": current or {},
        "picks": _list_picks(facts),
        "suggestions": list_suggestions(answer["suggested"]),
    }


def _list_picks(facts: Facts) -> list[dict[str, str]]:
    """Labels to confirm with one tap; none where the motif is more likely outside the gallery."""
    if misses_likely(facts):
        return []
    likely = [c for c in facts["candidates"] if c["probability"] >= LEAST_SHOWN] or facts["candidates"][:1]
    return [suggest_labels(c, facts["trim"]) for c in likely[:MOST_PICKS]]


def _candidate(one: Facts) -> Facts:
    told = [one["piece_kind"], one["line"], one["maker"], _years(one)]
    seen = [([d["motif"], d["variant"], d["metal"]], d["number"]) for d in one["decorations"]]
    metal = {True: "the same metal", False: "the other metal", None: ""}[one["same_metal"]]
    return {
        "label": one["label"],
        "id": one["id"],
        "said": ", ".join(word for word in told if word),
        "decorations": [
            {"said": ", ".join(word for word in words if word), "number": number} for words, number in seen
        ],
        "metal": metal,
        "likeness": f"likeness {percent(max(0.0, one['similarity']))}",
        "reading_id": one["reading_id"],
        "same_photo": one["same_photo"],
    }


def _years(one: Facts) -> str:
    first, last = one["earliest"], one["latest"]
    return "" if first is None else str(first) if first == last else f"{first} to {last}"


def list_suggestions(suggested: Facts) -> list[Facts]:
    """What the photo measured, each to take over with a tick: name, sentence and the value to send."""
    found = []
    for size in suggested["measurements"]:
        said = f"{size['what']} {size['mm']:.0f} mm ({size['low_mm']:.0f} to {size['high_mm']:.0f})"
        found.append({"name": "measurements", "said": said, "value": suggested["measurements"]})
    if suggested["lines"]:
        said = ", ".join(f"{line['colour']} {line['place']} line" for line in suggested["lines"])
        found.append({"name": "lines", "said": said, "value": suggested["lines"]})
    if suggested["wear"]:
        found.append({"name": "wear", "said": say_scores(suggested["wear"]), "value": suggested["wear"]})
    return found


def say_scores(wear: list[Mapping[str, int]]) -> str:
    """Wear by clock position, hours of one score together."""
    hours: dict[int, list[str]] = {}
    for entry in wear:
        hours.setdefault(entry["score"], []).append(str(entry["clock"]))
    said = [f"{WEAR_SCORES[score]} at {', '.join(at)}" for score, at in sorted(hours.items())]
    return "trim wear by the clock: " + "; ".join(said)
