"""Colour arithmetic: sRGB, XYZ, Lab, colour difference, angles, reflectance of metals, loci of light sources.

Every array has its colour channels on the last axis. "Linear" means proportional to light.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

# IEC 61966-2-1: linear sRGB (D65) to CIE XYZ, 1931 2 degree observer.
SRGB_TO_XYZ: Array = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
XYZ_TO_SRGB: Array = np.asarray(np.linalg.inv(SRGB_TO_XYZ), dtype=np.float64)
D65_XYZ: Array = SRGB_TO_XYZ @ np.ones(3)
LUMINANCE_WEIGHTS: Array = SRGB_TO_XYZ[1]

# Normal reflectance in linear sRGB under D65, of measured optical constants: gold of Johnson & Christy,
# Phys. Rev. B 6, 4370 (1972); platinum of Rakic et al., Appl. Opt. 37, 5271 (1998). Recomputed in the tests.
GOLD_LINEAR_RGB: Array = np.array([1.038, 0.728, 0.365])
PLATINUM_LINEAR_RGB: Array = np.array([0.679, 0.640, 0.584])


def decode_srgb(encoded: npt.ArrayLike) -> Array:
    """Turn sRGB values 0..1 into linear light (IEC 61966-2-1)."""
    value = np.asarray(encoded, dtype=np.float64)
    return np.where(value <= 0.04045, value / 12.92, ((np.maximum(value, 0.0) + 0.055) / 1.055) ** 2.4)


def encode_srgb(linear: npt.ArrayLike) -> Array:
    """Turn linear light into sRGB values 0..1; negative light becomes 0 (IEC 61966-2-1)."""
    value = np.maximum(np.asarray(linear, dtype=np.float64), 0.0)
    return np.where(value <= 0.0031308, value * 12.92, 1.055 * value ** (1 / 2.4) - 0.055)


def srgb_bytes(linear: npt.ArrayLike) -> npt.NDArray[np.uint8]:
    """Linear light 0..1 as sRGB bytes for a picture file; single precision, which is enough for bytes."""
    value = np.maximum(np.asarray(linear, dtype=np.float32), np.float32(0))
    scale, offset = np.float32(1.055 * 255), np.float32(0.055 * 255)
    curved = value ** np.float32(1 / 2.4)
    curved *= scale
    curved -= offset
    encoded = np.where(value <= np.float32(0.0031308), value * np.float32(12.92 * 255), curved)
    return np.asarray(np.clip(np.rint(encoded), 0, 255), dtype=np.uint8)


def xyz_from_linear_rgb(linear_rgb: npt.ArrayLike) -> Array:
    """Linear sRGB (..., 3) to XYZ (..., 3), Y = 1 for white."""
    return np.asarray(linear_rgb, dtype=np.float64) @ SRGB_TO_XYZ.T


def linear_rgb_from_xyz(xyz: npt.ArrayLike) -> Array:
    """XYZ (..., 3) to linear sRGB (..., 3)."""
    return np.asarray(xyz, dtype=np.float64) @ XYZ_TO_SRGB.T


def linear_rgb_from_xy(x: npt.ArrayLike, y: npt.ArrayLike) -> Array:
    """Chromaticity (x, y) to linear sRGB (..., 3) with green = 1."""
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    rgb = linear_rgb_from_xyz(np.stack([x / y, np.ones_like(x), (1 - x - y) / y], axis=-1))
    return np.asarray(rgb / rgb[..., 1:2])


def lab_from_xyz(xyz: npt.ArrayLike, white_xyz: npt.ArrayLike = D65_XYZ) -> Array:
    """XYZ (..., 3) to CIE L*a*b* (CIE 15)."""
    ratio = np.asarray(xyz, dtype=np.float64) / np.asarray(white_xyz, dtype=np.float64)
    delta = 6 / 29
    f = np.where(ratio > delta**3, np.cbrt(ratio), ratio / (3 * delta**2) + 4 / 29)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1
    )


def lab_from_linear_rgb(linear_rgb: npt.ArrayLike) -> Array:
    """Linear sRGB (..., 3) to CIE L*a*b* with the D65 white."""
    return lab_from_xyz(xyz_from_linear_rgb(linear_rgb))


def luminance(linear_rgb: npt.ArrayLike) -> Array:
    """Relative luminance Y (...) of linear sRGB (..., 3)."""
    return np.asarray(np.asarray(linear_rgb, dtype=np.float64) @ LUMINANCE_WEIGHTS)


def angle_deg(first: npt.ArrayLike, second: npt.ArrayLike) -> Array:
    """Angle in degrees between colour directions (..., 3); brightness does not matter."""
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    cosine = (a * b).sum(-1) / np.maximum(np.linalg.norm(a, axis=-1) * np.linalg.norm(b, axis=-1), 1e-12)
    return np.asarray(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))


def log_chromaticity(linear_rgb: npt.ArrayLike, floor: float = 1e-4) -> Array:
    """Return (..., 2): ln(R/G) and ln(B/G), channels floored so that the logarithm exists."""
    rgb = np.maximum(np.asarray(linear_rgb, dtype=np.float64), floor)
    return np.stack([np.log(rgb[..., 0] / rgb[..., 1]), np.log(rgb[..., 2] / rgb[..., 1])], axis=-1)


def linear_rgb_from_log_chromaticity(chromaticity: npt.ArrayLike) -> Array:
    """Inverse of `log_chromaticity` with green = 1: (..., 2) to (..., 3)."""
    c = np.asarray(chromaticity, dtype=np.float64)
    return np.stack([np.exp(c[..., 0]), np.ones_like(c[..., 0]), np.exp(c[..., 1])], axis=-1)


def normal_reflectance(n: npt.ArrayLike, k: npt.ArrayLike) -> Array:
    """Fresnel reflectance at normal incidence from air, ((n-1)^2 + k^2) / ((n+1)^2 + k^2).

    References
    ----------
    Born & Wolf, Principles of Optics, ch. 14 (metals), normal incidence.
    """
    n, k = np.asarray(n, dtype=np.float64), np.asarray(k, dtype=np.float64)
    return np.asarray(((n - 1) ** 2 + k**2) / ((n + 1) ** 2 + k**2))


def cct_mccamy(x: float, y: float) -> float:
    """Correlated colour temperature in kelvin from CIE 1931 chromaticity.

    References
    ----------
    C. S. McCamy, Correlated color temperature as an explicit function of chromaticity coordinates,
    Color Res. Appl. 17(2), 1992, p. 142.
    """
    n = (x - 0.3320) / (y - 0.1858)
    return -449 * n**3 + 3525 * n**2 - 6823.3 * n + 5520.33


def planckian_xy(kelvin: npt.ArrayLike) -> tuple[Array, Array]:
    """Chromaticity of a black body between 1667 and 25000 K.

    References
    ----------
    B. Kang et al., Design of advanced color temperature control system for HDTV applications,
    J. Korean Phys. Soc. 41(6), 2002, cubic fits of the Planckian locus.
    """
    t = np.asarray(kelvin, dtype=np.float64)
    x = np.where(
        t <= 4000,
        -0.2661239e9 / t**3 - 0.2343589e6 / t**2 + 0.8776956e3 / t + 0.179910,
        -3.0258469e9 / t**3 + 2.1070379e6 / t**2 + 0.2226347e3 / t + 0.240390,
    )
    y = np.where(
        t <= 2222,
        -1.1063814 * x**3 - 1.34811020 * x**2 + 2.18555832 * x - 0.20219683,
        np.where(
            t <= 4000,
            -0.9549476 * x**3 - 1.37418593 * x**2 + 2.09137015 * x - 0.16748867,
            3.0817580 * x**3 - 5.87338670 * x**2 + 3.75112997 * x - 0.37001483,
        ),
    )
    return x, y


def daylight_xy(kelvin: npt.ArrayLike) -> tuple[Array, Array]:
    """Chromaticity of CIE daylight between 4000 and 25000 K (CIE 15, D-series)."""
    t = np.asarray(kelvin, dtype=np.float64)
    x = np.where(
        t <= 7000,
        -4.6070e9 / t**3 + 2.9678e6 / t**2 + 0.09911e3 / t + 0.244063,
        -2.0064e9 / t**3 + 1.9018e6 / t**2 + 0.24748e3 / t + 0.237040,
    )
    return x, -3.000 * x**2 + 2.870 * x - 0.275


def ciede2000(lab_1: npt.ArrayLike, lab_2: npt.ArrayLike) -> Array:
    """Colour difference CIEDE2000 with unit weights, of Lab arrays (..., 3).

    References
    ----------
    G. Sharma, W. Wu, E. N. Dalal, The CIEDE2000 color-difference formula: implementation notes,
    supplementary test data, and mathematical observations, Color Res. Appl. 30(1), 2005, eqs 2-22.
    """
    one, two = np.asarray(lab_1, dtype=np.float64), np.asarray(lab_2, dtype=np.float64)
    mean_chroma = (np.hypot(one[..., 1], one[..., 2]) + np.hypot(two[..., 1], two[..., 2])) / 2
    stretch = 1 + 0.5 * (1 - np.sqrt(mean_chroma**7 / (mean_chroma**7 + 25.0**7)))
    chroma_1, hue_1 = _chroma_and_hue(stretch * one[..., 1], one[..., 2])
    chroma_2, hue_2 = _chroma_and_hue(stretch * two[..., 1], two[..., 2])
    grey = chroma_1 * chroma_2 == 0

    turn = hue_2 - hue_1
    turn = np.where(turn > 180, turn - 360, np.where(turn < -180, turn + 360, turn))
    delta_hue = 2 * np.sqrt(chroma_1 * chroma_2) * np.sin(np.radians(np.where(grey, 0.0, turn) / 2))
    total = hue_1 + hue_2
    mean_hue = np.where(np.abs(hue_1 - hue_2) <= 180, total, np.where(total < 360, total + 360, total - 360))
    mean_hue = np.where(grey, total, mean_hue / 2)

    mean_l, mean_c = (one[..., 0] + two[..., 0]) / 2, (chroma_1 + chroma_2) / 2
    scale_l = 1 + 0.015 * (mean_l - 50) ** 2 / np.sqrt(20 + (mean_l - 50) ** 2)
    scale_c = 1 + 0.045 * mean_c
    scale_h = 1 + 0.015 * mean_c * _hue_weight(mean_hue)
    light = (two[..., 0] - one[..., 0]) / scale_l
    chroma = (chroma_2 - chroma_1) / scale_c
    hue = delta_hue / scale_h
    squared = light**2 + chroma**2 + hue**2 + _rotation(mean_c, mean_hue) * chroma * hue
    return np.asarray(np.sqrt(np.maximum(squared, 0.0)))


def _chroma_and_hue(a: Array, b: Array) -> tuple[Array, Array]:
    """Chroma and hue in degrees 0..360."""
    return np.hypot(a, b), np.degrees(np.arctan2(b, a)) % 360


def _hue_weight(mean_hue: Array) -> Array:
    """T of the formula (eq. 15)."""

    def cosine(factor: float, shift: float) -> Array:
        return np.asarray(np.cos(np.radians(factor * mean_hue + shift)))

    return 1 - 0.17 * cosine(1, -30) + 0.24 * cosine(2, 0) + 0.32 * cosine(3, 6) - 0.20 * cosine(4, -63)


def _rotation(mean_c: Array, mean_hue: Array) -> Array:
    """R_T of the formula (eqs 16, 17 and 21): the twist in the blue region."""
    spread = 30 * np.exp(-(((mean_hue - 275) / 25) ** 2))
    strength = 2 * np.sqrt(mean_c**7 / (mean_c**7 + 25.0**7))
    return np.asarray(-np.sin(np.radians(2 * spread)) * strength)
