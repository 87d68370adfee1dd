"""Two prints laid on each other: how they lie, how well they agree, and what a person sees of it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from model import read
from model.bands import Band, Bands
from model.colour import decode_srgb, luminance
from model.motif import border_rows
from model.print_map import (
    MAP_ROWS,
    MOST_COLUMNS,
    UNSEEN_GREY,
    PrintMap,
    cut_print_map,
    cut_print_map_of_picture,
    pack_print_map,
    unpack_print_map,
)
from model.recheck import Overlap, draw_overlap, lay_on, prepare_query
from model.rim_band import RimStrip


def print_of(text: str, columns: int = 400, thick: int = 5, start: int = 0, scale: float = 1.0) -> PrintMap:
    """A border of letters as a map, noisy; ``scale`` shrinks it within the rows."""
    drawn = np.zeros((MAP_ROWS, 900), np.uint8)
    for k, letter in enumerate(text * 30):
        cv2.putText(drawn, letter, (30 * k, 40), cv2.FONT_HERSHEY_SIMPLEX, 1.3, 255, thick, cv2.LINE_AA)
    ink = drawn.astype(np.float32) / 255
    middle = MAP_ROWS / 2 * (1 - scale)
    ink = cv2.warpAffine(ink, np.array([[scale, 0, 0], [0, scale, middle]]), (900, MAP_ROWS))
    ink = cv2.GaussianBlur(ink, (0, 0), 1.0)[:, start : start + columns]
    noisy = np.clip(0.8 * ink + np.random.default_rng(1).normal(0, 0.03, ink.shape), 0, 1)
    edge = cv2.morphologyEx(ink, cv2.MORPH_GRADIENT, np.ones((3, 3)))
    planes = np.stack([noisy, np.ones_like(ink), np.clip(edge, 0, 1)], axis=2) * 255
    return PrintMap(planes.astype(np.uint8))


def laid(query: PrintMap, other: PrintMap) -> Overlap:
    prepared = prepare_query(query)
    assert prepared is not None
    return lay_on(prepared, other)


def test_a_print_meets_itself_wherever_it_is_cut() -> None:
    overlap = laid(print_of("F"), print_of("F", start=137))
    assert overlap.lie == "as it is"
    assert overlap.refined > 0.9
    assert overlap.scale == pytest.approx(1, abs=0.06)


@pytest.mark.parametrize(
    ("lie", "flip"),
    [
        ("mirrored", lambda planes: planes[:, ::-1]),
        ("turned", lambda planes: planes[::-1, ::-1]),
        ("upside down", lambda planes: planes[::-1]),
    ],
)
def test_how_the_stamp_lies_is_told(lie: str, flip) -> None:  # type: ignore[no-untyped-def]
    other = PrintMap(np.ascontiguousarray(flip(print_of("F", start=50).planes)))
    overlap = laid(print_of("F"), other)
    assert overlap.lie == lie
    assert overlap.refined > 0.85


def test_rows_judged_wider_are_made_up_for() -> None:
    overlap = laid(print_of("R"), print_of("R", scale=0.85, columns=300))
    assert overlap.scale == pytest.approx(0.85, abs=0.06)
    assert overlap.refined > 0.85


@pytest.mark.parametrize("other", ["E", "O", "FE", "X"])
def test_another_print_agrees_less_than_the_same_one(other: str) -> None:
    same, different = (
        laid(print_of("F"), print_of("F", start=40)),
        laid(print_of("F"), print_of(other, start=40)),
    )
    assert same.refined > different.refined + 0.04


def test_a_thinner_line_agrees_less_and_shows_in_the_picture() -> None:
    same, thin = (
        laid(print_of("R"), print_of("R", start=33)),
        laid(print_of("R"), print_of("R", thick=1, start=33)),
    )
    assert same.refined > thin.refined
    only_ours = (np.diff(draw_overlap(thin).astype(int), axis=2) > 100).any(axis=2).mean()
    assert only_ours > (np.diff(draw_overlap(same).astype(int), axis=2) > 100).any(axis=2).mean()


def test_the_picture_is_black_on_white_where_both_agree() -> None:
    picture = draw_overlap(laid(print_of("H"), print_of("H"))).astype(int)
    assert np.ptp(picture, axis=2).mean() < 12
    assert picture.min() < 60 < 200 < picture.max()


def test_what_was_not_seen_is_not_compared() -> None:
    half = print_of("F", start=20).planes.copy()
    half[:, 200:, 1] = 0
    half[:, 200:, 0] = 255
    assert laid(print_of("F"), PrintMap(half)).refined > 0.85


def test_nothing_printed_gives_nothing_to_lay_on() -> None:
    assert prepare_query(PrintMap(np.zeros((MAP_ROWS, 200, 3), np.uint8))) is None


def test_a_map_is_read_back_as_it_was_and_stays_small() -> None:
    print_map = print_of("FR", columns=MOST_COLUMNS)
    packed = pack_print_map(print_map)
    np.testing.assert_array_equal(unpack_print_map(packed).planes, print_map.planes)
    assert len(packed) < 80_000  # noise of every pixel; a strip's print takes less


@pytest.mark.parametrize("damage", [b"", b"not a picture", pack_print_map(print_of("F"))[:100]])
def test_damaged_maps_are_refused(damage: bytes) -> None:
    with pytest.raises(ValueError, match="no print map"):
        unpack_print_map(damage)


def test_a_map_of_another_shape_is_refused() -> None:
    with pytest.raises(ValueError, match="expected planes"):
        PrintMap(np.zeros((20, 100, 3), np.uint8))


def test_a_strip_and_its_stored_picture_give_the_same_print() -> None:
    picture = np.full((120, 700, 3), 230, np.uint8)
    for k in range(10):
        cv2.putText(
            picture, "R", (20 + 70 * k, 80), cv2.FONT_HERSHEY_SIMPLEX, 1.6, (90, 60, 30), 5, cv2.LINE_AA
        )
    picture[:, 600:] = 128
    grey = np.log(luminance(decode_srgb(picture))).astype(np.float32)
    seen = np.ones(grey.shape, bool)
    seen[:, 600:] = False
    nothing = np.zeros(grey.shape, bool)
    black = np.zeros((120, 700, 3), np.float32)
    strip = RimStrip(
        black.astype(np.uint8), black, seen, nothing, np.zeros(700, np.float32), False, 0, 1, 500, None, 1
    )
    bands = Bands(black, grey - grey[0, 0], grey * 0, nothing, (), Band(35, 85, "border"))
    of_strip, rows = cut_print_map(strip, bands), border_rows(bands)
    assert of_strip is not None and rows is not None
    of_picture = cut_print_map_of_picture(picture, rows, unseen_grey=128)
    assert of_picture is not None
    assert laid(of_strip, of_picture).refined > 0.95
    assert len(pack_print_map(of_strip)) < 25_000


def test_unseen_is_drawn_in_the_grey_that_is_looked_for() -> None:
    assert read.UNSEEN_GREY == UNSEEN_GREY
