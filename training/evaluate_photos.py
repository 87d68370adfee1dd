"""The motif exam on photos: ``python -m training.evaluate_photos FOLDER --out FILE``.

FOLDER holds pictures beside truth files (``NAME.jpg``, ``NAME.json``) whose ``role`` is "gallery", "query"
or "unknown" and whose ``motif_id`` names the border. Every photo goes through the whole reading, so a piece,
rim or border not found counts as a miss. Baselines see the same windows.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import platform
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from model.errors import PhotoError
from model.lookup import CALIBRATION_PATH, load_calibration
from model.network import WEIGHTS_FOLDER, Embedder
from model.read import read_photo
from training.baselines import SiftGallery, pretrained_features
from training.config import find_backbone
from training.dataset import encode_windows
from training.evaluate_motif import (
    embed_with,
    find_sift_places,
    first_of_each,
    measure_recall,
    measure_rejection,
    without_places,
)
from training.export import find_commit
from training.intervals import bootstrap_difference, describe_share
from training.views import View, embed_views, gather_gallery

ROLES = ("gallery", "query", "unknown")


@dataclass(frozen=True)
class PhotoView:
    """A photo read: its truth and its windows as a view."""

    name: str
    truth: dict[str, Any]
    view: View


def read_view(path: Path, number: int, embedder: Embedder) -> PhotoView:
    """Read one photo the whole way; no windows where anything on the way was not found."""
    truth = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    try:
        windows = read_photo(path.read_bytes(), embedder=embedder, gallery=None).windows
    except PhotoError:
        windows = ()
    weights = np.array([window.weight for window in windows], np.float32)
    return PhotoView(path.stem, truth, View(number, encode_windows(windows), weights))


def _read_part(task: tuple[Sequence[tuple[Path, int]], Path]) -> list[PhotoView]:
    import cv2

    cv2.setNumThreads(1)
    embedder = Embedder.load(task[1], threads=1)
    return [read_view(path, number, embedder) for path, number in task[0]]


def read_folder(folder: Path, weights: Path, workers: int) -> list[PhotoView]:
    """All photos of the folder that have a role in the exam, motif numbers by sorted motif id."""
    truths = {path: json.loads(path.read_text(encoding="utf-8")) for path in sorted(folder.glob("*.json"))}
    wanted = {path: t for path, t in truths.items() if t.get("role") in ROLES and t.get("motif_id")}
    numbers = {name: k for k, name in enumerate(sorted({str(t["motif_id"]) for t in wanted.values()}))}
    photos = [(path.with_suffix(".jpg"), numbers[str(t["motif_id"])]) for path, t in wanted.items()]
    tasks = [(photos[start :: max(1, workers)], weights) for start in range(max(1, workers))]
    if workers <= 1:
        return _read_part(tasks[0])
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        return [view for part in pool.map(_read_part, tasks) for view in part]


def run_photo_exam(photos: Sequence[PhotoView], weights: Path, sift: bool) -> dict[str, Any]:
    """Recall, rejection and baselines on photos; a dict ready for the result file."""
    embedder = Embedder.load(weights)
    by_role = {role: [p for p in photos if p.truth["role"] == role] for role in ROLES}
    views = {role: [photo.view for photo in by_role[role]] for role in ROLES}
    embed = embed_with(embedder)
    embedded = {role: embed_views(views[role], embed) for role in ROLES}
    in_gallery = {view.motif for view in embedded["gallery"] if len(view.vectors)}
    most = max(np.bincount([view.motif for view in embedded["gallery"]]))
    ours = {
        count: measure_recall(embedded["gallery"], embedded["query"], count) for count in range(1, most + 1)
    }
    right = ours[most]["places"] == 0
    calibration = load_calibration(weights / CALIBRATION_PATH.name)
    result: dict[str, Any] = {
        "recipe_id": embedder.recipe_id,
        "pictures": "rendered photos, the whole reading",
        "photos": {role: len(by_role[role]) for role in ROLES},
        "motifs": len({view.motif for view in views["gallery"]}),
        "motifs_with_a_readable_gallery_photo": len(in_gallery),
        "no_window": {role: describe_share([len(v.windows) == 0 for v in views[role]]) for role in ROLES},
        "embedder": {str(count): without_places(row) for count, row in ours.items()},
        "rejection": measure_rejection(
            gather_gallery(embedded["gallery"]),
            embedded["query"],
            {"unlike": embedded["unknown"]},
            calibration,
        ),
        "by": {
            name: _by_group(by_role["query"], right, key)
            for name, key in (
                ("shape", _plan("shape")),
                ("framing", _plan("framing")),
                ("wear", _plan("wear")),
            )
        },
    }
    groups = np.array([view.motif for view in views["query"]])
    generic = pretrained_features(find_backbone())
    theirs = measure_recall(
        embed_views(views["gallery"], generic), embed_views(views["query"], generic), most
    )
    result["baselines"] = {
        "imagenet features": without_places(theirs)
        | {"ours_minus_theirs": bootstrap_difference(right, theirs["places"] == 0, groups)}
    }
    if sift:
        places = find_sift_places(SiftGallery(first_of_each(views["gallery"], most)), views["query"], 2)
        result["baselines"]["sift and ransac"] = {
            "recall_at_1": describe_share(places == 0),
            "recall_at_5": describe_share((places >= 0) & (places < 5)),
            "ours_minus_theirs": bootstrap_difference(right, places == 0, groups),
        }
    result["queries"] = [
        {"photo": photo.name, "place": int(place), "windows": len(photo.view.windows)}
        for photo, place in zip(by_role["query"], ours[most]["places"], strict=True)
    ]
    return result


def _plan(key: str) -> Callable[[PhotoView], str]:
    return partial(_plan_value, key)


def _plan_value(key: str, photo: PhotoView) -> str:
    return str(photo.truth.get("plan", {}).get(key))


def _by_group(
    photos: Sequence[PhotoView], right: np.ndarray, key: Callable[[PhotoView], str]
) -> dict[str, Any]:
    names = np.array([key(photo) for photo in photos])
    return {str(name): describe_share(right[names == name]) for name in np.unique(names)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--weights", type=Path, default=WEIGHTS_FOLDER)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--sift", action="store_true")
    told = parser.parse_args()
    photos = read_folder(told.folder, told.weights, told.workers)
    result = run_photo_exam(photos, told.weights, told.sift)
    result |= {"commit": find_commit(), "machine": f"{platform.machine()}, {os.cpu_count()} cores"}
    told.out.parent.mkdir(parents=True, exist_ok=True)
    told.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    print(json.dumps({key: value for key, value in result.items() if key != "queries"}, indent=1))


if __name__ == "__main__":
    main()
