"""Gallery photos whose label their neighbours speak against."""

from __future__ import annotations

import numpy as np

from model.gallery_doubts import find_doubtful_items
from model.lookup import Gallery, GalleryItem

MOTIFS, PHOTOS, WINDOWS = 5, 3, 4


def gallery_of(labels: list[str]) -> Gallery:
    """Three photos each of five motifs, vectors close together within a motif, labelled as told."""
    rng = np.random.default_rng(3)
    middles = rng.normal(size=(MOTIFS, 32)).repeat(PHOTOS * WINDOWS, axis=0)
    rows = middles + rng.normal(0, 0.3, middles.shape)
    rows /= np.linalg.norm(rows, axis=1, keepdims=True)
    items = tuple(GalleryItem(f"g{k}", label, label) for k, label in enumerate(labels))
    return Gallery(rows.astype(np.float32), np.arange(MOTIFS * PHOTOS).repeat(WINDOWS), items)


def right_labels() -> list[str]:
    return [f"motif {k // PHOTOS}" for k in range(MOTIFS * PHOTOS)]


def test_a_gallery_that_agrees_with_itself_raises_no_doubt() -> None:
    assert find_doubtful_items(gallery_of(right_labels())) == ()


def test_a_wrong_label_is_pointed_out_with_the_motif_it_resembles() -> None:
    labels = right_labels()
    labels[4] = "motif 3"
    (doubt,) = find_doubtful_items(gallery_of(labels))
    assert doubt.item.gallery_id == "g4"
    assert doubt.nearer.motif_id == "motif 1"
    assert doubt.lead > 0.1


def test_the_clearest_doubt_comes_first() -> None:
    labels = right_labels()
    labels[4], labels[10] = "motif 3", "motif 0"
    leads = [doubt.lead for doubt in find_doubtful_items(gallery_of(labels))]
    assert len(leads) == 2
    assert leads == sorted(leads, reverse=True)


def test_a_motif_with_one_photo_cannot_be_judged() -> None:
    labels = right_labels()
    labels[4] = "the only one"
    assert find_doubtful_items(gallery_of(labels)) == ()


def test_an_empty_gallery_raises_no_doubt() -> None:
    assert find_doubtful_items(Gallery(np.empty((0, 8), np.float32), np.empty(0, np.int64), ())) == ()
