"""A head on the network's vectors: its file, its place in the look-up, and how it is judged."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from model.errors import RecipeError
from model.head import Head, VectorMap, find_head_id, read_head, write_head
from model.leave_out import LabelledPhotos, compare_paired, find_places, rank_without
from model.lookup import EVIDENCE_NAMES, Calibration, Gallery, GalleryItem, look_up, rank_motifs

NUMBERS = 12
FLAT = tuple(0.0 for _ in EVIDENCE_NAMES)
CALIBRATION = Calibration(20.0, -3.0, FLAT, FLAT, tuple(1.0 for _ in EVIDENCE_NAMES), "r")


def head_of(*matrices: np.ndarray, fold_of: dict[str, int] | None = None) -> Head:
    """A head of maps without a mean: the whole first, then its folds."""
    maps = tuple(VectorMap(np.zeros(len(m), np.float32), m.astype(np.float32)) for m in matrices)
    head_id = find_head_id("r", maps, CALIBRATION)
    return Head(head_id, "r", maps[0], maps[1:], fold_of or {}, CALIBRATION, {"kind": "told"})


def keep_last_half() -> np.ndarray:
    return np.diag([0.0] * (NUMBERS // 2) + [1.0] * (NUMBERS // 2))


def noisy_gallery() -> LabelledPhotos:
    """Six motifs that differ in the last half of the numbers; the first half is noise as large."""
    rng = np.random.default_rng(5)
    middles = rng.normal(size=(6, NUMBERS // 2))
    rows, items, pieces = [], [], []
    for photo in range(24):
        own = np.concatenate([2.0 * rng.normal(size=NUMBERS // 2), middles[photo // 4]])
        rows.append(own / np.linalg.norm(own))
        items.append(GalleryItem(f"g{photo}", f"motif {photo // 4}", f"Motif {photo // 4}"))
        pieces.append(f"piece {photo // 2}")
    gallery = Gallery(np.array(rows, np.float32), np.arange(24), tuple(items), "r")
    return LabelledPhotos(gallery, tuple(pieces), np.ones(24, np.float32))


def test_a_head_comes_back_from_its_file_as_it_was() -> None:
    head = head_of(keep_last_half(), np.eye(NUMBERS), fold_of={"a": 0})
    again = read_head(write_head(head))
    vectors = np.random.default_rng(0).normal(size=(4, NUMBERS)).astype(np.float32)
    np.testing.assert_array_equal(again.whole.apply(vectors), head.whole.apply(vectors))
    assert (again.id, again.fold_of, again.facts) == (head.id, head.fold_of, head.facts)
    assert again.map_for("a") is again.folds[0]
    assert again.map_for("unheard of") is again.whole


@pytest.mark.parametrize(
    "changes",
    [
        {"recipe_id": "other"},
        {"version": 2},
        {"format": "a drawing"},
        {"fold_of": {"a": 3}},
        {"folds": []},
        {"whole": {"shape": [4, 4], "mean": [0] * 4, "matrix": "AAAA"}},
        {"calibration": {}},
    ],
)
def test_a_head_that_was_changed_is_refused(changes: dict) -> None:
    content = json.loads(write_head(head_of(keep_last_half(), np.eye(NUMBERS)))) | changes
    with pytest.raises(RecipeError):
        read_head(json.dumps(content))


def test_anything_else_is_no_head() -> None:
    for text in ("", "{}", "[1, 2]", "not JSON", "9" * 20, "[" * 100_000):
        with pytest.raises(RecipeError):
            read_head(text)


def test_the_look_up_compares_through_the_head_and_uses_its_calibration() -> None:
    photos = noisy_gallery()
    with_head = replace(photos.gallery, head=head_of(keep_last_half(), np.eye(NUMBERS)))
    query = photos.gallery.vectors[:1].copy()
    query[:, : NUMBERS // 2] *= -1
    weights = np.ones(1, np.float32)
    assert rank_motifs(query, weights, with_head).motif_ids[0] == "motif 0"
    assert look_up(query, weights, with_head).candidates[0].distance == pytest.approx(0, abs=1e-5)
    assert look_up(query, weights, photos.gallery, CALIBRATION).candidates[0].distance > 0.3


def test_a_photo_is_ranked_without_its_own_piece() -> None:
    photos = noisy_gallery()
    _, _, ranking = rank_without(photos, photos.gallery.vectors, 0)
    own = rank_motifs(photos.gallery.vectors[:1], np.ones(1, np.float32), photos.gallery)
    assert own.scores[0] == pytest.approx(1)
    assert ranking.scores[0] < 0.999
    few = rank_without(photos, photos.gallery.vectors, 0, frozenset({"motif 2", "motif 3"}))[2]
    assert set(few.motif_ids) == {"motif 2", "motif 3"}


def test_motifs_of_one_piece_cannot_be_asked() -> None:
    photos = noisy_gallery()
    assert photos.can_be_asked() == list(range(24))
    alone = replace(photos, pieces=("one",) * 4 + photos.pieces[4:])
    assert alone.can_be_asked() == list(range(4, 24))


def test_a_map_that_takes_the_noise_off_finds_more_and_the_comparison_says_so() -> None:
    photos = noisy_gallery()
    head = head_of(keep_last_half(), np.eye(NUMBERS))
    ours = find_places(photos, lambda _: head.whole)
    shipped = find_places(photos, lambda _: None)
    assert (ours == 0).mean() == 1
    difference, low, high = compare_paired(ours, shipped, photos.pieces)
    assert difference == pytest.approx(1 - (shipped == 0).mean())
    assert 0 < low <= difference <= high
    assert compare_paired(shipped, shipped, photos.pieces) == (0, 0, 0)
