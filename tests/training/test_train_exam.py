"""The exam's own arithmetic: intervals, areas, baselines, the look-up's fit, on cases with known answers."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import roc_auc_score

from model.lookup import EVIDENCE_NAMES
from training.baselines import SiftGallery, find_keypoints
from training.dataset import encode_windows
from training.evaluate_motif import measure_recall, measure_rejection
from training.fit_lookup import describe_calibration, fit_calibration, try_galleries
from training.intervals import area_under_curve, bootstrap_difference, describe_share, wilson_interval
from training.quick_strip import draw_quick_strip
from training.sources import LARGEST_FAMILY, LibrarySource
from training.views import EmbeddedView, View, draw_views, gather_gallery

DIMENSION = 32


# R. G. Newcombe, "Two-sided confidence intervals for the single proportion", Stat. Med. 17, 1998, table I,
# method 3 (numbers from memory).
@pytest.mark.parametrize(
    ("hits", "total", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_the_interval_of_a_share_is_the_published_one(hits: int, total: int, low: float, high: float):
    assert wilson_interval(hits, total) == pytest.approx((low, high), abs=5e-5)


def test_the_area_under_the_curve_agrees_with_scikit_learn():
    rng = np.random.default_rng(0)
    high, low = rng.integers(0, 9, 60), rng.integers(-3, 6, 90)
    expected = roc_auc_score(np.r_[np.ones(60), np.zeros(90)], np.r_[high, low])
    assert area_under_curve(high, low) == pytest.approx(expected)


def test_a_difference_between_equal_measures_is_zero_and_a_sure_one_excludes_it():
    rng = np.random.default_rng(1)
    right = rng.random(300) < 0.8
    groups = np.repeat(np.arange(60), 5)
    assert bootstrap_difference(right, right, groups)["difference"] == 0
    worse = right & (rng.random(300) < 0.5)
    low, high = bootstrap_difference(right, worse, groups)["interval_95"]
    assert 0 < low < high


def clustered_views(motifs: int, views: int, spread: float, seed: int) -> list[EmbeddedView]:
    """Views of motifs as noisy copies of one direction each; numbers of families of one."""
    rng = np.random.default_rng(seed)
    made = []
    for index in range(motifs):
        centre = rng.normal(size=DIMENSION)
        for _ in range(views):
            rows = centre + spread * rng.normal(size=(4, DIMENSION))
            rows /= np.linalg.norm(rows, axis=1, keepdims=True)
            number = index * LARGEST_FAMILY
            made.append(EmbeddedView(number, rows.astype(np.float32), np.ones(4, np.float32)))
    return made


def test_well_kept_apart_motifs_are_found_and_strangers_refused():
    views = clustered_views(60, 4, 0.25, seed=3)
    trials = try_galleries(views, 20, 5, LARGEST_FAMILY)
    calibration = fit_calibration(trials, "r")
    content = describe_calibration(calibration, trials, 5)
    assert len(content["unknown_coefficients"]) == len(EVIDENCE_NAMES)
    assert content["fitted_on"]["known_queries"] > 100 < content["fitted_on"]["unknown_queries"]
    known, strangers = clustered_views(20, 4, 0.25, seed=8), clustered_views(20, 2, 0.25, seed=9)
    gallery, asked = known[::4] + known[1::4], known[2::4]
    assert measure_recall(gallery, asked, 2)["recall_at_1"]["share"] == 1.0
    rejection = measure_rejection(gather_gallery(gallery), asked, {"unlike": strangers}, calibration)
    assert rejection["unlike"]["auroc"] > 0.99
    assert rejection["unlike"]["false_match"]["share"] <= 0.05
    assert rejection["asserted_right"]["share"] >= 0.9


def test_a_view_without_a_border_counts_as_a_miss():
    views = clustered_views(5, 2, 0.2, seed=1)
    empty = EmbeddedView(views[1].motif, np.empty((0, DIMENSION), np.float32), np.empty(0, np.float32))
    result = measure_recall(views[::2], [views[3], empty], 1)
    assert result["recall_at_1"]["share"] == 0.5 and result["places"].tolist() == [0, -1]


def test_more_gallery_photos_are_taken_in_their_order():
    views = clustered_views(4, 3, 2.5, seed=2)
    one = measure_recall(views, views[2::3], 1)["places"]
    three = measure_recall(views, views[2::3], 3)["places"]
    assert (three == 0).all()  # the query itself is the third photo
    assert (one >= three).all()


def test_sift_finds_the_window_it_has_seen():
    source = LibrarySource("train", 8, 0, 0.0)
    views = draw_views(lambda: source, [k * LARGEST_FAMILY for k in range(8)], (1,))
    gallery = SiftGallery(views)
    sure = [view for view in views if find_keypoints(view.windows[0]).descriptors.any(axis=1).sum() >= 20]
    assert len(sure) >= 3
    for view in sure:
        shifted = View(view.motif, np.roll(view.windows[:1], 9, axis=3), view.weights[:1])
        assert gallery.rank(shifted)[0] == view.motif


def test_strips_drawn_quickly_are_the_same_for_the_same_seed_and_show_the_motif():
    motif = LibrarySource("train", 8, 0, 0.0).motif(0)
    one, two = (draw_quick_strip(motif, np.random.default_rng(4)) for _ in range(2))
    np.testing.assert_array_equal(one[1].contrast, two[1].contrast)
    assert one[1].border is not None and one[1].border.row1 - one[1].border.row0 >= 5
    assert np.isfinite(one[1].contrast).all() and np.abs(one[1].contrast).max() > 0.05


def test_shares_come_with_their_number_and_interval():
    row = describe_share([True, True, False, True])
    assert row["share"] == 0.75 and row["n"] == 4
    assert encode_windows([]).shape == (0, 3, 96, 320)
