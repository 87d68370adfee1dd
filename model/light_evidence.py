"""Kinds of evidence for the colour of the light, each a small mixture of Gaussians over log chromaticity.

Log chromaticity is (ln R/G, ln B/G) of how a perfect white beside the piece appears. Each kind
measures one colour; what that says about the light (bias, spread, how often it is plain wrong) are
fitted numbers of the recipe `weights/light.json`. Clipped pixels are never evidence.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from model.bands import Bands
from model.colour import angle_deg, daylight_xy, linear_rgb_from_xy, log_chromaticity, luminance, planckian_xy
from model.paper_sheet import measure_sheet
from model.photo import Photo
from model.rim_band import RimStrip, find_clipped
from model.scene_statistics import STATISTICS, measure_scene
from model.surroundings import MIN_GREEN, Surroundings
from model.trees import Trees

Array = npt.NDArray[np.float64]

TAP_RADIUS_SHARE = 0.004  # of the longer side: a finger's width is more; the median bears edges
MIN_PIXELS = 60  # under this a colour is not measured
HIGHLIGHT_GAIN = 1.25  # a highlight outshines the glaze round it by a quarter (own choice)
LEAST_TURN_DEG = 4.0  # an excess of the glaze's own colour may be shading: it says nothing of the light
TINTED_GLAZE = 0.35  # distance from grey in ln ratios: cream under white light or white under a lamp


@dataclass(frozen=True, eq=False)
class Evidence:
    """What one kind says: a mixture over the light's log chromaticity.

    ``means`` (k, 2), ``covariances`` (k, 2, 2), ``weights`` (k,) summing to 1; ``outlier_share`` is how
    often the kind says nothing true at all.
    """

    kind: str
    means: Array
    covariances: Array
    weights: Array
    outlier_share: float


def measure_evidence(
    photo: Photo,
    around: Surroundings,
    paper: Array | None,
    strip: RimStrip | None,
    bands: Bands | None,
    neutral: tuple[float, float] | None,
) -> dict[str, Array]:
    """Measure each kind's log chromaticity (2,); kinds that find nothing are left out.

    Paper may give several with their chances, (k, 3); the scene gives its statistics, (26,).
    A kind's name may carry a circumstance after a colon, with numbers of its own in the recipe.
    """
    glaze = measure_glaze(around, strip, bands)
    tinted = glaze is not None and np.hypot(*glaze) > TINTED_GLAZE
    found = {
        "point": None if neutral is None else measure_point(photo, neutral),
        "paper" if paper is not None else "paper:looked for": measure_sheet(around, paper),
        "highlights:tinted glaze" if tinted else "highlights": measure_highlights(around),
        "glaze": glaze,
        "scene": np.array(list(measure_scene(around).values())),
    }
    return {kind: value for kind, value in found.items() if value is not None}


def weigh_evidence(measured: dict[str, Array], recipe: dict[str, Any]) -> list[Evidence]:
    """Turn measured colours into statements about the light, the prior first."""
    statements = [light_prior(recipe["prior"])]
    for kind, colour in measured.items():
        numbers = recipe["kinds"][kind]
        if kind == "glaze":
            statements.append(_from_glaze(colour, recipe["glazes"], numbers))
            continue
        if kind == "scene" and colour.shape != (2,):
            colour = guess_from_scene(colour, recipe)
        statements.append(_from_colours(kind, np.atleast_2d(colour), numbers))
    return statements


def guess_from_scene(statistics: Array, recipe: dict[str, Any]) -> Array:
    """The light (2,) that the fitted trees read from the scene's statistics (26,)."""
    named = dict(zip(STATISTICS, (float(value) for value in statistics), strict=True))
    parts = [recipe["scene"][channel] for channel in ("red", "blue")]
    trees = [part if isinstance(part, Trees) else Trees.from_recipe(part) for part in parts]
    return np.array([part.score(named) for part in trees])


def _from_colours(kind: str, colours: Array, numbers: dict[str, Any]) -> Evidence:
    """One or several colours, (k, 2) or with their chances (k, 3), each of which may be the light's."""
    chances = colours[:, 2] if colours.shape[1] == 3 else np.ones(len(colours))
    means = colours[:, :2] - np.array(numbers["bias"])
    covariances = np.repeat(np.array(numbers["covariance"])[None], len(means), axis=0)
    sure = (1 - numbers["outlier_share"]) * float(chances.sum())
    return Evidence(kind, means, covariances, chances / chances.sum(), 1 - sure)


def light_prior(numbers: dict[str, Any]) -> Evidence:
    """Casts that cameras leave: none, or one along the loci of lamps and daylight (warm far more often)."""
    kelvin = np.array([2200, 2500, 2856, 3300, 3800, 4300, 5000, 5500, 6000, 6504, 7500, 9000, 12000, 18000])
    x, y = np.where(kelvin < 4000, planckian_xy(kelvin), daylight_xy(np.maximum(kelvin, 4000)))
    locus = log_chromaticity(linear_rgb_from_xy(x, y))
    mired = 1e6 / kelvin - 1e6 / 6504
    along = np.exp(-0.5 * (mired / numbers["mired_sd"]) ** 2)
    along *= (1 - numbers["balanced_share"]) / along.sum()
    means = np.vstack([np.zeros((1, 2)), locus])
    spread = np.full(len(means), numbers["across_sd"] ** 2)
    spread[0] = numbers["balanced_sd"] ** 2
    covariances = spread[:, None, None] * np.eye(2)
    weights = np.concatenate([[numbers["balanced_share"]], along])
    return Evidence("prior", means, covariances, weights, numbers["outlier_share"])


def _from_glaze(colour: Array, glazes: list[dict[str, Any]], numbers: dict[str, Any]) -> Evidence:
    """The light is the glaze's colour divided by what that glaze looks like in white light."""
    own = np.array([glaze["log_chromaticity"] for glaze in glazes])
    spread = np.array([glaze["covariance"] for glaze in glazes]) + np.array(numbers["covariance"])
    weights = np.array([glaze["share"] for glaze in glazes])
    means = colour - np.array(numbers["bias"]) - own
    return Evidence("glaze", means, spread, weights / weights.sum(), numbers["outlier_share"])


def measure_point(photo: Photo, neutral: tuple[float, float]) -> Array | None:
    """Colour of the spot a person says is white or grey; None where it is clipped or black."""
    radius = max(2, round(TAP_RADIUS_SHARE * max(photo.width, photo.height)))
    x, y = round(neutral[0]), round(neutral[1])
    patch = photo.pixels[max(0, y - radius) : y + radius + 1, max(0, x - radius) : x + radius + 1]
    linear = photo.linearise(patch)
    sound = ~find_clipped(patch) & (linear.min(axis=2) > MIN_GREEN / 2)
    if sound.mean() < 0.3:
        return None
    return log_chromaticity(np.median(linear[sound], axis=0))


def measure_glaze(around: Surroundings, strip: RimStrip | None, bands: Bands | None) -> Array | None:
    """Colour of the undecorated glaze of the rim, or of the piece's brighter half where no rim was found."""
    if strip is not None and bands is not None:
        mask = strip.seen_mask & ~strip.clipped_mask & ~bands.print_mask
        mask[: strip.lip_row + 2] = False
        pixels = strip.linear_rgb[mask]
    else:
        pixels = around.linear_rgb[around.piece_mask & around.usable_mask]
    dark = np.float32(MIN_GREEN / 4)
    pixels = pixels[(pixels[:, 0] > dark) & (pixels[:, 1] > MIN_GREEN) & (pixels[:, 2] > dark)]
    if len(pixels) < MIN_PIXELS:
        return None
    bright = luminance(pixels)
    low, high = np.quantile(bright, (0.4, 0.9))
    colours = log_chromaticity(pixels[(bright >= low) & (bright <= high)])
    return np.array([np.median(np.ascontiguousarray(colours[:, channel])) for channel in (0, 1)])


def measure_highlights(around: Surroundings) -> Array | None:
    """Colour added to the glaze at the unclipped rims of its highlights: the light's own colour.

    Each highlight gives the colour of its excess over the glaze round it; the middle of several counts.

    References
    ----------
    S. Shafer, Using color to separate reflection components, Color Res. Appl. 10(4), 1985.
    """
    inside = cv2.erode(around.piece_mask.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    if inside.sum() < MIN_PIXELS * 5:
        return None
    rgb = around.linear_rgb
    body = np.dstack([cv2.medianBlur(np.ascontiguousarray(_to_bytes(rgb[..., c])), 31) for c in range(3)])
    body_linear = _from_bytes(body)
    excess = rgb - body_linear
    shining = luminance(rgb) > HIGHLIGHT_GAIN * luminance(body_linear)
    core = cv2.morphologyEx((shining & inside).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    mask = (core > 0) & around.usable_mask & (excess.min(axis=2) > 0.01)
    mask[mask] = angle_deg(excess[mask], body_linear[mask]) > LEAST_TURN_DEG
    count, label = cv2.connectedComponents((core > 0).astype(np.uint8))
    sums = np.array([np.bincount(label[mask], excess[..., c][mask], count) for c in range(3)]).T[1:]
    sums = sums[sums.sum(1) > 0.5]
    if len(sums) == 0:
        return None
    colours = log_chromaticity(sums)
    order = np.argsort(colours, axis=0)
    weights = np.sqrt(sums[:, 1])
    return np.array([_weighted_middle(colours[order[:, c], c], weights[order[:, c]]) for c in range(2)])


def _weighted_middle(ordered: Array, weights: Array) -> float:
    return float(ordered[np.searchsorted(np.cumsum(weights), weights.sum() / 2)])


def _to_bytes(channel: npt.NDArray[np.float32]) -> npt.NDArray[np.uint8]:
    return np.asarray(np.clip(np.sqrt(np.maximum(channel, 0)) * 255, 0, 255), dtype=np.uint8)


def _from_bytes(encoded: npt.NDArray[np.uint8]) -> npt.NDArray[np.float32]:
    return np.asarray((encoded.astype(np.float32) / 255) ** 2, dtype=np.float32)
