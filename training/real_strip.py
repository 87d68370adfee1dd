"""Strips through the fast renderer, with the true rows misjudged a little, or with those a reading finds."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from model.bands import Band, Bands, separate_print
from model.colour import LUMINANCE_WEIGHTS, log_chromaticity
from model.facts import Light
from model.label_rows import lay_rows
from model.rim_band import RimStrip
from model.trim_print import find_print
from model.witness import hear_witness
from training.art.motif_art import Motif
from training.render.strip import StripTruth, render_strip
from training.render.strip_choices import Metal

# Shares of the strips; the rest is bronze or enamel of a metal's colour.
GOLD_SHARE, PLATINUM_SHARE = 0.45, 0.45
# Row error of the misjudged truth, as a share of the border's height.
ROW_ERROR = 0.05
# Strips whose glaze is estimated as reading does it; the rest has it from the truth.
SEPARATED_SHARE = 0.6
LIGHT_DOUBT_DEG = 2.0


def draw_real_strip(motif: Motif, rng: np.random.Generator, **told: Any) -> tuple[RimStrip, Bands] | None:
    """One rendered strip of a motif in gold, platinum or paint with its bands; ``told`` as `render_strip`."""
    picture = render_strip(motif, rng, draw_metal(rng), **told)
    bands = misjudge_truth(picture.strip, picture.truth, rng)
    if rng.random() < SEPARATED_SHARE:
        return picture.strip, replace(separate_print(picture.strip), border=bands.border)
    return picture.strip, bands


def draw_strip_as_read(motif: Motif, rng: np.random.Generator) -> tuple[RimStrip, Bands]:
    """One rendered strip of a motif with the bands that reading finds, right or wrong: for exams and fits."""
    picture = render_strip(motif, rng, "gold" if rng.random() < 0.5 else "platinum")
    strip, bands = picture.strip, separate_print(picture.strip)
    light = Light(picture.truth.white_rgb, LIGHT_DOUBT_DEG, ("paper",))
    heard = hear_witness(strip, find_print(strip, bands).glaze_linear_rgb, light, None)
    return strip, lay_rows(strip, bands, None if heard is None else heard.labels)


def draw_metal(rng: np.random.Generator) -> Metal:
    """Gold, platinum, or now and then paint."""
    roll = rng.random()
    return "gold" if roll < GOLD_SHARE else "platinum" if roll < GOLD_SHARE + PLATINUM_SHARE else "paint"


def misjudge_truth(strip: RimStrip, truth: StripTruth, rng: np.random.Generator) -> Bands:
    """Bands from the truth: the glaze smoothed across the print, the border's rows a little off."""
    luminance = np.maximum(strip.linear_rgb @ np.asarray(LUMINANCE_WEIGHTS, np.float32), 1e-3)
    bare = 1 - np.clip(truth.cover * 3, 0, 1) * strip.seen_mask
    glaze = _smooth_glaze(np.log(luminance), bare)
    tints = np.moveaxis(log_chromaticity(strip.linear_rgb, 1e-3).astype(np.float32), -1, 0)
    shifts = [tint - _smooth_glaze(tint, bare) for tint in tints]
    first, last = truth.border_rows
    height = last - first
    first, last = np.array([first, last]) + rng.normal(0, ROW_ERROR * height, 2)
    row0 = int(np.clip(round(first), 0, strip.encoded.shape[0] - 2))
    row1 = int(np.clip(round(last), row0 + 1, strip.encoded.shape[0]))
    return Bands(
        glaze_linear_rgb=np.repeat(np.exp(glaze)[..., None], 3, axis=2),
        contrast=(np.log(luminance) - glaze).astype(np.float32),
        chroma_shift=cv2.magnitude(shifts[0], shifts[1]),
        print_mask=truth.cover > 0.5,
        lines=(),
        border=Band(row0, row1, "border"),
    )


def _smooth_glaze(plane: npt.NDArray[np.float32], bare: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """A logarithmic plane of the glaze: that of the bare pixels, carried across the printed ones."""
    weight = bare.astype(np.float32) + 1e-4
    size = (0, 0)
    total = cv2.GaussianBlur(weight * plane, size, sigmaX=25, sigmaY=8)
    glaze: npt.NDArray[np.float32] = total / cv2.GaussianBlur(weight, size, sigmaX=25, sigmaY=8)
    return glaze
