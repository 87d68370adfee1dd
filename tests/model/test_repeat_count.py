"""Counts that are sure and counts that are not: slips behind a hidden stretch, scallops, unlike pairs."""

from __future__ import annotations

import numpy as np
import pytest

from model.repeat_count import settle_count
from model.repeat_parts import compare_parts
from model.repeat_phase import PHASES, follow_repeats

ROWS = 48


def draw_stamp(seed: int, width: int) -> np.ndarray:
    """(48, width) float32 0..1: blots of its own, nothing at the ends."""
    rng = np.random.default_rng(seed)
    stamp = np.zeros((ROWS, width), np.float32)
    y, x = np.mgrid[:ROWS, :width]
    for _ in range(5):
        row, column = rng.uniform(8, ROWS - 8), rng.uniform(5, width - 5)
        stamp += np.exp(-((y - row) ** 2 + (x - column) ** 2) / (2 * rng.uniform(2, 4) ** 2))
    return np.clip(stamp, 0, 1).astype(np.float32)


def draw_ribbon(stamps: list[np.ndarray], repeats: int, noise: float = 0.05) -> np.ndarray:
    ribbon = np.tile(np.concatenate(stamps, axis=1), (1, repeats))
    return ribbon + np.random.default_rng(9).normal(0, noise, ribbon.shape).astype(np.float32)


def make_features(ribbon: np.ndarray) -> np.ndarray:
    rows = ribbon.reshape(12, 4, -1).mean(axis=1)
    return np.asarray(rows - rows.mean(axis=1, keepdims=True), np.float32)


def test_the_right_count_is_followed_with_a_wide_margin_and_a_wrong_one_is_mended() -> None:
    ribbon = draw_ribbon([draw_stamp(1, 37)], 20)
    seen = np.ones(ribbon.shape[1], bool)
    right, wrong = (follow_repeats(make_features(ribbon), seen, count) for count in (20, 19))
    assert right.count == wrong.count == 20
    assert right.margin > 2
    assert len(right.columns) == 20 * PHASES
    assert np.all(np.diff(right.columns) > 0)


def test_a_hidden_half_leaves_the_count_unsure_and_a_whole_rim_does_not() -> None:
    ribbon = draw_ribbon([draw_stamp(1, 25)], 40)
    share = np.ones_like(ribbon)
    seen = np.ones(ribbon.shape[1], bool)
    assert settle_count(ribbon, share, make_features(ribbon), seen, 40).sure
    seen[: len(seen) // 2] = False
    hidden = ribbon * seen
    settled = settle_count(hidden, share * seen, make_features(ribbon) * seen, seen, 40)
    assert not settled.sure


def test_noise_alone_is_never_sure() -> None:
    noise = np.random.default_rng(3).normal(0, 1, (ROWS, 900)).astype(np.float32)
    for guess in (3, 12, 40):
        settled = settle_count(
            np.abs(noise), np.ones_like(noise), make_features(noise), np.ones(900, bool), guess
        )
        assert not settled.sure


def test_two_prints_in_turn_are_one_repeat() -> None:
    ribbon = draw_ribbon([draw_stamp(1, 30), draw_stamp(2, 30)], 12)
    settled = settle_count(
        ribbon, np.ones_like(ribbon), make_features(ribbon), np.ones(ribbon.shape[1], bool), 24
    )
    assert settled.repeats == 12


@pytest.mark.parametrize("lobes", [5, 10])
def test_repeats_on_a_scalloped_rim_are_not_counted_by_its_scallops(lobes: int) -> None:
    flat = draw_ribbon([draw_stamp(4, 40)], 4 * lobes, noise=0.02)
    width = flat.shape[1]
    phase = np.arange(width) * (2 * np.pi * lobes / width)
    # Wider on the crests, narrower between them, and a little up and down.
    columns = np.arange(width) + 5.0 * np.sin(phase)
    rows = np.arange(ROWS)[:, None] + 1.5 * np.cos(phase)[None]
    swaying = flat[
        np.clip(np.rint(rows), 0, ROWS - 1).astype(int), np.rint(columns).astype(int)[None] % width
    ]
    settled = settle_count(
        swaying, np.ones_like(swaying), make_features(swaying), np.ones(width, bool), lobes
    )
    assert settled.repeats == 4 * lobes or not settled.sure
    assert settled.repeats != lobes or not settled.sure


def test_parts_of_one_print_are_as_alike_as_noise_allows_and_parts_of_two_are_not() -> None:
    same = draw_ribbon([draw_stamp(1, 30)], 24, noise=0.2)
    other = draw_ribbon([draw_stamp(1, 30), draw_stamp(2, 30)], 12, noise=0.2)
    columns = np.arange(24 * PHASES) * (same.shape[1] / (24 * PHASES))
    alike, unlike = (compare_parts(ribbon, np.ones_like(ribbon), columns, 24, 2) for ribbon in (same, other))
    assert alike is not None and unlike is not None
    assert alike.between_share > 0.95
    assert unlike.between_share < 0.6
    assert compare_parts(same, np.ones_like(same), columns, 2, 2) is None
