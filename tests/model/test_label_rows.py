"""Rows of border and lines from labels whose truth was drawn: finer than cells, whatever columns do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from model.bands import Band, Bands
from model.border_span import find_border_span
from model.label_rows import Logistic, lay_rows, load_recipe
from model.level_border import level_border
from model.line_span import find_line_span
from model.rim_band import RimStrip, strip_from_rgb
from model.strip_labels import MATERIALS, StripLabels

ROWS, COLUMNS, FINE = 80, 480, 10
STEP, FIRST = 2.5, -20.0


def draw_span(first: float, last: float, sway: float = 0.0) -> np.ndarray:
    """(ROWS, COLUMNS) cover of the cells between two cell rows that sway once along the strip."""
    rows = (np.arange(ROWS * FINE) + 0.5) / FINE
    shift = sway * np.sin(np.linspace(0, 2 * np.pi, COLUMNS))
    fine = (rows[:, None] >= first + shift) & (rows[:, None] < last + shift)
    return np.asarray(fine.reshape(ROWS, FINE, COLUMNS).mean(axis=1), np.float32)


def draw_labels(
    *,
    border: tuple[float, float] | None = None,
    edge: tuple[float, float] | None = None,
    verge: tuple[float, float] | None = None,
    sway: float = 0.0,
    doubt: float = 0.05,
    stamps: int = 12,
) -> StripLabels:
    """Labels of spaced stamps between two rows and of lines, each chance at least ``doubt`` unsure."""
    rng = np.random.default_rng(7)
    nothing = np.zeros((ROWS, COLUMNS), np.float32)
    band = nothing if border is None else draw_span(*border, sway)
    stamp = (np.arange(COLUMNS) * stamps // COLUMNS * 2 % 2 == 0) & (
        np.arange(COLUMNS) % (COLUMNS // stamps) < 12
    )
    roles = np.stack(
        [
            nothing,
            nothing if edge is None else draw_span(*edge, sway),
            band * stamp,
            nothing if verge is None else draw_span(*verge, sway),
        ]
    )
    noise = rng.uniform(0, doubt, roles.shape).astype(np.float32)
    roles = np.clip(roles * (1 - 2 * doubt) + noise, 0, 1)
    roles[0] = np.clip(1 - roles[1:].sum(axis=0), 0, 1)
    materials = np.zeros((len(MATERIALS), ROWS, COLUMNS), np.float32)
    materials[MATERIALS.index("gold")] = 1 - roles[0]
    materials[0] = roles[0]
    return StripLabels(
        materials=materials,
        roles=roles,
        band=np.clip(band * (1 - 2 * doubt) + doubt, 0, 1),
        seen=np.ones((ROWS, COLUMNS), np.float32),
        step_px=STEP,
        first_row_px=FIRST,
        verdict=np.array([4.0, -4.0, -4.0], np.float32),
        remaining_share=1.0,
        worn_chance=0.0,
    )


def blank_strip() -> tuple[RimStrip, Bands]:
    height, width = round(ROWS * STEP + FIRST), round(COLUMNS * STEP)
    strip = strip_from_rgb(np.full((height, width, 3), 200, np.uint8))
    zero = np.zeros((height, width), np.float32)
    return strip, Bands(strip.linear_rgb, zero, zero, zero > 1, (), None)


@pytest.mark.parametrize("rows", [(12.0, 40.0), (12.4, 39.7), (20.75, 71.5)])
def test_the_rows_of_spaced_stamps_are_told_finer_than_a_cell(rows: tuple[float, float]) -> None:
    span = find_border_span(draw_labels(border=rows))
    assert span is not None
    assert span.first == pytest.approx(rows[0], abs=0.3) and span.last == pytest.approx(rows[1], abs=0.3)


def test_a_border_that_sways_keeps_its_mean_rows() -> None:
    span = find_border_span(draw_labels(border=(20.0, 50.0), sway=3.0))
    assert span is not None
    assert (span.first + span.last) / 2 == pytest.approx(35, abs=1)
    assert span.last - span.first == pytest.approx(30, abs=2.5)


def test_a_doubtful_row_within_the_border_does_not_cut_it() -> None:
    labels = draw_labels(border=(20.0, 50.0))
    band = labels.band.copy()
    band[33:36] = 0.3
    span = find_border_span(replace(labels, band=band))
    assert span is not None and span.last - span.first > 29


@pytest.mark.parametrize("width", [1.5, 2.5, 6.0])
@pytest.mark.parametrize("sway", [0.0, 2.0])
def test_the_width_of_a_line_is_told_whatever_its_rows_do(width: float, sway: float) -> None:
    line = find_line_span(draw_labels(verge=(60.3, 60.3 + width), sway=sway, doubt=0.01), "verge line")
    assert line is not None
    assert line.width == pytest.approx(width, abs=0.25)
    assert (line.first + line.last) / 2 == pytest.approx(60.3 + width / 2, abs=0.4)


def test_what_is_not_seen_says_nothing() -> None:
    labels = draw_labels(border=(20.0, 50.0), edge=(8.0, 11.0))
    seen = labels.seen.copy()
    seen[:, :200] = 0
    half = replace(labels, seen=seen, band=np.where(seen > 0, labels.band, 1).astype(np.float32))
    span, whole = find_border_span(half), find_border_span(labels)
    assert span is not None and whole is not None
    assert span.first == pytest.approx(whole.first, abs=0.1)
    blind = replace(labels, seen=np.zeros_like(seen))
    assert find_border_span(blind) is None and find_line_span(blind, "edge line") is None


def test_border_and_lines_are_laid_in_strip_rows_and_named() -> None:
    strip, bare = blank_strip()
    bands = lay_rows(strip, bare, draw_labels(border=(20.0, 50.0), edge=(8.0, 11.0), verge=(60.0, 62.0)))
    assert bands.border is not None
    assert (bands.border.row0, bands.border.row1) == (30, 105)
    edge, verge = bands.lines
    assert (edge.kind, verge.kind) == ("edge line", "verge line")
    for band, cells in ((edge, 3.0), (verge, 2.0)):  # the fit takes off what labels say too much
        factor, shift = load_recipe().widths[band.kind]
        assert band.width_px == pytest.approx((factor * cells + shift) * STEP, abs=0.8)
    assert abs(verge.row0 - (60 * STEP + FIRST)) <= 1


def test_bare_glaze_has_no_border_and_no_lines() -> None:
    strip, bare = blank_strip()
    bands = lay_rows(strip, bare, draw_labels(doubt=0.1))
    assert bands.border is None and bands.lines == ()


def test_without_labels_nothing_is_claimed() -> None:
    strip, bare = blank_strip()
    assert lay_rows(strip, bare, None) is bare


def test_turning_a_closed_strip_moves_no_rows() -> None:
    labels = draw_labels(border=(20.0, 50.0), edge=(8.0, 11.0), sway=1.0)
    turned = replace(
        labels,
        roles=np.roll(labels.roles, 77, axis=2),
        materials=np.roll(labels.materials, 77, axis=2),
        band=np.roll(labels.band, 77, axis=1),
    )
    strip, bare = blank_strip()
    first, second = lay_rows(strip, bare, labels), lay_rows(strip, bare, turned)
    assert first.border == second.border
    assert [band.row0 for band in first.lines] == [band.row0 for band in second.lines]


def test_more_of_a_fact_with_a_rising_weight_never_lowers_the_chance() -> None:
    judge = Logistic({"peak": 0.8, "rows": -0.2}, 0.1)
    chances = [judge.chance({"peak": peak, "rows": 1.0}) for peak in np.linspace(-5, 5, 11)]
    assert np.all(np.diff(chances) > 0) and 0 < chances[0] < chances[-1] < 1


def test_a_band_has_at_least_one_row_of_the_strip() -> None:
    strip, bare = blank_strip()
    bands = lay_rows(strip, bare, draw_labels(edge=(8.0, 8.9), doubt=0.01))
    assert all(isinstance(band, Band) and band.row1 > band.row0 >= 0 for band in bands.lines)


def test_a_swaying_border_is_made_level_and_a_level_one_left_alone() -> None:
    strip, bare = blank_strip()
    labels = draw_labels(border=(20.0, 50.0), sway=6.0)
    height, width = bare.contrast.shape
    rows, columns = np.mgrid[:height, :width]
    shift = 6.0 * STEP * np.sin(2 * np.pi * columns / width)
    printed = (rows >= 30 + shift) & (rows < 105 + shift)
    bands = lay_rows(strip, replace(bare, contrast=printed.astype(np.float32)), labels)
    moved, level = level_border(strip, bands, labels)
    first, last = (
        np.argmax(level.contrast > 0.5, axis=0),
        height - np.argmax(level.contrast[::-1] > 0.5, axis=0),
    )
    assert np.std(first) < 1.5 and np.std(last) < 1.5
    assert level.border is not None
    assert abs(level.border.row0 - first.mean()) < 1.5 and abs(level.border.row1 - last.mean()) < 1.5
    assert moved.lip_row == strip.lip_row and level.lines == bands.lines
    straight = draw_labels(border=(20.0, 50.0))
    kept = lay_rows(strip, bare, straight)
    assert level_border(strip, kept, straight) == (strip, kept)


def test_without_a_border_or_labels_nothing_is_moved() -> None:
    strip, bare = blank_strip()
    assert level_border(strip, bare, draw_labels()) == (strip, bare)
    assert level_border(strip, replace(bare, border=Band(30, 105, "border")), None)[0] is strip


def test_a_border_that_reaches_over_the_lip_stays_within_the_strip() -> None:
    strip, bare = blank_strip()
    labels = draw_labels(border=(5, 30), sway=3.0)  # its upper edge lies 7 px above the first row
    moved, level = level_border(strip, replace(bare, border=Band(0, 55, "border")), labels)
    assert moved is not strip
    assert level.border is not None
    assert 0 == level.border.row0 < level.border.row1 <= strip.seen_mask.shape[0]
