"""The look-up: exact, pooled, and honest about what it does not know."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from model.errors import RecipeError
from model.lookup import (
    DISTINCT_SLOPE,
    EVIDENCE_NAMES,
    Calibration,
    Gallery,
    GalleryItem,
    load_calibration,
    look_up,
    rank_motifs,
)

CALIBRATION = Calibration(
    score_slope=20.0,
    unknown_intercept=0.0,
    unknown_coefficients=(-2.0, -1.0, 0.0, 0.0, 0.0, 0.0),
    unknown_mean=(0.5, 0.1, 0.0, 0.0, 0.0, 0.0),
    unknown_scale=(0.2, 0.1, 1.0, 1.0, 1.0, 1.0),
    recipe_id="test",
)


def unit(rows: np.ndarray) -> np.ndarray:
    return (rows / np.linalg.norm(rows, axis=1, keepdims=True)).astype(np.float32)


def random_gallery(rng: np.random.Generator, motifs: int, photos: int, vectors: int, d: int = 16) -> Gallery:
    items = tuple(GalleryItem(f"g{k}", f"m{rng.integers(motifs)}", f"Motif {k}") for k in range(photos))
    return Gallery(unit(rng.normal(size=(vectors, d))), rng.integers(0, photos, vectors), items)


def brute_force(query: np.ndarray, weights: np.ndarray, gallery: Gallery) -> dict[str, float]:
    """Score of every motif by the definition: mean over windows of the nearest vector's cosine, each window
    weighted by its confidence and by how far its nearest motif stands out from the mean of all."""
    motif_of = [gallery.items[index].motif_id for index in gallery.photo_index]
    nearest = {
        motif: [
            max(float(v @ q) for v, m in zip(gallery.vectors, motif_of, strict=True) if m == motif)
            for q in query
        ]
        for motif in set(motif_of)
    }
    table = np.array(list(nearest.values()))
    shares = weights * np.exp(DISTINCT_SLOPE * (table.max(axis=0) - table.mean(axis=0)))
    return {motif: float(np.dot(shares / shares.sum(), row)) for motif, row in nearest.items()}


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    motifs=st.integers(1, 9),
    photos=st.integers(1, 14),
    vectors=st.integers(1, 60),
    windows=st.integers(1, 7),
)
def test_ranking_is_that_of_brute_force(seed: int, motifs: int, photos: int, vectors: int, windows: int):
    rng = np.random.default_rng(seed)
    gallery = random_gallery(rng, motifs, photos, vectors)
    query, weights = unit(rng.normal(size=(windows, 16))), rng.random(windows).astype(np.float32) + 0.01
    expected = brute_force(query, weights, gallery)
    ranking = rank_motifs(query, weights, gallery)
    assert set(ranking.motif_ids) == set(expected)
    for motif, score in zip(ranking.motif_ids, ranking.scores, strict=True):
        assert score == pytest.approx(expected[motif], abs=1e-5)
    assert list(ranking.scores) == sorted(ranking.scores, reverse=True)


def test_the_best_item_of_a_motif_is_the_photo_that_lies_nearest():
    items = (GalleryItem("far", "a", "A"), GalleryItem("near", "a", "A"), GalleryItem("other", "b", "B"))
    vectors = unit(np.array([[1, 1, 0], [1, 0.05, 0], [0, 0, 1]], float))
    gallery = Gallery(vectors, np.array([0, 1, 2]), items)
    matches = look_up(unit(np.array([[1.0, 0, 0]])), np.ones(1, np.float32), gallery, CALIBRATION)
    assert [c.motif_id for c in matches.candidates] == ["a", "b"]
    assert matches.candidates[0].gallery_id == "near"


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), motifs=st.integers(1, 12))
def test_probabilities_sum_to_at_most_one_and_each_motif_stands_once(seed: int, motifs: int):
    rng = np.random.default_rng(seed)
    gallery = random_gallery(rng, motifs, 20, 50)
    query = unit(rng.normal(size=(3, 16)))
    matches = look_up(query, np.ones(3, np.float32), gallery, CALIBRATION)
    names = [candidate.motif_id for candidate in matches.candidates]
    assert len(names) == len(set(names)) <= 5
    total = sum(candidate.probability for candidate in matches.candidates)
    assert matches.not_in_gallery_probability is not None
    assert total + matches.not_in_gallery_probability <= 1 + 1e-9
    distances = [candidate.distance for candidate in matches.candidates]
    assert distances == sorted(distances)


def test_a_motif_farther_from_all_is_more_likely_not_in_the_gallery():
    rng = np.random.default_rng(3)
    gallery = random_gallery(rng, 6, 12, 40)
    direction = unit(rng.normal(size=(1, 16)))
    shares = []
    for near in (1.0, 0.6, 0.3, 0.0):
        query = unit(near * gallery.vectors[:1] + (1 - near) * direction)
        matches = look_up(query, np.ones(1, np.float32), gallery, CALIBRATION)
        shares.append(matches.not_in_gallery_probability)
    assert shares == sorted(shares)


def test_an_empty_gallery_gives_no_candidate_and_certainty_that_it_is_not_in_it():
    empty = Gallery(np.empty((0, 16), np.float32), np.empty(0, np.int64), ())
    matches = look_up(np.ones((1, 16), np.float32) / 4, np.ones(1, np.float32), empty, CALIBRATION)
    assert matches.candidates == () and matches.not_in_gallery_probability == 1.0


def test_no_query_vector_gives_no_candidate_and_no_probability():
    gallery = random_gallery(np.random.default_rng(0), 3, 4, 8)
    matches = look_up(np.empty((0, 16), np.float32), np.empty(0, np.float32), gallery, CALIBRATION)
    assert matches.candidates == () and matches.not_in_gallery_probability is None


def test_vectors_of_another_length_are_refused():
    gallery = random_gallery(np.random.default_rng(0), 3, 4, 8)
    with pytest.raises(ValueError, match="vectors of 16 numbers"):
        rank_motifs(np.ones((1, 8), np.float32), np.ones(1, np.float32), gallery)


def test_a_gallery_whose_arrays_disagree_is_refused():
    with pytest.raises(ValueError, match="one photo index a vector"):
        Gallery(np.ones((3, 4), np.float32), np.zeros(2, np.int64), (GalleryItem("g", "m", "M"),))
    with pytest.raises(ValueError, match="lies outside"):
        Gallery(np.ones((1, 4), np.float32), np.ones(1, np.int64), (GalleryItem("g", "m", "M"),))


def test_the_shipped_numbers_load_and_broken_ones_are_refused(tmp_path: Path):
    assert len(load_calibration().unknown_coefficients) == len(EVIDENCE_NAMES)
    broken = tmp_path / "lookup.json"
    broken.write_text(json.dumps({"score_slope": 1}), encoding="utf-8")
    with pytest.raises(RecipeError, match=r"lookup\.json"):
        load_calibration(broken)


def test_many_photos_of_one_piece_crowd_nobody_out():
    rng = np.random.default_rng(11)
    motifs = unit(rng.normal(size=(8, 32)))

    def photo(motif: int) -> np.ndarray:
        return unit(motifs[motif] + rng.normal(0, 0.12, (4, 32)))

    piece = photo(0)
    once = [(0, piece), *((motif, photo(motif)) for motif in range(1, 8))]
    again = [*once, *((0, unit(piece + rng.normal(0, 0.005, piece.shape))) for _ in range(60))]
    query, weights = photo(3), np.ones(4, np.float32)
    before, after = (rank_motifs(query, weights, _gallery_of(held)) for held in (once, again))
    assert before.motif_ids[0] == after.motif_ids[0] == "m3"
    assert before.motif_ids == after.motif_ids
    np.testing.assert_allclose(after.scores, before.scores, atol=0.02)
    matches = look_up(query, weights, _gallery_of(again), CALIBRATION)
    assert len({candidate.motif_id for candidate in matches.candidates}) == 5
    assert matches.candidates[0].motif_id == "m3"


def _gallery_of(photos: list[tuple[int, np.ndarray]]) -> Gallery:
    items = tuple(GalleryItem(f"g{k}", f"m{motif}", f"Motif {motif}") for k, (motif, _) in enumerate(photos))
    index = np.repeat(np.arange(len(photos)), [len(rows) for _, rows in photos])
    return Gallery(np.concatenate([rows for _, rows in photos]), index, items)
