"""The phone: blur, small sensors, balance error, tone curve, sharpening, noise, JPEG; fast."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from model.colour import encode_srgb
from training.render.strip_choices import StripChoices
from training.render.strip_surface import FloatArray

CODES = 4096
BANK_SIDE = 1024
# Mean linear light that automatic exposure aims at, and how far it goes there (common practice, no source).
USUAL_LEVEL, EXPOSURE_SHARE = 0.5, 0.75


def photograph(light: FloatArray, choices: StripChoices, rng: np.random.Generator) -> npt.NDArray[np.uint8]:
    """Encoded (h, w, 3) uint8 RGB of linear light in planes (3, h, w)."""
    h, w = light.shape[1:]
    curve = _tone_curve(round(choices.contrast, 1))
    exposure = choices.exposure * _expose(light)
    planes = []
    for plane, gain in zip(light, choices.cast, strict=True):
        small = _resolve(plane, choices) * np.float32(CODES * exposure * gain)
        # Photon noise: its size grows with the root of the light.
        noise = np.sqrt(np.maximum(small, 0) + np.float32(0.01 * CODES))
        noise *= np.float32(choices.noise * CODES**0.5)
        noise *= _noise(rng, small.shape)
        small += noise
        planes.append(curve[np.clip(small, 0, CODES - 1).astype(np.uint16)])
    encoded = _cook(cv2.merge(planes), choices)
    done, data = cv2.imencode(".jpg", encoded, [cv2.IMWRITE_JPEG_QUALITY, choices.jpeg_quality])
    if not done:
        raise RuntimeError("the JPEG encoder refused the strip")
    decoded = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)
    if decoded.shape[:2] != (h, w):
        decoded = cv2.resize(decoded, (w, h), interpolation=cv2.INTER_LINEAR)
    return np.asarray(decoded, np.uint8)


def _expose(light: FloatArray) -> float:
    """A phone brings dark pictures up and bright ones down, but not all the way."""
    level = float(light[1, ::4, ::4].mean())
    return float((USUAL_LEVEL / max(level, 1e-3)) ** EXPOSURE_SHARE)


def _resolve(light: FloatArray, choices: StripChoices) -> FloatArray:
    """Lens blur, then the coarser sensor, on one plane."""
    h, w = light.shape
    blurred = cv2.GaussianBlur(light, (0, 0), choices.blur_px) if choices.blur_px > 0.35 else light
    if choices.shrink > 1.05:
        size = (max(8, round(w / choices.shrink)), max(8, round(h / choices.shrink)))
        blurred = cv2.resize(blurred, size, interpolation=cv2.INTER_AREA)
    return np.asarray(blurred, np.float32)


def _cook(encoded: npt.NDArray[np.uint8], choices: StripChoices) -> npt.NDArray[np.uint8]:
    """Saturation and sharpening, as phones add them to encoded values."""
    out = encoded
    if abs(choices.saturation - 1) > 0.03:
        grey = cv2.cvtColor(cv2.cvtColor(out, cv2.COLOR_RGB2GRAY), cv2.COLOR_GRAY2RGB)
        out = cv2.addWeighted(out, choices.saturation, grey, 1 - choices.saturation, 0)
    if choices.sharpening > 0:
        soft = cv2.GaussianBlur(out, (0, 0), 1.2)
        out = cv2.addWeighted(out, 1 + choices.sharpening, soft, -choices.sharpening, 0)
    return np.asarray(out, np.uint8)


@lru_cache(maxsize=16)
def _tone_curve(contrast: float) -> npt.NDArray[np.uint8]:
    """Linear code to encoded value: sRGB, mixed with a smooth S about the middle."""
    value = np.clip(encode_srgb((np.arange(CODES) + 0.5) / CODES), 0, 1)
    curved = value * value * (3 - 2 * value)
    return np.round(255 * ((1 - contrast) * value + contrast * curved)).astype(np.uint8)


@lru_cache(maxsize=1)
def _noise_bank() -> FloatArray:
    """Unit noise, correlated over about a pixel as after demosaicing; cut at random places."""
    bank = np.random.default_rng(7).standard_normal((BANK_SIDE, BANK_SIDE)).astype(np.float32)
    bank = np.asarray(cv2.GaussianBlur(bank, (0, 0), 0.6), np.float32)
    return np.asarray(bank / bank.std(), np.float32)


def _noise(rng: np.random.Generator, shape: tuple[int, ...]) -> FloatArray:
    bank = _noise_bank()
    if shape[0] > BANK_SIDE or shape[1] > BANK_SIDE:
        return rng.standard_normal(shape).astype(np.float32)
    y, x = rng.integers(BANK_SIDE - shape[0] + 1), rng.integers(BANK_SIDE - shape[1] + 1)
    return bank[y : y + shape[0], x : x + shape[1]]
