"""Cloths drawn from motif art: the same print again, look-alikes apart, and blocks that hold them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from training.config import TINY
from training.dataset import draw_block
from training.sources import LibrarySource, make_training_source
from training.textures import Cloth, draw_cloth_windows


@pytest.fixture(scope="module")
def source() -> LibrarySource:
    made = make_training_source(TINY)()
    assert isinstance(made, LibrarySource)
    return made


def test_windows_of_a_cloth_are_windows_of_the_network(source: LibrarySource) -> None:
    rng = np.random.default_rng(2)
    windows = draw_cloth_windows(Cloth.print_with(source.motif(0), rng.random(6)), rng, 3)
    assert windows.shape == (3, 3, 96, 320)
    assert windows.min() >= 0
    assert windows.max() <= 1
    assert windows[:, 0].std(axis=(1, 2)).min() > 0.02


def test_a_cloth_repeats_its_stamp_and_look_alikes_share_only_its_layout(source: LibrarySource) -> None:
    layout = np.array([0.3, 0.2, 0.4, 0.5, 0.9, 0.0])
    one, again, other = (
        Cloth.print_with(source.motif(number), layout) for number in (0, 0, source.family(0)[1])
    )
    np.testing.assert_array_equal(one.repeat, again.repeat)
    assert other.repeat.shape != one.repeat.shape or not np.allclose(other.repeat, one.repeat)
    half = one.repeat.shape[0] // 2
    # The second row of stamps is the first, half a stamp further on.
    np.testing.assert_array_equal(
        np.roll(one.repeat[:half], round(0.5 * one.repeat.shape[1]), axis=1), one.repeat[half:]
    )


def test_a_share_of_blocks_shows_cloths_under_numbers_of_their_own(source: LibrarySource) -> None:
    config = replace(TINY, cloth_share=1.0, strips_a_motif=3, windows_a_strip=2)
    block = draw_block(source, source.family(1), config, np.random.default_rng(5))
    numbers, counts = np.unique(block.motifs, return_counts=True)
    assert len(numbers) == config.siblings
    assert counts.tolist() == [6] * config.siblings
    assert not set(numbers.tolist()) & set(source.family(1))
    assert len(np.unique(block.strips)) == 3 * config.siblings
