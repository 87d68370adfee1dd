"""Borders of the seven frieze groups printed round a plate, read from its picture through the whole chain."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from model.bands import separate_print
from model.facts import Border, Light
from model.label_rows import lay_rows
from model.photo import photo_from_rgb
from model.piece import find_piece
from model.repeats import count_repeats
from model.rim_band import unroll_rim
from model.straighten import straighten_strip
from model.trim_print import find_print
from model.witness import hear_witness

# Letters of our own drawing; which string has which group: International Tables for Crystallography, vol. E,
# as pictures (FFFF p1; bpbp p11g; AAAA p1m1; SSSS p2; bdpq p2mg; DDDD, as EEEE, p11m; HHHH p2mm). A row of D
# is not read whole: between its bars nothing changes across the rows, and they are not taken for print.
LETTERS = {
    "F": ("#####", "#....", "#....", "####.", "#....", "#....", "#...."),
    "b": ("#....", "#....", "#....", "####.", "#...#", "#...#", "####."),
    "p": ("####.", "#...#", "#...#", "####.", "#....", "#....", "#...."),
    "d": ("....#", "....#", "....#", ".####", "#...#", "#...#", ".####"),
    "q": (".####", "#...#", "#...#", ".####", "....#", "....#", "....#"),
    "A": ("..#..", ".#.#.", "#...#", "#...#", "#####", "#...#", "#...#"),
    "S": (".####", "#....", "#....", ".###.", "....#", "....#", "####."),
    "E": ("#####", "#....", "#....", "####.", "#....", "#....", "#####"),
    "H": ("#...#", "#...#", "#...#", "#####", "#...#", "#...#", "#...#"),
}
FRIEZES = [
    ("F", "p1", 58),
    ("bp", "p11g", 29),
    ("A", "p1m1", 60),
    ("S", "p2", 57),
    ("bdpq", "p2mg", 16),
    ("E", "p11m", 59),
    ("H", "p2mm", 56),
]
SIDE, FOCAL_35MM = 1200, 50.0
BORDER_FROM, BORDER_TO = 0.83, 0.92  # of the lip's radius
WHITE_LIGHT = Light((1.0, 1.0, 1.0), 3.0, ("paper",))
PLATE, PRINT, TABLE = (236, 233, 226), (120, 84, 40), (92, 80, 70)


def draw_tile(text: str) -> np.ndarray:
    """Ink (h, w) 0..1 of the letters, a gap after each."""
    blocks = [
        np.pad(np.array([[c == "#" for c in row] for row in LETTERS[letter]], np.float32), ((0, 0), (0, 2)))
        for letter in text
    ]
    return cv2.GaussianBlur(np.kron(np.concatenate(blocks, axis=1), np.ones((8, 8), np.float32)), (0, 0), 1.5)


def photograph_plate(tile: np.ndarray, repeats: int, tilt_deg: float) -> np.ndarray:
    """A plate, the tile printed round its rim, by a pinhole camera so far off its axis; (h, w, 3) uint8."""
    dx, dy = _plate_of_pixels(np.radians(tilt_deg))
    radius, turn = np.hypot(dx, dy), np.arctan2(dx, -dy) % (2 * np.pi)
    column = (turn / (2 * np.pi) * repeats * tile.shape[1]) % tile.shape[1]
    row = (BORDER_TO - radius) / (BORDER_TO - BORDER_FROM) * tile.shape[0] - 0.5
    wrapped = np.pad(tile, ((1, 1), (0, 1)), mode="constant")
    wrapped[:, -1] = wrapped[:, 0]
    at = np.clip(row + 1, 0, tile.shape[0] + 1).astype(np.float32)
    ink = cv2.remap(wrapped, column.astype(np.float32), at, cv2.INTER_LINEAR)
    plate = np.clip((1 - radius) * SIDE * 0.43 + 0.5, 0, 1)[..., None]
    shade = (0.92 + 0.08 * dx)[..., None]
    glaze = np.array(PLATE) * shade * (1 - 0.06 * (np.abs(radius - 0.72) < 0.01)[..., None])
    picture = np.array(TABLE) + plate * (glaze + ink[..., None] * (np.array(PRINT) - glaze) - np.array(TABLE))
    picture = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 0.8)
    picture += np.random.default_rng(3).normal(0, 2.0, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)


def _plate_of_pixels(tilt: float) -> tuple[np.ndarray, np.ndarray]:
    """Where each pixel's ray meets the plate's plane, in radii of the lip, its middle at 0."""
    focal_px = FOCAL_35MM / np.hypot(36, 24) * np.hypot(SIDE, SIDE)
    distance = focal_px / (0.43 * SIDE)
    y, x = np.mgrid[:SIDE, :SIDE].astype(np.float64)
    right, down = (x - (SIDE - 1) / 2) / focal_px, (y - (SIDE - 1) / 2) / focal_px
    # Turned about the level axis: the ray (right, down, 1) from a camera at a distance from the middle.
    along = distance * np.cos(tilt) / (np.cos(tilt) - down * np.sin(tilt))
    across = down * np.cos(tilt) + np.sin(tilt)
    return along * right, along * across - distance * np.sin(tilt)


def read_border(picture: np.ndarray) -> Border:
    """What the chain says about the border of a picture."""
    photo = photo_from_rgb(picture, FOCAL_35MM)
    strip = unroll_rim(photo, find_piece(photo))
    assert strip is not None
    level = straighten_strip(strip)
    bare = separate_print(level)
    heard = hear_witness(level, find_print(level, bare).glaze_linear_rgb, WHITE_LIGHT, None)
    return count_repeats(level, lay_rows(level, bare, heard.labels if heard else None))


@pytest.mark.parametrize(("text", "group", "repeats"), FRIEZES)
def test_a_printed_frieze_is_counted_and_never_called_another(text: str, group: str, repeats: int) -> None:
    border = read_border(photograph_plate(draw_tile(text), repeats, tilt_deg=25))
    assert border.repeats == repeats and border.symmetry in (group, None)


UNTOLD = pytest.mark.xfail(
    strict=True, reason="the rows of E are found wider than printed: its group is untold"
)


@pytest.mark.parametrize(
    ("text", "group", "repeats"),
    [pytest.param(*row, marks=UNTOLD if row[0] == "E" else ()) for row in FRIEZES],
)
def test_a_printed_frieze_is_named_and_counted_from_the_picture_of_its_plate(
    text: str, group: str, repeats: int
) -> None:
    border = read_border(photograph_plate(draw_tile(text), repeats, tilt_deg=25))
    assert (border.repeats, border.symmetry) == (repeats, group)


@pytest.mark.parametrize(("text", "group", "repeats"), FRIEZES[::3])
def test_a_steeper_view_names_no_other_group_and_counts_no_other_number(
    text: str, group: str, repeats: int
) -> None:
    border = read_border(photograph_plate(draw_tile(text), repeats, tilt_deg=50))
    assert border.repeats in (repeats, None)
    assert border.symmetry in (group, None)
