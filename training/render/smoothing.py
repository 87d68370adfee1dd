"""Smooth the grain of path tracing, along what the first hit is known to be.

References
----------
H. Dammertz et al., "Edge-avoiding à-trous wavelet transform for fast global illumination filtering",
High Performance Graphics 2010. Here with a 3 × 3 kernel, and with the colour compared as its square root.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
STEPS_PX = (1, 2, 4)
NEIGHBOURS = ((0, 1, 2 / 16), (1, 0, 2 / 16), (1, 1, 1 / 16), (1, -1, 1 / 16))  # the others mirror these
CENTRE_WEIGHT = 4 / 16
# differences that halve a neighbour's say, about: in root colour for 32 samples, in albedo, in normals
COLOUR_SPREADS, ALBEDO_SPREAD, NORMAL_SPREAD = (0.15, 0.1, 0.07), 0.06, 0.15
USUAL_SAMPLES = 32
SPIKE = 1.25  # a pixel this much over its brightest neighbour (in root colour) is one stray path


def smooth_grain(colour: Floats, guides: Floats, samples: int) -> Floats:
    """Average each pixel with neighbours of about the same albedo, normal and colour.

    Parameters
    ----------
    colour : (H, W, 3) linear light, path-traced with ``samples`` a pixel.
    guides : (H, W, 6) albedo and normal of the first hit, averaged over the pixel.
    """
    bright = max(float(np.quantile(colour[::4, ::4].max(-1), 0.95)), 1e-6)
    now = _clip_spikes(colour / np.float32(bright))
    albedo = np.clip(guides[..., :3], 0.0, 1.0)  # that of a metal film may come out far above 1
    still = np.concatenate([albedo / ALBEDO_SPREAD, guides[..., 3:] / NORMAL_SPREAD], -1)
    still = np.ascontiguousarray(still.transpose(2, 0, 1), np.float32)
    noise = np.sqrt(USUAL_SAMPLES / samples)
    for step, spread in zip(STEPS_PX, COLOUR_SPREADS, strict=True):
        now = _average_once(now, still, step, np.float32(spread * noise))
    return np.ascontiguousarray(now * np.float32(bright))


def _clip_spikes(colour: Floats) -> Floats:
    ring = np.ones((3, 3), np.uint8)
    ring[1, 1] = 0
    around = cv2.dilate(colour, ring, borderType=cv2.BORDER_REFLECT)
    return np.asarray(np.minimum(colour, around * np.float32(SPIKE**2) + np.float32(0.002)), np.float32)


def _average_once(colour: Floats, still: Floats, step: int, spread: np.float32) -> Floats:
    height, width = colour.shape[:2]
    planes = np.ascontiguousarray(colour.transpose(2, 0, 1))
    compared = np.concatenate([np.sqrt(np.clip(planes, 0.0, 2.0)) / spread, still])
    total, weight = planes * np.float32(CENTRE_WEIGHT), np.full((height, width), CENTRE_WEIGHT, np.float32)
    for down, right, share in NEIGHBOURS:
        dy, dx = down * step, right * step
        here = (slice(0, height - dy), slice(max(0, -dx), width - max(0, dx)))
        there = (slice(dy, height), slice(max(0, dx), width + min(0, dx)))
        apart = compared[(slice(None), *here)] - compared[(slice(None), *there)]
        alike = np.float32(share) * np.exp(-np.einsum("chw,chw->hw", apart, apart))
        total[(slice(None), *here)] += alike * planes[(slice(None), *there)]
        total[(slice(None), *there)] += alike * planes[(slice(None), *here)]
        weight[here] += alike
        weight[there] += alike
    return np.asarray((total / weight).transpose(1, 2, 0), np.float32)
