"""Score motif look-up on photos: galleries, variants, strangers, candidate sets, borders."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from model.lookup import Gallery, GalleryItem, Matches
from training.exam_readings import MOTIF_ROLES, PhotoReading
from training.exam_tables import BINS, calibration_error
from training.intervals import area_under_curve, describe_share
from training.views import View

ASSERTED = 0.5  # a match counts as asserted when its own probability is at least this
PROMISED = 0.9  # of the candidate sets


@dataclass(frozen=True)
class PhotoView:
    """A photo read: its truth, its labels, the border it says, its windows as a view and as vectors."""

    name: str
    truth: dict[str, Any]
    motif: str
    variant: str
    border: dict[str, Any] | None
    view: View
    vectors: npt.NDArray[np.float32]


def labels_of(truth: dict[str, Any]) -> tuple[str, str]:
    """Motif and variant; a stranger's motif is its own."""
    labels = truth.get("labels") or {}
    return str(labels.get("motif") or truth["motif_id"]), str(labels.get("variant") or "first")


def view_photos(readings: Sequence[PhotoReading]) -> list[PhotoView]:
    """Views of the photos that have a role in the exam, motifs numbered by name."""
    wanted = [r for r in readings if r.truth.get("role") in MOTIF_ROLES and r.truth.get("motif_id")]
    numbers = {name: k for k, name in enumerate(sorted({labels_of(r.truth)[0] for r in wanted}))}
    views = []
    for r in wanted:
        motif, variant = labels_of(r.truth)
        windows = r.load_windows() if len(r.windows) and r.windows_shape[0] else _no_windows()
        border = r.reading["border"] if r.reading else None
        view = View(numbers[motif], windows, r.weights)
        views.append(PhotoView(r.name, r.truth, motif, variant, border, view, r.vectors))
    return views


def _no_windows() -> npt.NDArray[np.uint8]:
    from model.motif import CHANNELS, WINDOW_HEIGHT, WINDOW_WIDTH

    return np.zeros((0, CHANNELS, WINDOW_HEIGHT, WINDOW_WIDTH), np.uint8)


def first_photos(photos: Sequence[PhotoView], count: int) -> list[PhotoView]:
    """At most so many photos of each motif's variant."""
    taken: dict[tuple[str, str], int] = {}
    kept = []
    for photo in photos:
        key = photo.motif, photo.variant
        taken[key] = taken.get(key, 0) + 1
        if taken[key] <= count:
            kept.append(photo)
    return kept


def build_gallery(photos: Sequence[PhotoView], vectors: Sequence[npt.NDArray[np.float32]]) -> Gallery:
    """The photos as a labelled gallery."""
    items = tuple(GalleryItem(photo.name, photo.motif, photo.motif, photo.variant) for photo in photos)
    counts = [len(part) for part in vectors]
    rows = [part for part in vectors if len(part)] or [np.zeros((0, 1), np.float32)]
    return Gallery(np.concatenate(rows), np.repeat(np.arange(len(photos)), counts), items)


def score_variants(
    asked: Sequence[PhotoView], matches: Sequence[Matches], shown: Sequence[PhotoView]
) -> dict[str, Any]:
    """The variant of the best candidate, for motifs that the gallery holds in two."""
    held: dict[str, set[str]] = {}
    for photo in shown:
        held.setdefault(photo.motif, set()).add(photo.variant)
    two = [(p, m) for p, m in zip(asked, matches, strict=True) if len(held.get(p.motif, ())) > 1]
    found = [(p, m) for p, m in two if m.candidates and m.candidates[0].motif_id == p.motif]
    return {
        "variant right where the motif is": describe_share(
            [m.candidates[0].variant == p.variant for p, m in found]
        ),
        "motif and variant right": describe_share([_is_variant(p, m) for p, m in two]),
    }


def _is_variant(photo: PhotoView, match: Matches) -> bool:
    best = match.candidates[0] if match.candidates else None
    return best is not None and (best.motif_id, best.variant) == (photo.motif, photo.variant)


def score_strangers(matches: dict[str, list[Matches]]) -> dict[str, Any]:
    """How well motifs outside the gallery are told, and how often one is matched all the same."""
    known = [_unknown(m) for m in matches["query"] if m.candidates]
    out: dict[str, Any] = {}
    for role in ("unknown", "look-alike"):
        judged = [m for m in matches[role] if m.candidates]
        if not judged or not known:
            continue
        out[role] = {
            "auroc": round(area_under_curve([_unknown(m) for m in judged], known), 4),
            "match asserted": describe_share([_asserts(m) for m in matches[role]]),
            "n judged": [len(judged), len(known)],
        }
    return out


def _unknown(match: Matches) -> float:
    return 1.0 if match.not_in_gallery_probability is None else float(match.not_in_gallery_probability)


def _asserts(match: Matches) -> bool:
    return bool(match.candidates) and match.candidates[0].probability >= ASSERTED


def score_sets(roles: dict[str, list[PhotoView]], matches: dict[str, list[Matches]]) -> dict[str, Any]:
    """Do sets of 90 % hold the truth so often; is the best answer's probability right on average."""
    held, size, top, right = [], [], [], []
    for role in MOTIF_ROLES[1:]:
        for photo, match in zip(roles[role], matches[role], strict=True):
            if not match.candidates:
                continue
            truth = photo.motif if role == "query" else None
            answers = [(c.probability, c.motif_id) for c in match.candidates] + [(_unknown(match), None)]
            answers.sort(key=lambda pair: -pair[0])
            before = np.cumsum([0.0] + [chance for chance, _ in answers])
            chosen = [name for (_, name), sum_ in zip(answers, before, strict=False) if sum_ < PROMISED]
            held.append(truth in chosen)
            size.append(len(chosen))
            top.append(answers[0][0])
            right.append(answers[0][1] == truth)
    if len(top) < BINS:
        return {"n": len(top)}
    said, was = np.array(top), np.array(right)
    rng = np.random.default_rng(5)
    floor = [calibration_error(said, rng.random(len(said)) < said) for _ in range(200)]
    return {
        "sets of 90 % hold the truth": describe_share(held),
        "mean size": round(float(np.mean(size)), 2),
        "expected calibration error": round(calibration_error(said, was), 4),
        "of a perfectly calibrated model": round(float(np.mean(floor)), 4),
        "brier of the best answer": round(float(((said - was) ** 2).mean()), 4),
    }


def score_borders(photos: Sequence[PhotoView]) -> dict[str, Any]:
    """Repeats round the rim and frieze group, where the reading gives them and the truth has them."""
    pairs = [(p.border or {}, p.truth["border"]) for p in photos if p.truth.get("border")]
    counted = [(a.get("repeats"), b["repeats"]) for a, b in pairs if b["repeats"]]
    named = [(a.get("symmetry"), b["symmetry"]) for a, b in pairs if b["symmetry"]]
    laid = [(a.get("layout"), b["layout"]) for a, b in pairs]
    return {
        "repeats told": describe_share([a is not None for a, _ in counted]),
        "repeats exact among told": describe_share([a == b for a, b in counted if a is not None]),
        "repeats exact": describe_share([a == b for a, b in counted]),
        "symmetry told": describe_share([a is not None for a, _ in named]),
        "symmetry right among told": describe_share([a == b for a, b in named if a is not None]),
        "layout right": describe_share([a == b for a, b in laid]),
    }
