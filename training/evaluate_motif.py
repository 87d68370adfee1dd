"""The motif exam: ``python -m training.evaluate_motif --out FILE`` and the look-up's fit with ``--fit``.

Strips of motifs whose art served neither training nor validation, each through the fast renderer and the real
separation of the bands; strips without a border found count as misses. Baselines see the same windows.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from model.lookup import (
    CALIBRATION_PATH,
    Calibration,
    Gallery,
    gather_evidence,
    judge_unknown,
    load_calibration,
    rank_motifs,
    share_among_known,
)
from model.motif import Window
from model.network import WEIGHTS_FOLDER, Embedder
from training.baselines import SiftGallery, pretrained_features
from training.config import find_art, find_backbone
from training.dataset import Windows
from training.export import find_commit
from training.fit_lookup import describe_calibration, fit_calibration, try_galleries
from training.intervals import area_under_curve, bootstrap_difference, describe_share
from training.sources import LARGEST_FAMILY, LibrarySource
from training.views import EmbeddedView, EmbedWindows, View, draw_views, embed_views, gather_gallery

GALLERY_SEEDS = (1, 2, 3)
FIRST_QUERY_SEED = 11
# A match counts as asserted when its own probability is at least this.
ASSERTED = 0.5
EMBEDDED_AT_ONCE = 240


def embed_with(embedder: Embedder) -> EmbedWindows:
    """The shipped path: the run-time embedder on the windows."""

    def embed(windows: Windows) -> npt.NDArray[np.float32]:
        parts = [np.empty((0, embedder.dimension), np.float32)]
        for first in range(0, len(windows), EMBEDDED_AT_ONCE):
            some = windows[first : first + EMBEDDED_AT_ONCE].astype(np.float32) / 255
            parts.append(embedder.embed([Window(w, (0, 0, 0, 0), 0.0, False, 1.0) for w in some]))
        return np.concatenate(parts)

    return embed


def measure_recall(
    gallery_views: Sequence[EmbeddedView], queries: Sequence[EmbeddedView], photos: int
) -> dict[str, Any]:
    """Recall@1 and @5 with so many gallery photos a motif; place of each query's motif, -1 for a miss."""
    gallery = gather_gallery(first_of_each(gallery_views, photos))
    places = np.array([_place(view, gallery) for view in queries])
    return {
        "recall_at_1": describe_share(places == 0),
        "recall_at_5": describe_share((places >= 0) & (places < 5)),
        "places": places,
    }


AnyView = TypeVar("AnyView", View, EmbeddedView)


def first_of_each(views: Sequence[AnyView], photos: int) -> list[AnyView]:
    taken: dict[int, int] = {}
    kept = []
    for view in views:
        taken[view.motif] = taken.get(view.motif, 0) + 1
        if taken[view.motif] <= photos:
            kept.append(view)
    return kept


def _place(view: EmbeddedView, gallery: Gallery) -> int:
    if not len(view.vectors):
        return -1
    names = rank_motifs(view.vectors, view.weights, gallery).motif_ids
    return names.index(str(view.motif)) if str(view.motif) in names else -1


def measure_rejection(
    gallery: Gallery,
    known: Sequence[EmbeddedView],
    unknown: Mapping[str, Sequence[EmbeddedView]],
    calibration: Calibration,
) -> dict[str, Any]:
    """How well motifs outside the gallery are told from those in it, and how often one is matched wrongly."""
    known_rows = [_judge(view, gallery, calibration) for view in known if len(view.vectors)]
    result: dict[str, Any] = {
        "asserted_right": describe_share([top >= ASSERTED and right for _, top, right in known_rows]),
        "asserted_wrong_among_known": describe_share(
            [top >= ASSERTED and not right for _, top, right in known_rows]
        ),
    }
    for name, views in unknown.items():
        rows = [_judge(view, gallery, calibration) for view in views if len(view.vectors)]
        result[name] = {
            "auroc": round(area_under_curve([p for p, _, _ in rows], [p for p, _, _ in known_rows]), 4),
            "false_match": describe_share([top >= ASSERTED for _, top, _ in rows]),
        }
    return result


def _judge(view: EmbeddedView, gallery: Gallery, calibration: Calibration) -> tuple[float, float, bool]:
    """Probability of "not in the gallery", of the best motif, and whether that is the right one."""
    ranking = rank_motifs(view.vectors, view.weights, gallery)
    unknown = judge_unknown(gather_evidence(view.vectors, view.weights, ranking), calibration)
    top = share_among_known(ranking.scores, calibration.score_slope)[0] * (1 - unknown)
    return unknown, float(top), ranking.motif_ids[0] == str(view.motif)


def run_exam(
    motifs: int, strangers: int, queries: int, sift_queries: int, workers: int, art: str | None, weights: Path
) -> dict[str, Any]:
    """The whole exam on strips; a dict ready for the result file."""
    embedder = Embedder.load(weights, threads=max(1, workers))
    calibration = load_calibration(weights / CALIBRATION_PATH.name)
    maker = partial(LibrarySource, "exam", motifs + strangers, 2, 1.0, art, True)
    source = maker()
    known = [source.family(index)[0] for index in range(motifs)]
    alike = [number for index in range(motifs) for number in source.family(index)[1:]]
    unlike = [source.family(index)[0] for index in range(motifs, motifs + strangers)]
    seeds = range(FIRST_QUERY_SEED, FIRST_QUERY_SEED + queries)
    gallery_views = draw_views(maker, known, GALLERY_SEEDS, workers)
    query_views = draw_views(maker, known, seeds, workers)
    stranger_views = {
        "unlike": draw_views(maker, unlike, seeds, workers),
        "look-alike": draw_views(maker, alike, seeds[:2], workers),
    }
    embed = embed_with(embedder)
    gallery, asked = embed_views(gallery_views, embed), embed_views(query_views, embed)
    ours = {photos: measure_recall(gallery, asked, photos) for photos in (1, 2, 3)}
    strangers_embedded = {name: embed_views(views, embed) for name, views in stranger_views.items()}
    groups = np.array([view.motif for view in asked])
    result: dict[str, Any] = {
        "recipe_id": embedder.recipe_id,
        "pictures": "rendered strips, fast renderer, bands as separated",
        "motifs_known": motifs,
        "motifs_unlike": strangers,
        "border_not_found": describe_share([len(view.vectors) == 0 for view in asked]),
        "embedder": {str(k): without_places(row) for k, row in ours.items()},
        "rejection_2_photos": measure_rejection(
            gather_gallery(first_of_each(gallery, 2)), asked, strangers_embedded, calibration
        ),
    }
    result["baselines"] = _compare(ours, gallery_views, query_views, groups, sift_queries, workers)
    return result


def _compare(
    ours: dict[int, dict[str, Any]],
    gallery_views: Sequence[View],
    query_views: Sequence[View],
    groups: npt.NDArray[np.int_],
    sift_queries: int,
    workers: int,
) -> dict[str, Any]:
    """Both baselines with two gallery photos, and the paired differences in Recall@1."""
    generic = pretrained_features(find_backbone())
    theirs = measure_recall(embed_views(gallery_views, generic), embed_views(query_views, generic), 2)
    right = ours[2]["places"] == 0
    rows: dict[str, Any] = {
        "imagenet features": without_places(theirs)
        | {"ours_minus_theirs": bootstrap_difference(right, theirs["places"] == 0, groups)}
    }
    if sift_queries:
        asked = np.random.default_rng(5).permutation(len(query_views))[:sift_queries]
        gallery = SiftGallery(first_of_each(gallery_views, 2))
        places = find_sift_places(gallery, [query_views[k] for k in asked], workers)
        rows["sift and ransac"] = {
            "recall_at_1": describe_share(places == 0),
            "recall_at_5": describe_share((places >= 0) & (places < 5)),
            "ours_minus_theirs": bootstrap_difference(right[asked], places == 0, groups[asked]),
        }
    return rows


def find_sift_places(gallery: SiftGallery, queries: Sequence[View], workers: int) -> npt.NDArray[np.int_]:
    """Place of each query's motif in the ranking by SIFT, -1 for a miss."""
    with ThreadPoolExecutor(max(1, workers)) as threads:
        return np.array(list(threads.map(lambda view: _sift_place(gallery, view), queries)))


def _sift_place(gallery: SiftGallery, view: View) -> int:
    if not len(view.windows):
        return -1
    ranked = gallery.rank(view)
    return ranked.index(view.motif) if view.motif in ranked else -1


def without_places(row: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in row.items() if name != "places"}


def fit_on_validation(
    motifs: int, strips: int, rounds: int, workers: int, art: str | None, weights: Path, seed: int
) -> dict[str, Any]:
    """Fit ``lookup.json`` beside the weights on validation motifs and their look-alikes."""
    embedder = Embedder.load(weights, threads=max(1, workers))
    maker = partial(LibrarySource, "validation", motifs, 2, 1.0, art, True)
    source = maker()
    numbers = [number for index in range(motifs) for number in source.family(index)]
    views = draw_views(maker, numbers, range(101, 101 + strips), workers)
    embedded = embed_views(views, embed_with(embedder))
    trials = try_galleries(embedded, rounds, seed, LARGEST_FAMILY)
    content = describe_calibration(fit_calibration(trials, embedder.recipe_id), trials, seed)
    (weights / CALIBRATION_PATH.name).write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
    return content


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, help="result file of the exam")
    parser.add_argument("--fit", action="store_true", help="fit lookup.json on validation motifs first")
    parser.add_argument("--weights", type=Path, default=WEIGHTS_FOLDER)
    parser.add_argument("--motifs", type=int, default=150)
    parser.add_argument("--strangers", type=int, default=80)
    parser.add_argument("--queries", type=int, default=6)
    parser.add_argument("--sift-queries", type=int, default=300)
    parser.add_argument("--fit-motifs", type=int, default=200)
    parser.add_argument("--fit-strips", type=int, default=5)
    parser.add_argument("--workers", type=int, default=0)
    parser.add_argument("--commit")
    told = parser.parse_args()
    found = find_art()
    art = None if found is None else str(found)
    if told.fit:
        fitted = fit_on_validation(told.fit_motifs, told.fit_strips, 120, told.workers, art, told.weights, 3)
        print(json.dumps(fitted))
    if told.out:
        result = run_exam(
            told.motifs, told.strangers, told.queries, told.sift_queries, told.workers, art, told.weights
        )
        result |= {
            "commit": told.commit or find_commit(),
            "machine": f"{platform.machine()}, {os.cpu_count()} cores",
            "seed": "fixed in the code",
        }
        told.out.parent.mkdir(parents=True, exist_ok=True)
        told.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
        print(json.dumps(result))


if __name__ == "__main__":
    main()
