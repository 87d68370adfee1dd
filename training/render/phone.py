"""The phone after the lens: balance, exposure, colour, tone, noise, sharpening, encoding.

The sensor is the CIE 1931 standard observer itself (linear sRGB in): real sensors differ from
it, which this model leaves out. Everything after it is imitated.

References
----------
IEC 61966-2-1:1999 (sRGB transfer). SMPTE EG 432-1 and the Display P3 primaries (P3 at D65).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

Image = NDArray[np.float32]
# linear sRGB -> linear Display P3, both D65, from the primaries' chromaticities
SRGB_TO_P3 = np.array(
    [[0.8224621, 0.1775380, 0.0], [0.0331942, 0.9668058, 0.0], [0.0170827, 0.0723974, 0.9105199]]
)
LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)


@dataclass(frozen=True)
class Phone:
    """One phone's handling of one shot.

    Attributes
    ----------
    balance_share : how much of the light's cast the automatic balance removes (1 all).
    balance_error : (3,) further gains it gets wrong.
    exposure_ev : error of the automatic exposure in stops.
    contrast : strength of the tone curve, 0 none. saturation : about luminance, 1 none.
    noise : read noise and shot noise, shares of full scale. denoise : sigma of smoothing in px.
    sharpen, blur_px, motion_px : sharpening amount, defocus sigma, length of hand shake.
    quality : of the JPEG. display_p3 : whether the file is in Display P3.
    """

    balance_share: float
    balance_error: tuple[float, float, float]
    exposure_ev: float
    contrast: float
    saturation: float
    noise: tuple[float, float]
    denoise: float
    sharpen: float
    blur_px: float
    motion_px: float
    motion_deg: float
    quality: int
    display_p3: bool


def draw_phone(rng: np.random.Generator, style: str) -> Phone:
    """A phone's handling: ``good`` shots are steady and well exposed, ``typical`` ones need not be.

    ``steady`` and ``usual`` ones are sharp, or a little less so, and balanced no better than typical ones.
    """
    good = style == "good"
    wrong = rng.normal(0, 0.015 if good else 0.03, 3)
    if style in ("steady", "usual"):
        return _draw_careful_phone(rng, style == "steady", wrong)
    return Phone(
        balance_share=float(rng.uniform(0.85, 1.0) if good else rng.uniform(0.5, 1.0)),
        balance_error=(float(np.exp(wrong[0])), 1.0, float(np.exp(wrong[2]))),
        exposure_ev=float(rng.normal(0.0, 0.12 if good else 0.4)),
        contrast=float(rng.uniform(0.2, 0.6)),
        saturation=float(rng.uniform(1.0, 1.15)),
        noise=(float(rng.uniform(0.001, 0.003)), float(rng.uniform(0.002, 0.008 if good else 0.02))),
        denoise=float(rng.uniform(0.0, 0.6)),
        sharpen=float(rng.uniform(0.2, 0.9)),
        blur_px=float(rng.uniform(0.3, 0.6) if good else rng.gamma(2.0, 0.45) + 0.3),
        motion_px=float(0.0 if good or rng.random() < 0.75 else rng.uniform(1.0, 4.0)),
        motion_deg=float(rng.uniform(0, 180)),
        quality=int(rng.integers(83, 88) if good else rng.integers(74, 92)),
        display_p3=bool(rng.random() < 0.3),
    )


def _draw_careful_phone(rng: np.random.Generator, steady: bool, wrong: NDArray[np.float64]) -> Phone:
    """A sharp file such as a 12-megapixel photo gives when made smaller; the balance as wrong as ever."""
    shakes = not steady and rng.random() < 0.15
    return Phone(
        balance_share=float(rng.uniform(0.5, 1.0)),
        balance_error=(float(np.exp(wrong[0])), 1.0, float(np.exp(wrong[2]))),
        exposure_ev=float(rng.normal(0.0, 0.2 if steady else 0.35)),
        contrast=float(rng.uniform(0.2, 0.6)),
        saturation=float(rng.uniform(1.0, 1.15)),
        noise=(float(rng.uniform(0.001, 0.003)), float(rng.uniform(0.002, 0.006 if steady else 0.012))),
        denoise=float(rng.uniform(0.0, 0.6)),
        sharpen=float(rng.uniform(0.2, 0.9)),
        blur_px=float(rng.uniform(0.3, 0.6) if steady else 0.3 + rng.gamma(2.0, 0.2)),
        motion_px=float(rng.uniform(1.0, 3.0) if shakes else 0.0),
        motion_deg=float(rng.uniform(0, 180)),
        quality=int(rng.integers(76, 87)),
        display_p3=bool(rng.random() < 0.3),
    )


def encode_srgb(linear: ArrayLike) -> Image:
    """Linear 0..1 to sRGB-encoded 0..1."""
    value = np.clip(np.asarray(linear, np.float32), 0.0, 1.0)
    return np.where(value <= 0.0031308, 12.92 * value, 1.055 * value ** np.float32(1 / 2.4) - 0.055).astype(
        np.float32
    )


def decode_srgb(encoded: ArrayLike) -> Image:
    """sRGB-encoded 0..1 to linear 0..1."""
    value = np.asarray(encoded, np.float32)
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** np.float32(2.4)).astype(
        np.float32
    )


def balance_gains(white_rgb: ArrayLike, phone: Phone) -> Image:
    """Channel gains (3,) of the automatic balance under a light that shows white as ``white_rgb``."""
    white = np.maximum(np.asarray(white_rgb, float), 1e-3)
    gains = (white[1] / white) ** phone.balance_share * np.array(phone.balance_error)
    return np.asarray(gains / gains[1], np.float32)


def expose(linear: Image, phone: Phone) -> float:
    """Gain of the automatic exposure: middle of the frame to mid grey, highlights mostly kept."""
    luminance = linear[::4, ::4] @ LUMINANCE
    height, width = luminance.shape
    middle = luminance[height // 5 : -height // 5, width // 5 : -width // 5]
    by_mean = 0.36 / max(float(middle.mean()), 1e-6)
    by_light = 0.95 / max(float(np.quantile(luminance, 0.97)), 1e-6)
    return float(np.sqrt(by_mean * by_light) * 2.0**phone.exposure_ev)


def grade(linear: Image, gains: Image, exposure: float, phone: Phone) -> Image:
    """Balanced, exposed, saturated and toned: scene-linear (..., 3) to the file's linear space, 0..1."""
    colour = np.maximum(linear * gains * np.float32(exposure), 0.0)
    luminance = (colour @ LUMINANCE)[..., None]
    colour = np.maximum(luminance + np.float32(phone.saturation) * (colour - luminance), 0.0)
    if phone.display_p3:
        colour = np.maximum(colour @ SRGB_TO_P3.T.astype(np.float32), 0.0)
    return tone(colour, phone.contrast)


def tone(linear: Image, contrast: float) -> Image:
    """A channel-wise S-curve in encoded values with a soft shoulder; clips at 1."""
    value = encode_srgb(np.minimum(linear, 1.0))
    curved = value + contrast * 0.35 * value * (1 - value) * (2 * value - 0.8)
    return decode_srgb(np.clip(curved, 0.0, 1.0))


def true_white(white_rgb: ArrayLike, gains: Image, phone: Phone) -> tuple[float, float, float]:
    """A perfect white as the file shows it at middle exposure, decoded to linear sRGB, green 1.

    The exposure is set so that the white's own luminance comes out near .4 of full scale.
    """
    white = np.asarray(white_rgb, np.float32)
    exposure = 0.4 / max(float((white * gains) @ LUMINANCE), 1e-6)
    shown = grade(white[None], gains, exposure, phone)[0].astype(float)
    if phone.display_p3:
        shown = np.linalg.inv(SRGB_TO_P3) @ shown
    red, green, blue = shown / shown[1]
    return float(red), float(green), float(blue)


def develop(linear: Image, white_rgb: ArrayLike, phone: Phone, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Render output (H, W, 3) linear sRGB to the file's encoded pixels, uint8 RGB."""
    gains = balance_gains(white_rgb, phone)
    exposure = expose(linear * gains, phone)
    ceiling = np.float32(4.0 / max(exposure, 1e-6))
    seen = _blur(np.minimum(linear, ceiling), phone)
    seen = _add_noise(seen * np.float32(exposure), phone, rng) / np.float32(exposure)
    encoded = encode_srgb(grade(seen, gains, exposure, phone))
    if phone.denoise > 0.15:
        encoded = cv2.GaussianBlur(encoded, (0, 0), phone.denoise)
    soft = cv2.GaussianBlur(encoded, (0, 0), 1.2)
    encoded = encoded + phone.sharpen * (encoded - soft)
    return np.asarray(np.clip(encoded * 255.0 + 0.5, 0, 255), np.uint8)


def _blur(image: Image, phone: Phone) -> Image:
    blurred = cv2.GaussianBlur(image, (0, 0), phone.blur_px) if phone.blur_px > 0.25 else image
    if phone.motion_px < 1.0:
        return np.asarray(blurred, np.float32)
    size = 2 * int(np.ceil(phone.motion_px)) + 1
    kernel = np.zeros((size, size), np.float32)
    reach = (
        phone.motion_px
        / 2
        * np.array([np.cos(np.radians(phone.motion_deg)), np.sin(np.radians(phone.motion_deg))])
    )
    ends = np.round((np.array([-reach, reach]) + size // 2) * 16).astype(int)
    cv2.line(kernel, ends[0].tolist(), ends[1].tolist(), 1.0, 1, cv2.LINE_AA, 4)
    return np.asarray(cv2.filter2D(blurred, -1, kernel / kernel.sum()), np.float32)


def _add_noise(image: Image, phone: Phone, rng: np.random.Generator) -> Image:
    read, shot = phone.noise
    sigma = np.sqrt(read**2 + shot**2 * np.clip(image, 0.0, 1.0) * 0.05)
    grain = rng.standard_normal(image.shape, dtype=np.float32)
    return np.asarray(image + grain * sigma, np.float32)
