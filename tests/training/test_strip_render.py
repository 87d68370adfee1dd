"""The fast strip renderer: seeded, its truth agrees with its pixels, wear and lines move as told."""

from __future__ import annotations

import numpy as np
import pytest

from model.colour import luminance
from training.art.library import load_motifs
from training.art.motif_art import Motif
from training.render.strip import render_strip

CALM = {
    "shading": 0.05,
    "glare": 0.0,
    "glare_streak": 0.0,
    "embossing": 0.0,
    "decal": 0.0,
    "food": False,
    "covered_share": 0.0,
    "drift_px": 0.0,
    "scale_change": 0.0,
    "noise": 0.002,
    "seam": False,
}


def bar_motif() -> Motif:
    tile = np.zeros((96, 64), np.float32)
    tile[10:86, 16:48] = 1
    return Motif("bar", "bar", "test", tile, "continuous")


def test_the_same_seed_renders_the_same_strip() -> None:
    motif = load_motifs("train")[5]
    first, again = (render_strip(motif, np.random.default_rng(9)) for _ in range(2))
    assert np.array_equal(first.strip.encoded, again.strip.encoded)
    assert np.array_equal(first.truth.left, again.truth.left)


@pytest.mark.parametrize("metal", ["gold", "platinum", "paint"])
def test_strips_of_every_metal_are_whole_and_bounded(metal: str) -> None:
    rng = np.random.default_rng(3)
    for motif in load_motifs("train", limit=6):
        picture = render_strip(motif, rng, metal=metal)
        h, w = picture.strip.encoded.shape[:2]
        assert picture.truth.cover.shape == picture.truth.left.shape == (h, w)
        assert 0 <= picture.truth.remaining_share <= 1
        assert 0 <= picture.truth.border_rows[0] < picture.truth.border_rows[1] <= h + 1


def test_black_paint_on_white_lies_where_the_truth_says() -> None:
    picture = render_strip(
        bar_motif(), np.random.default_rng(1), "paint", paint="black", glaze="white", wear_share=0.0,
        edge_line="none", verge_line="none", **CALM,
    )  # fmt: skip
    light = luminance(picture.strip.linear_rgb)
    inside = light[picture.truth.cover > 0.9]
    bare = light[picture.strip.lip_row + 4 :][picture.truth.cover[picture.strip.lip_row + 4 :] < 0.02]
    assert np.percentile(inside, 75) < 0.4 * np.percentile(bare, 25)


def test_more_wear_told_leaves_less_metal() -> None:
    shares = [
        render_strip(bar_motif(), np.random.default_rng(4), wear_share=wear).truth.remaining_share
        for wear in (0.0, 0.2, 0.5, 0.8)
    ]
    assert shares == sorted(shares, reverse=True)
    assert shares[0] == 1 and shares[3] == pytest.approx(0.2, abs=0.06)


def test_a_closed_strip_holds_a_whole_number_of_repeats_and_joins_itself() -> None:
    picture = render_strip(bar_motif(), np.random.default_rng(2), closed=True)
    assert picture.truth.repeats == pytest.approx(round(picture.truth.repeats), abs=1e-6)
    cover = picture.truth.cover
    joint = np.abs(cover[:, 0] - cover[:, -1]).mean()
    assert joint < 3 * np.abs(np.diff(cover, axis=1)).mean() + 0.02


def test_a_strip_without_border_says_so() -> None:
    picture = render_strip(bar_motif(), np.random.default_rng(2), border_height_px=0.0, edge_line="none")
    assert picture.truth.layout == "none"


def test_an_unknown_choice_is_refused() -> None:
    with pytest.raises(TypeError, match="sparkle"):
        render_strip(bar_motif(), np.random.default_rng(0), sparkle=1)
