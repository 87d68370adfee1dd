"""Recall of held-out motifs while training: their art comes from other sources than the training's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from model.lookup import Gallery, GalleryItem, rank_motifs
from training.config import TrainingConfig
from training.dataset import SourceMaker, Windows, draw_windows, encode_windows

# As many windows a strip as keep a validation short; reading uses more.
WINDOWS_A_STRIP = 6
GALLERY_STRIPS = 2


@dataclass(frozen=True)
class ValidationSet:
    """Windows (n, 3, 96, 320) uint8 with the confidence, motif and strip number of each, (n,)."""

    windows: Windows
    weights: npt.NDArray[np.float32]
    motifs: npt.NDArray[np.int64]
    strips: npt.NDArray[np.int64]


def draw_validation_set(maker: SourceMaker, config: TrainingConfig) -> ValidationSet:
    """Draw the same set for the same settings."""
    source = maker()
    rng = np.random.default_rng([config.seed, 77])
    chosen = [number for index in range(len(source)) for number in source.family(index)]
    chosen = chosen[: config.validation_motifs]
    parts, weights, numbers, strips = [], [], [], []
    for motif in chosen:
        for _ in range(config.validation_strips):
            windows = draw_windows(source, motif, rng, WINDOWS_A_STRIP)
            parts.append(encode_windows(windows))
            weights += [window.weight for window in windows]
            numbers += [motif] * len(windows)
            strips += [len(parts)] * len(windows)
    return ValidationSet(
        np.concatenate(parts),
        np.array(weights, np.float32),
        np.array(numbers, np.int64),
        np.array(strips, np.int64),
    )


def find_recall(vectors: npt.NDArray[np.float32], validation: ValidationSet) -> dict[str, float]:
    """Recall@1 and @5 by strip, with the first two strips of each motif as the gallery."""
    found, motifs = find_places(vectors, validation)
    return {
        "recall_at_1": round(float((found < 1).mean()), 4),
        "recall_at_5": round(float((found < 5).mean()), 4),
        "queries": len(found),
        "motifs": len(np.unique(motifs)),
    }


def find_places(
    vectors: npt.NDArray[np.float32], validation: ValidationSet
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Place of the right motif for each strip that is asked, and its motif number, both (queries,)."""
    in_gallery = np.zeros(len(vectors), bool)
    for motif in np.unique(validation.motifs):
        first = np.unique(validation.strips[validation.motifs == motif])[:GALLERY_STRIPS]
        in_gallery |= np.isin(validation.strips, first)
    strips, photo_index = np.unique(validation.strips[in_gallery], return_inverse=True)
    motif_of = {int(s): int(m) for s, m in zip(validation.strips, validation.motifs, strict=True)}
    items = tuple(GalleryItem(str(s), str(motif_of[int(s)]), "") for s in strips)
    gallery = Gallery(vectors[in_gallery], photo_index.astype(np.int64), items)
    places, motifs = [], []
    for strip in np.unique(validation.strips[~in_gallery]):
        rows = validation.strips == strip
        ranking = rank_motifs(vectors[rows], validation.weights[rows], gallery)
        places.append(ranking.motif_ids.index(str(motif_of[int(strip)])))
        motifs.append(motif_of[int(strip)])
    return np.array(places, np.int64), np.array(motifs, np.int64)
