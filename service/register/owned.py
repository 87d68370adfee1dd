"""Do I own this already? What the register has that looks like a photo, side by side, and how sure."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from service import tables as store_tables
from service.register.nearest import Near, Nearest
from service.register.search import Hit, sum_up
from service.register.shown import show_pictures

# Chances that the motif is on no piece of the register, by the look-up's own calibration. With the demo
# gallery's 34 rendered photos, half the photos of five motifs registered at random 200 times, 5309 answers:
# below the first lie 62 % of registered motifs and 3 % of others; above the second 15 % and 83 %.
LIKELY_BELOW, UNLIKELY_ABOVE = 0.3, 0.8


def answer_owned(
    tx: sa.Connection, reading_id: str, facts: Mapping[str, Any], nearest: Nearest
) -> dict[str, Any]:
    """The answer with its candidates; ``answer`` names it, so that what follows was decided on seeing it."""
    candidates = _show_candidates(tx, reading_id, facts, nearest.pieces)
    verdict = judge_owned(nearest.not_in_register_probability, candidates)
    return {
        "reading_id": reading_id,
        "answer": name_answer(reading_id, verdict, [near.piece_id for near in nearest.pieces]),
        "verdict": verdict,
        "said": _SAID[verdict],
        "not_in_register_probability": nearest.not_in_register_probability,
        "pictures": show_pictures(reading_id),
        "metal": facts["trim"]["metal"],
        "candidates": candidates,
        "suggested": suggest_facts(facts),
    }


_SAID = {
    "registered": "This very photo is in the register already.",
    "likely": "A piece with this motif is probably in the register: compare the pictures.",
    "likely in the other metal": (
        "The motif is probably in the register, but its pieces have the other metal: compare the pictures."
    ),
    "possible": "There may be one like it: compare the pictures.",
    "unlikely": "Nothing in the register looks much like it; the nearest are shown.",
    "cannot tell": "No border could be cut from this photo, so it cannot be compared: look through the list.",
}


def judge_owned(unknown: float | None, candidates: list[dict[str, Any]]) -> str:
    """The answer in a word; a person decides on the pictures."""
    if any(candidate["same_photo"] for candidate in candidates):
        return "registered"
    if unknown is None:
        return "cannot tell"
    if unknown > UNLIKELY_ABOVE or not candidates:
        return "unlikely"
    if unknown >= LIKELY_BELOW:
        return "possible"
    motif = candidates[0]["motif_id"]
    metals = {candidate["same_metal"] for candidate in candidates if candidate["motif_id"] == motif}
    return "likely in the other metal" if metals == {False} else "likely"


def name_answer(reading_id: str, verdict: str, piece_ids: list[str]) -> str:
    """A name for what was shown: the same as long as the register answers the same."""
    told = json.dumps([reading_id, verdict, piece_ids]).encode()
    return hashlib.sha256(told).hexdigest()[:16]


def _show_candidates(
    tx: sa.Connection, reading_id: str, facts: Mapping[str, Any], pieces: tuple[Near, ...]
) -> list[dict[str, Any]]:
    summed = sum_up(tx, [Hit(near.piece_id, "piece", None) for near in pieces])
    photos = _find_photos(tx, [reading_id, *(near.reading_id for near in pieces)])
    metal = facts["trim"]["metal"]
    shown = []
    for near, piece in zip(pieces, summed, strict=True):
        seen = {entry["metal"] for entry in piece["decorations"]} - {None}
        shown.append(
            piece
            | {
                "motif_id": near.motif_id,
                "similarity": round(near.similarity, 4),
                "same_metal": None if metal is None or not seen else metal in seen,
                "same_photo": photos.get(near.reading_id) == photos.get(reading_id),
                "reading_id": near.reading_id,
                "pictures": show_pictures(near.reading_id),
            }
        )
    return shown


def _find_photos(tx: sa.Connection, reading_ids: list[str]) -> dict[str, str]:
    reading = store_tables.reading
    wanted = sa.select(reading.c.id, reading.c.photo_sha256).where(reading.c.id.in_(reading_ids))
    return {row.id: row.photo_sha256 for row in tx.execute(wanted)}


def suggest_facts(facts: Mapping[str, Any]) -> dict[str, Any]:
    """What the reading measured, in the form of a piece's fields: for a person to take over or leave."""
    size = facts["piece"]["size"]
    measured = (
        []
        if size is None
        else [
            {
                "what": "diameter",
                "mm": round(size["diameter_mm"], 1),
                "low_mm": round(size["low_mm"], 1),
                "high_mm": round(size["high_mm"], 1),
            }
        ]
    )
    lines = [{"place": line["place"], "colour": line["colour"]} for line in facts["lines"] or ()]
    return {"measurements": measured, "lines": lines, "wear": suggest_wear(facts["trim"]["sectors"])}


# Common practice, no source: thin spots under a tenth of the line, breaks up to a half, beyond it a ghost.
_SCORES = ((0.99, 0), (0.9, 2), (0.5, 3))


def suggest_wear(sectors: list[Mapping[str, Any]] | None) -> list[dict[str, int]]:
    """Wear by clock position from the shares of metal that remain; an hour that was not seen is left out."""
    hours: dict[int, list[float]] = {}
    for sector in sectors or ():
        if sector["remaining_share"] is None:  # that part of the rim was not seen
            continue
        middle = (sector["from_deg"] + sector["to_deg"]) / 2
        hours.setdefault(round(middle / 30) % 12 or 12, []).append(sector["remaining_share"])
    worn = []
    for clock, shares in sorted(hours.items()):
        remaining = sum(shares) / len(shares)
        score = next((score for least, score in _SCORES if remaining >= least), 4)
        worn.append({"clock": clock, "score": score})
    return worn
