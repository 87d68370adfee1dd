"""Repeats, layout and frieze group: letters of our own drawing, counts that are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from model.bands import Band, Bands, separate_print
from model.repeats import count_repeats, frieze_group
from model.rim_band import RimStrip, strip_from_rgb

MARGIN = 25  # rows above the letters
LETTERS = {
    "F": ("#####", "#....", "#....", "####.", "#....", "#....", "#...."),
    "b": ("#....", "#....", "#....", "####.", "#...#", "#...#", "####."),
    "p": ("####.", "#...#", "#...#", "####.", "#....", "#....", "#...."),
    "d": ("....#", "....#", "....#", ".####", "#...#", "#...#", ".####"),
    "q": (".####", "#...#", "#...#", ".####", "....#", "....#", "....#"),
    "A": ("..#..", ".#.#.", "#...#", "#...#", "#####", "#...#", "#...#"),
    "S": (".####", "#....", "#....", ".###.", "....#", "....#", "####."),
    "D": ("####.", "#...#", "#...#", "#...#", "#...#", "#...#", "####."),
    "H": ("#...#", "#...#", "#...#", "#####", "#...#", "#...#", "#...#"),
}
# One smallest repeat of each string, and its group (International Tables for Crystallography, vol. E, as
# pictures: FFFF p1; bpbp p11g; AAAA p1m1; SSSS p2; bdpq p2mg; DDDD p11m; HHHH p2mm). Note bdqp: p1m1.
FRIEZES = [
    ("F", "p1"),
    ("bp", "p11g"),
    ("A", "p1m1"),
    ("S", "p2"),
    ("bdpq", "p2mg"),
    ("D", "p11m"),
    ("H", "p2mm"),
    ("bdqp", "p1m1"),
]


def draw_letters(text: str, scale: int = 6, gap: int = 2) -> np.ndarray:
    """Ink (h, w) float32 0..1 of a row of letters, a gap after each."""
    blocks = []
    for letter in text:
        rows = np.array([[char == "#" for char in row] for row in LETTERS[letter]], np.float32)
        blocks.append(np.pad(rows, ((1, 1), (0, gap))))
    return np.kron(np.concatenate(blocks, axis=1), np.ones((scale, scale), np.float32))


def strip_of_letters(text: str, repeats: float, closed: bool = True, seed: int = 0) -> RimStrip:
    """A white rim with letters in brown below an empty margin, noisy."""
    tile = draw_letters(text, scale=4)
    ribbon = np.tile(tile, (1, int(np.ceil(repeats))))[:, : round(repeats * tile.shape[1])]
    cover = np.pad(ribbon, ((MARGIN, 30), (0, 0)))
    light = 0.65 - 0.45 * cover
    light += np.random.default_rng(seed).normal(0, 0.01, light.shape)
    encoded = np.clip(255 * np.clip(light, 0, 1) ** (1 / 2.2), 0, 255).astype(np.uint8)
    return strip_from_rgb(np.repeat(encoded[..., None], 3, axis=2), lip_row=0, closed=closed)


def bands_of(strip: RimStrip) -> Bands:
    """Glaze and print as found, the border in the rows where letters were drawn."""
    bands = separate_print(strip)
    return replace(bands, border=Band(MARGIN, strip.encoded.shape[0] - 30, "border"))


@pytest.mark.parametrize(("text", "group"), FRIEZES)
def test_each_string_of_letters_has_its_frieze_group(text: str, group: str) -> None:
    found, fit = frieze_group(draw_letters(text))
    assert found == group and fit > 0.5


@pytest.mark.parametrize(("text", "group"), FRIEZES)
def test_the_group_does_not_depend_on_where_the_repeat_is_cut(text: str, group: str) -> None:
    tile = draw_letters(text)
    assert all(frieze_group(np.roll(tile, shift, axis=1))[0] == group for shift in (5, 11, 23))


@pytest.mark.parametrize(("text", "group"), FRIEZES)
def test_a_little_noise_does_not_change_the_group(text: str, group: str) -> None:
    tile = draw_letters(text) + np.random.default_rng(1).normal(0, 0.08, draw_letters(text).shape)
    assert frieze_group(tile)[0] == group


@pytest.mark.parametrize("repeats", [7, 12, 24, 41])
def test_repeats_round_a_closed_rim_are_counted_exactly(repeats: int) -> None:
    strip = strip_of_letters("F", repeats)
    border = count_repeats(strip, bands_of(strip))
    assert border.repeats == repeats and border.layout == "continuous"


def test_the_count_of_two_letters_is_the_count_of_pairs() -> None:
    strip = strip_of_letters("bp", 15)
    border = count_repeats(strip, bands_of(strip))
    assert border.repeats == 15 and border.symmetry == "p11g"


def test_turning_the_rim_keeps_count_and_group() -> None:
    strip = strip_of_letters("A", 18)
    turned = strip_from_rgb(np.roll(strip.encoded, 77, axis=1), lip_row=0)
    first, second = (count_repeats(s, bands_of(s)) for s in (strip, turned))
    assert (first.repeats, first.symmetry) == (second.repeats, second.symmetry) == (18, "p1m1")


def test_mirroring_the_rim_keeps_count_and_group() -> None:
    strip = strip_of_letters("S", 16)
    mirrored = strip_from_rgb(np.ascontiguousarray(strip.encoded[:, ::-1]), lip_row=0)
    border = count_repeats(mirrored, bands_of(mirrored))
    assert (border.repeats, border.symmetry) == (16, "p2")


def test_a_rim_seen_in_part_is_not_counted() -> None:
    strip = strip_of_letters("F", 9.5, closed=False)
    period = draw_letters("F", scale=4).shape[1]
    known = strip_from_rgb(strip.encoded, lip_row=0, closed=False, px_per_diameter=30 * period / np.pi)
    assert count_repeats(known, bands_of(known)).repeats is None
    assert count_repeats(strip, bands_of(strip)).repeats is None


def test_wide_gaps_make_spaced_stamps() -> None:
    tile = np.pad(draw_letters("H", scale=4), ((0, 0), (0, 160)))
    cover = np.pad(np.tile(tile, (1, 6)), ((MARGIN, 30), (0, 0)))
    encoded = (255 * (0.65 - 0.45 * cover) ** (1 / 2.2)).astype(np.uint8)
    strip = strip_from_rgb(np.repeat(encoded[..., None], 3, axis=2), lip_row=0)
    border = count_repeats(strip, bands_of(strip))
    assert border.layout == "spaced" and border.repeats == 6


def test_a_plain_rim_has_layout_none_and_nothing_else() -> None:
    plain = np.full((90, 900, 3), 200, np.uint8)
    strip = strip_from_rgb(plain)
    border = count_repeats(strip, separate_print(strip))
    assert (border.layout, border.repeats, border.repeat_mm, border.symmetry) == ("none", None, None, None)


def test_the_repeat_is_told_in_millimetres_where_the_scale_is_known() -> None:
    strip = strip_of_letters("F", 20)
    scaled = strip_from_rgb(strip.encoded, lip_row=0, mm_per_px=0.5)
    border = count_repeats(scaled, bands_of(scaled))
    assert border.repeat_mm == pytest.approx(0.5 * draw_letters("F", scale=4).shape[1], rel=0.01)
