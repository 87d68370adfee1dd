"""Does the embedder survive real cameras: ``python -m training.evaluate_cloth --folder DIR --out FILE``.

Photos of printed cloth, several of each cloth, near and far, turned: nothing like a border. The network
was trained on no photo of cloth, though a share of what it saw was drawn as cloth (`training.textures`).
Each photo is cut into windows on a fixed grid; it counts as found where the nearest other photo shows the
same cloth. The folder holds ``labels.csv``: columns file, cloth_guess, distance.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import platform
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from model.colour import LUMINANCE_WEIGHTS
from model.motif import WINDOW_HEIGHT, WINDOW_WIDTH, draw_channels
from model.network import WEIGHTS_FOLDER, Embedder
from model.photo import decode_photo
from training.baselines import SiftGallery, pretrained_features
from training.config import find_backbone
from training.evaluate_motif import embed_with
from training.export import find_commit
from training.intervals import bootstrap_difference, describe_share
from training.views import EmbeddedView, EmbedWindows, View, embed_views

# Widths of the windows as shares of the photo's: the whole photo, row by row.
WIDTH_SHARES = (1.0,)
# Luminance below this share of full scale is noise; its logarithm would be too.
LEAST_LUMINANCE = 0.004

Places = npt.NDArray[np.int_]


def cut_photo(data: bytes) -> npt.NDArray[np.uint8]:
    """Windows (n, 3, 96, 320) uint8 of a photo by its luminance: as wide as it, row by row."""
    photo = decode_photo(data)
    small = photo.linearise(photo.reduced(2 * WINDOW_WIDTH)[0])
    luminance = np.maximum(small @ np.asarray(LUMINANCE_WEIGHTS, np.float32), LEAST_LUMINANCE)
    contrast = np.log(luminance).astype(np.float32)
    contrast -= np.float32(np.median(contrast))
    windows = []
    for share in WIDTH_SHARES:
        width = int(contrast.shape[1] * share)
        height = round(width * WINDOW_HEIGHT / WINDOW_WIDTH)
        for y in _spread(contrast.shape[0], height):
            for x in _spread(contrast.shape[1], width):
                part = cv2.resize(
                    contrast[y : y + height, x : x + width],
                    (WINDOW_WIDTH, WINDOW_HEIGHT),
                    interpolation=cv2.INTER_AREA,
                )
                windows.append(draw_channels(part, np.ones(part.shape, bool)))
    return np.rint(np.stack(windows) * 255).astype(np.uint8)


def _spread(length: int, part: int) -> list[int]:
    """Starts of as many parts as fit into a length, evenly apart."""
    count = max(1, length // part)
    return [round(step) for step in np.linspace(0, max(0, length - part), count)]


def read_cloths(folder: Path) -> tuple[list[View], list[str]]:
    """One view a photo, with its cloth's number; and each photo's distance ("near", "far")."""
    with (folder / "labels.csv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    names = sorted({row["cloth_guess"] for row in rows})
    views = []
    for row in rows:
        windows = cut_photo((folder / row["file"]).read_bytes())
        views.append(View(names.index(row["cloth_guess"]), windows, np.ones(len(windows), np.float32)))
    return views, [row["distance"] for row in rows]


def score_pairs(views: Sequence[View], embed: EmbedWindows) -> npt.NDArray[np.float32]:
    """Likeness (n, n) of every photo, down, to every other, across: the look-up's own score."""
    embedded = embed_views(views, embed)
    gallery = np.concatenate([view.vectors for view in embedded])
    starts = np.cumsum([0, *(len(view.vectors) for view in embedded[:-1])])
    return np.stack([_score_one(view, gallery, starts) for view in embedded])


def _score_one(
    view: EmbeddedView, gallery: npt.NDArray[np.float32], starts: npt.NDArray[np.int_]
) -> npt.NDArray[np.float32]:
    nearest = np.maximum.reduceat(gallery @ view.vectors.T, starts, axis=0)
    return np.asarray(nearest.mean(axis=1), np.float32)


def find_nearest(scores: npt.NDArray[np.float32], allowed: npt.NDArray[np.bool_]) -> Places:
    """Index of each photo's nearest among those allowed (n, n)."""
    return np.asarray(np.where(allowed, scores, -np.inf).argmax(axis=1), np.int_)


def score_by_sift(views: Sequence[View], asked: Places) -> npt.NDArray[np.float32]:
    """Most inliers between two windows of each pair of photos, (n, n); zero rows where not asked."""
    one_each = [View(number, view.windows, view.weights) for number, view in enumerate(views)]
    gallery = SiftGallery(one_each)
    scores = np.zeros((len(views), len(views)), np.float32)
    for number in asked:
        for other, inliers in gallery.count_inliers(one_each[number]).items():
            scores[number, other] = inliers
    return scores


def run_check(folder: Path, weights: Path, sift_queries: int) -> dict[str, Any]:
    """Recall@1 of the embedder, the pretrained backbone and SIFT on the same windows."""
    views, distances = read_cloths(folder)
    cloths = np.array([view.motif for view in views])
    far = np.array([distance == "far" for distance in distances])
    by_sift = np.random.default_rng(5).permutation(len(views))[:sift_queries]
    embedder = Embedder.load(weights)
    scores = {
        "embedder": score_pairs(views, embed_with(embedder)),
        "imagenet features": score_pairs(views, pretrained_features(find_backbone())),
        "sift and ransac": score_by_sift(views, by_sift),
    }
    result: dict[str, Any] = {
        "recipe_id": embedder.recipe_id,
        "pictures": "photos of printed cloth, real cameras; not trained on",
        "photos": len(views),
        "cloths": len(set(cloths.tolist())),
        "windows_a_photo": len(views[0].windows),
    }
    everyone = np.ones(len(views), bool)
    others = ~np.eye(len(views), dtype=bool)
    for task, kept, asked in (
        ("nearest other photo", everyone, everyone),
        ("far asked, near kept", ~far, far),
    ):
        right = {name: cloths[find_nearest(one, others & kept)] == cloths for name, one in scores.items()}
        rows = {name: np.flatnonzero(asked) for name in scores}
        rows["sift and ransac"] = np.intersect1d(rows["sift and ransac"], by_sift)
        result[task] = {name: {"recall_at_1": describe_share(right[name][rows[name]])} for name in scores}
        for name in ("imagenet features", "sift and ransac"):
            result[task][name]["ours_minus_theirs"] = bootstrap_difference(
                right["embedder"][rows[name]], right[name][rows[name]], cloths[rows[name]]
            )
    return result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--folder", type=Path, required=True, help="photos with labels.csv")
    parser.add_argument("--out", type=Path, required=True, help="result file")
    parser.add_argument("--weights", type=Path, default=WEIGHTS_FOLDER)
    parser.add_argument("--sift-queries", type=int, default=120)
    parser.add_argument("--commit")
    told = parser.parse_args()
    result = run_check(told.folder, told.weights, told.sift_queries) | {
        "commit": told.commit or find_commit(),
        "machine": f"{platform.machine()}, {os.cpu_count()} cores",
        "seed": "none drawn",
    }
    told.out.parent.mkdir(parents=True, exist_ok=True)
    told.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(result))


if __name__ == "__main__":
    main()
