"""Fit a light head on one's own gallery: ``python -m training.tune DIR [--out FILE]``.

DIR holds the archive that ``rimlight export`` made (or is that file). On the stored vectors of its
photos a linear map is fitted with scikit-learn, on the CPU, in seconds to minutes. It is judged by leaving
out one piece at a time, against the vectors as shipped, with maps fitted and chosen without that piece.
``rimlight model adopt FILE`` judges it again before it takes it on.

References
----------
A. O. Hatch, S. Kajarekar, A. Stolcke, "Within-class covariance normalization for SVM-based speaker
recognition", Interspeech 2006.
O. Ledoit, M. Wolf, "A well-conditioned estimator for large-dimensional covariance matrices", Journal of
Multivariate Analysis 88, 2004: shrinkage towards a multiple of the identity. Changed: its amount is chosen by
cross-validation.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from sklearn.covariance import shrunk_covariance
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from sklearn.model_selection import GroupKFold
from tqdm import tqdm

from model.head import Head, VectorMap, find_head_id, write_head
from model.leave_out import LabelledPhotos, compare_paired, find_places, rank_without
from model.lookup import Calibration, gather_evidence
from training.exported_gallery import NoGallery, find_archive, load_gallery
from training.fit_lookup import Trial, fit_calibration

FloatArray = npt.NDArray[np.float32]
FitMap = Callable[[FloatArray, npt.NDArray[np.str_]], VectorMap]

FOLDS, INNER_FOLDS, SEED = 5, 4, 9
# Fewer motifs with photos of two pieces say nothing about which map is better.
LEAST_MOTIFS = 8
# Share of the within-motif covariance replaced by its mean variance.
WHITENING = (0.3, 0.6, 0.9)
DISCRIMINANT = (0.5, 0.9)
CALIBRATION_ROUNDS, SMALLEST_SHARE = 40, 0.3


def keep_as_shipped(vectors: FloatArray, _motifs: npt.NDArray[np.str_]) -> VectorMap:
    """The map that changes nothing."""
    size = vectors.shape[1]
    return VectorMap(np.zeros(size, np.float32), np.eye(size, dtype=np.float32))


def whiten_within(vectors: FloatArray, motifs: npt.NDArray[np.str_], shrinkage: float) -> VectorMap:
    """What differs between photos of one motif counts less."""
    _, number = np.unique(motifs, return_inverse=True)
    counts = np.bincount(number)
    middles = np.stack([np.bincount(number, column) for column in vectors.T], axis=1) / counts[:, None]
    apart = vectors - middles[number]
    covariance = shrunk_covariance(apart.T @ apart / len(apart), shrinkage)
    values, directions = np.linalg.eigh(covariance)
    matrix = directions / np.sqrt(np.maximum(values, 1e-9)) @ directions.T
    return VectorMap(np.zeros(len(matrix), np.float32), _scale(matrix))


def tell_apart(vectors: FloatArray, motifs: npt.NDArray[np.str_], shrinkage: float) -> VectorMap:
    """The directions in which motifs differ most beside what differs within them."""
    _, number, counts = np.unique(motifs, return_inverse=True, return_counts=True)
    several = counts[number] > 1  # one vector alone tells nothing of what differs within its motif
    if len(set(motifs[several])) < 2:
        return keep_as_shipped(vectors, motifs)
    fitted = LinearDiscriminantAnalysis(solver="eigen", shrinkage=shrinkage)
    fitted.fit(vectors[several], motifs[several])
    kept = min(len(fitted.classes_) - 1, vectors.shape[1])
    mean = np.asarray(vectors.mean(axis=0), np.float32)
    return VectorMap(mean, _scale(fitted.scalings_[:, :kept]))


def _scale(matrix: npt.NDArray[np.floating]) -> FloatArray:
    return np.asarray(matrix / np.sqrt((matrix**2).sum(axis=0).mean()), np.float32)


def list_fits() -> dict[str, FitMap]:
    """Every kind of map that is tried, by name."""
    fits: dict[str, FitMap] = {"as shipped": keep_as_shipped}
    for share in WHITENING:
        fits[f"whitened {share}"] = lambda v, m, share=share: whiten_within(v, m, share)  # type: ignore[misc]
    for share in DISCRIMINANT:
        fits[f"discriminant {share}"] = lambda v, m, share=share: tell_apart(v, m, share)  # type: ignore[misc]
    return fits


@dataclass(frozen=True, eq=False)
class _Rows:
    """Motif and piece of every vector, (N,)."""

    vectors: FloatArray
    motifs: npt.NDArray[np.str_]
    pieces: npt.NDArray[np.str_]


def tune(photos: LabelledPhotos, readings: Sequence[str]) -> Head:
    """Fit, choose and judge a head.

    Raises
    ------
    NoGallery
        Too few motifs have photos of two pieces.
    """
    asked = photos.can_be_asked()
    motifs = {photos.gallery.items[k].motif_id for k in asked}
    if len(motifs) < LEAST_MOTIFS:
        raise NoGallery(
            f"only {len(motifs)} motifs have photos of two pieces; a head needs {LEAST_MOTIFS} or more"
        )
    rows = _spread(photos)
    fold_of_item = _deal_folds(photos, FOLDS)
    fits = list_fits()
    kept, folds = [], []
    for fold in tqdm(range(FOLDS), desc="folds", file=sys.stderr):
        inside = np.array([fold_of_item[k] != fold for k in photos.gallery.photo_index])
        name = choose_fit(_subset(photos, fold_of_item != fold), fits)
        kept.append(name)
        folds.append(fits[name](rows.vectors[inside], rows.motifs[inside]))
    chosen = choose_fit(photos, fits)
    whole = fits[chosen](rows.vectors, rows.motifs)
    folds, whole = _same_size([*folds, whole])
    ours = find_places(photos, lambda k: folds[int(fold_of_item[k])])
    shipped = find_places(photos, lambda _: None)
    calibration = _calibrate(photos, folds, fold_of_item)
    pieces = [photos.pieces[k] for k in asked]
    difference, low, high = compare_paired(ours, shipped, pieces)
    facts = {
        "kind": chosen,
        "kinds of the folds": kept,
        "photos": len(photos.gallery.items),
        "asked": len(asked),
        "motifs asked": len(motifs),
        "found first": _share(ours == 0),
        "found first as shipped": _share(shipped == 0),
        "among five": _share(ours < 5),
        "among five as shipped": _share(shipped < 5),
        "difference": [round(difference, 4), round(low, 4), round(high, 4)],
        "judged by": "one piece left out, maps fitted and chosen without it; interval 95 %, drawn by piece",
    }
    maps = (whole, *folds)
    recipe_id = photos.gallery.recipe_id
    fold_of = {readings[k]: int(fold_of_item[k]) for k in range(len(readings))}
    head_id = find_head_id(recipe_id, maps, calibration)
    return Head(head_id, recipe_id, whole, tuple(folds), fold_of, calibration, facts)


def choose_fit(photos: LabelledPhotos, fits: dict[str, FitMap]) -> str:
    """The kind of map with the best mean reciprocal place over inner folds; "as shipped" wins ties."""
    fold_of_item = _deal_folds(photos, INNER_FOLDS)
    rows = _spread(photos)
    scores = {}
    for name, fit in fits.items():
        maps = []
        for fold in range(INNER_FOLDS):
            inside = np.array([fold_of_item[k] != fold for k in photos.gallery.photo_index])
            maps.append(fit(rows.vectors[inside], rows.motifs[inside]))
        places = find_places(photos, lambda k, maps=maps: maps[int(fold_of_item[k])])  # type: ignore[misc]
        scores[name] = float((1 / (1 + places)).mean()) if len(places) else 0.0
    return max(scores, key=lambda name: (scores[name], name == "as shipped"))


def _deal_folds(photos: LabelledPhotos, folds: int) -> npt.NDArray[np.int64]:
    """Fold of each item; a piece lies in one."""
    out = np.zeros(len(photos.pieces), np.int64)
    dealt = GroupKFold(min(folds, len(set(photos.pieces))), shuffle=True, random_state=SEED)
    for number, (_, held) in enumerate(dealt.split(out, groups=list(photos.pieces))):
        out[held] = number
    return out


def _spread(photos: LabelledPhotos) -> _Rows:
    gallery = photos.gallery
    return _Rows(
        gallery.vectors,
        np.array([gallery.items[k].motif_id for k in gallery.photo_index]),
        np.array([photos.pieces[k] for k in gallery.photo_index]),
    )


def _subset(photos: LabelledPhotos, keep: npt.NDArray[np.bool_]) -> LabelledPhotos:
    """Only some of the items, with their vectors."""
    gallery = photos.gallery
    rows = keep[gallery.photo_index]
    place = np.cumsum(keep) - 1
    items = tuple(item for item, kept in zip(gallery.items, keep, strict=True) if kept)
    smaller = type(gallery)(gallery.vectors[rows], place[gallery.photo_index[rows]], items, gallery.recipe_id)
    pieces = tuple(piece for piece, kept in zip(photos.pieces, keep, strict=True) if kept)
    return LabelledPhotos(smaller, pieces, photos.weights[rows])


def _same_size(maps: list[VectorMap]) -> tuple[list[VectorMap], VectorMap]:
    """All maps with as many columns: zeros added change no cosine."""
    most = max(one.matrix.shape[1] for one in maps)
    wide = [
        VectorMap(one.mean, np.pad(one.matrix, ((0, 0), (0, most - one.matrix.shape[1])))) for one in maps
    ]
    return wide[:-1], wide[-1]


def _calibrate(
    photos: LabelledPhotos, folds: Sequence[VectorMap], fold_of_item: npt.NDArray[np.int64]
) -> Calibration:
    """Scores to probabilities, on galleries of some motifs, by maps that never saw the asked piece."""
    rng = np.random.default_rng(SEED)
    gallery = photos.gallery
    names = np.unique([item.motif_id for item in gallery.items])
    asked = np.array(photos.can_be_asked())
    mapped = [fold.apply(gallery.vectors) for fold in folds]
    trials = []
    for _ in range(CALIBRATION_ROUNDS):
        size = max(2, round(float(rng.uniform(SMALLEST_SHARE, 0.9)) * len(names)))
        chosen = frozenset(map(str, rng.permutation(names)[:size]))
        for k in rng.permutation(asked)[:24]:
            rows = mapped[int(fold_of_item[k])]
            query, weights, ranking = rank_without(photos, rows, int(k), chosen)
            if len(ranking.motif_ids) < 2:
                continue
            own = gallery.items[k].motif_id
            place = ranking.motif_ids.index(own) if own in ranking.motif_ids else None
            trials.append(Trial(ranking, gather_evidence(query, weights, ranking), place))
    return fit_calibration(trials, gallery.recipe_id)


def _share(hits: npt.NDArray[np.bool_]) -> float:
    return round(float(hits.mean()), 4)


def main() -> int:
    """Fit and write the file; 1 where there is too little to fit on."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path, metavar="DIR", help="folder of the archive, or the archive")
    parser.add_argument("--out", type=Path, help="default: own.head beside the archive")
    told = parser.parse_args()
    try:
        archive = find_archive(told.folder)
        head = tune(*load_gallery(archive))
    except NoGallery as error:
        print(f"tune: {error}", file=sys.stderr)
        return 1
    out = archive.with_name("own.head") if told.out is None else told.out
    out.write_text(write_head(head), encoding="utf-8")
    print(_tell(head.facts))
    print(f"written: {out}; take it on with `rimlight model adopt {out}`")
    return 0


def _tell(facts: dict[str, Any]) -> str:
    difference, low, high = facts["difference"]
    return json.dumps(facts, indent=1) + (
        f"\nFound first, one piece left out: {facts['found first']:.1%} against "
        f"{facts['found first as shipped']:.1%} as shipped ({difference:+.1%}, 95 %: {low:+.1%} to "
        f"{high:+.1%}; {facts['asked']} photos of {facts['motifs asked']} motifs)."
    )


if __name__ == "__main__":
    sys.exit(main())
