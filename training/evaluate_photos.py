"""The motif exam on photos: ``python -m training.evaluate_photos FOLDER --out FILE``.

FOLDER holds pictures beside truth files (``NAME.jpg``, ``NAME.json``) whose ``role`` is "gallery", "query",
"unknown" or "look-alike" and whose labels (or ``motif_id``) name the border. Every photo goes through the
whole reading, so a piece, rim or border not found counts as a miss. Baselines see the same windows.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from tqdm import tqdm

from model.lookup import Gallery, GalleryItem, Matches, look_up, rank_motifs
from training.baselines import SiftGallery, pretrained_features
from training.config import find_backbone
from training.evaluate_motif import find_sift_places
from training.exam_readings import MOTIF_ROLES, PhotoReading, add_options, read_told
from training.exam_sheet import draw_photos
from training.exam_tables import BINS, calibration_error, describe_run, write_result
from training.intervals import area_under_curve, bootstrap_difference, describe_share
from training.views import EmbeddedView, EmbedWindows, View, embed_views

ASSERTED = 0.5  # a match counts as asserted when its own probability is at least this
PROMISED = 0.9  # of the candidate sets
RESULTS = Path(__file__).parent / "results" / "motif_photos.json"


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


def place_of(photo: PhotoView, vectors: npt.NDArray[np.float32], gallery: Gallery) -> int:
    """Place of the photo's motif in the ranking, -1 for a miss."""
    if not len(vectors) or not len(gallery.vectors):
        return -1
    names = rank_motifs(vectors, photo.view.weights[: len(vectors)], gallery).motif_ids
    return names.index(photo.motif) if photo.motif in names else -1


def describe_places(places: npt.NDArray[np.int_]) -> dict[str, Any]:
    """Recall@1 and @5."""
    return {
        "recall_at_1": describe_share(places == 0),
        "recall_at_5": describe_share((places >= 0) & (places < 5)),
    }


def run_photo_exam(photos: Sequence[PhotoView], sift: bool) -> dict[str, Any]:
    """Recall by gallery size, variants, strangers, calibration and baselines; ready for the result file."""
    roles = {role: [p for p in photos if p.truth["role"] == role] for role in MOTIF_ROLES}
    shown, asked = roles["gallery"], roles["query"]
    most = max((sum(p.motif == q.motif and p.variant == q.variant for p in shown) for q in shown), default=0)
    galleries = {
        count: build_gallery(kept, [p.vectors for p in kept])
        for count in range(1, most + 1)
        for kept in [first_photos(shown, count)]
    }
    places = {count: _places(asked, gallery) for count, gallery in galleries.items()}
    right = places[most] == 0
    matches = {role: [_match(p, galleries[most]) for p in roles[role]] for role in MOTIF_ROLES[1:]}
    return {
        "photos": {role: len(held) for role, held in roles.items() if held},
        "motifs": len({p.motif for p in shown}),
        "motifs with a readable gallery photo": len({p.motif for p in shown if len(p.vectors)}),
        "no window": {
            role: _share([not len(p.vectors) for p in held]) for role, held in roles.items() if held
        },
        "by gallery photos": {str(count): describe_places(found) for count, found in places.items()},
        "where both have windows": describe_places(
            places[most][_readable(asked, {p.motif for p in shown if len(p.vectors)})]
        ),
        "variants": score_variants(asked, matches["query"], shown),
        "strangers": score_strangers(matches),
        "sets and calibration": score_sets(roles, matches),
        "by": {name: _by_group(asked, right, key) for name, key in GROUPS.items()},
        "border": score_borders(photos),
        "baselines": run_baselines(shown, asked, right, sift),
        "queries": [
            {"photo": photo.name, "place": int(place), "windows": len(photo.view.windows)}
            for photo, place in zip(asked, places[most], strict=True)
        ],
    }


def _places(asked: Sequence[PhotoView], gallery: Gallery) -> npt.NDArray[np.int_]:
    return np.array([place_of(photo, photo.vectors, gallery) for photo in asked], int)


def _readable(asked: Sequence[PhotoView], motifs: set[str]) -> npt.NDArray[np.bool_]:
    return np.array([bool(len(p.vectors)) and p.motif in motifs for p in asked], bool)


def _share(flags: Sequence[bool]) -> dict[str, Any]:
    return dict(describe_share(flags))


def _match(photo: PhotoView, gallery: Gallery) -> Matches:
    return look_up(photo.vectors, photo.view.weights[: len(photo.vectors)], gallery)


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
        "variant right where the motif is": _share([m.candidates[0].variant == p.variant for p, m in found]),
        "motif and variant right": _share([_is_variant(p, m) for p, m in two]),
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
            "match asserted": _share([_asserts(m) for m in matches[role]]),
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
        "sets of 90 % hold the truth": _share(held),
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
        "repeats told": _share([a is not None for a, _ in counted]),
        "repeats exact among told": _share([a == b for a, b in counted if a is not None]),
        "repeats exact": _share([a == b for a, b in counted]),
        "symmetry told": _share([a is not None for a, _ in named]),
        "symmetry right among told": _share([a == b for a, b in named if a is not None]),
        "layout right": _share([a == b for a, b in laid]),
    }


def run_baselines(
    shown: Sequence[PhotoView], asked: Sequence[PhotoView], right: npt.NDArray[np.bool_], sift: bool
) -> dict[str, Any]:
    """Generic pretrained features and, if told, SIFT with RANSAC, on the same windows and gallery."""
    generic = _embed([*shown, *asked], pretrained_features(find_backbone()))
    gallery = build_gallery(shown, generic[: len(shown)])
    places = np.array(
        [place_of(photo, part, gallery) for photo, part in zip(asked, generic[len(shown) :], strict=True)],
        int,
    )
    groups = np.array([photo.view.motif for photo in asked])
    found = {"imagenet features": places}
    if sift:
        found["sift and ransac"] = find_sift_places(
            SiftGallery([photo.view for photo in shown if len(photo.view.windows)]),
            [photo.view for photo in tqdm(asked, desc="SIFT")],
            2,
        )
    return {
        name: describe_places(theirs)
        | {"ours minus theirs": bootstrap_difference(right, theirs == 0, groups)}
        for name, theirs in found.items()
    }


def _embed(photos: Sequence[PhotoView], embed: EmbedWindows) -> list[npt.NDArray[np.float32]]:
    views: list[EmbeddedView] = embed_views([photo.view for photo in photos], embed)
    return [view.vectors for view in views]


def _plan_part(name: str) -> Callable[[PhotoView], str]:
    return lambda photo: str((photo.truth.get("plan") or {}).get(name))


GROUPS: dict[str, Callable[[PhotoView], str]] = {
    "shape": _plan_part("shape"),
    "framing": _plan_part("framing"),
    "wear": _plan_part("wear"),
    "trim": _plan_part("trim"),
    "difficulty": lambda photo: str(photo.truth.get("difficulty")),
    "layout": lambda photo: str((photo.truth.get("border") or {}).get("layout")),
}


def _by_group(
    photos: Sequence[PhotoView], right: npt.NDArray[np.bool_], key: Callable[[PhotoView], str]
) -> dict[str, Any]:
    names = np.array([key(photo) for photo in photos])
    return {str(name): describe_share(right[names == name]) for name in np.unique(names)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    add_options(parser)
    parser.add_argument("--out", type=Path, default=RESULTS)
    parser.add_argument("--sift", action="store_true")
    parser.add_argument("--sheet", type=Path, help="write a contact sheet of the queries not found first")
    told = parser.parse_args()
    photos = view_photos(read_told(told))
    result = describe_run(told.folder, len(photos)) | run_photo_exam(photos, told.sift)
    queries = result.pop("queries")
    write_result(told.out, result, queries)
    print(json.dumps(result, indent=1))
    if told.sheet is not None:
        missed = [row for row in queries if row["place"] != 0]
        texts = [f"place {row['place']}, {row['windows']} windows" for row in missed]
        draw_photos([told.folder / f"{row['photo']}.jpg" for row in missed], texts, told.sheet)


if __name__ == "__main__":
    main()
