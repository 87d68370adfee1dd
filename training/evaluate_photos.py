"""The motif exam on photos: ``python -m training.evaluate_photos FOLDER --out FILE``.

FOLDER holds pictures beside truth files (``NAME.jpg``, ``NAME.json``) whose ``role`` is "gallery", "query",
"unknown" or "look-alike" and whose labels (or ``motif_id``) name the border. Every photo goes through the
whole reading, so a piece, rim or border not found counts as a miss. Baselines see the same windows.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from tqdm import tqdm

from model.lookup import Gallery, Matches, look_up, rank_motifs
from training.baselines import SiftGallery, pretrained_features
from training.config import find_backbone
from training.evaluate_motif import find_sift_places
from training.exam_motif import (
    PhotoView,
    build_gallery,
    first_photos,
    score_borders,
    score_sets,
    score_strangers,
    score_variants,
    view_photos,
)
from training.exam_readings import MOTIF_ROLES, add_options, read_told
from training.exam_sheet import draw_photos
from training.exam_tables import describe_run, write_result
from training.intervals import bootstrap_difference, describe_share
from training.views import EmbeddedView, EmbedWindows, embed_views

RESULTS = Path(__file__).parent / "results" / "motif_photos.json"


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
            role: describe_share([not len(p.vectors) for p in held]) for role, held in roles.items() if held
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


def _match(photo: PhotoView, gallery: Gallery) -> Matches:
    return look_up(photo.vectors, photo.view.weights[: len(photo.vectors)], gallery)


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
