"""The colour of the light on the piece, with an honest uncertainty, fused from several kinds of evidence.

The posterior over log chromaticity is summed on a grid: the statements are mixtures with outliers, so it
may have several peaks (a cream glaze in white light looks like a white one in warm light).
"""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from model.bands import Bands
from model.colour import angle_deg, linear_rgb_from_log_chromaticity
from model.errors import RecipeError
from model.facts import Light
from model.light_evidence import Evidence, measure_evidence, weigh_evidence
from model.photo import Photo
from model.piece import Piece
from model.rim_band import RimStrip
from model.surroundings import Surroundings, look_around
from model.trees import Trees

Array = npt.NDArray[np.float64]

RECIPE = Path(__file__).parent / "weights" / "light.json"
GRID_STEP = 0.025  # in ln units, about half a degree
GRID_RED = (-0.8, 1.2)  # ln R/G: from deep blue sky to candle light left unbalanced
GRID_BLUE = (-2.6, 0.9)
OUTLIER_DENSITY = 1.0 / ((GRID_RED[1] - GRID_RED[0]) * (GRID_BLUE[1] - GRID_BLUE[0]))
COVERAGE = 0.9  # the stated angle covers the error in nine of ten


def find_light(
    photo: Photo,
    piece: Piece,
    strip: RimStrip | None = None,
    bands: Bands | None = None,
    neutral: tuple[float, float] | None = None,
    *,
    around: Surroundings | None = None,
) -> Light:
    """Estimate how a perfect white beside the piece appears in the photo.

    Parameters
    ----------
    photo, piece, strip, bands
        What was found so far; the last two may be None.
    neutral
        (x, y) in photo px of a spot a person says is white or grey, or None.
    around
        The surroundings if already looked at.

    Returns
    -------
    facts.Light
        ``white_rgb`` linear sRGB with green = 1, ``uncertainty_deg`` an angle in linear RGB that covers
        the error in nine of ten photos, ``evidence`` the kinds used (the prior alone gives none).
    """
    around = look_around(photo, piece) if around is None else around
    measured = measure_evidence(photo, around, piece.paper, strip, bands, neutral)
    return fuse_light(measured, load_recipe())


def fuse_light(measured: dict[str, Array], recipe: dict[str, Any]) -> Light:
    """Fuse measured log chromaticities (2,) by kind into the white point."""
    statements = weigh_evidence(measured, recipe)
    grid, mass = posterior(statements)
    mean = (grid * mass[:, None]).sum(0)
    white = linear_rgb_from_log_chromaticity(mean)
    errors = angle_deg(linear_rgb_from_log_chromaticity(grid), white)
    order = np.argsort(errors)
    covered = errors[order][np.searchsorted(np.cumsum(mass[order]), COVERAGE)]
    uncertainty = recipe["uncertainty_factor"] * float(covered) + recipe["uncertainty_floor_deg"]
    red, _, blue = (float(value) for value in white)
    return Light((red, 1.0, blue), uncertainty, tuple(dict.fromkeys(_public_name(kind) for kind in measured)))


def _public_name(kind: str) -> str:
    """The kind without its circumstance; a pale region that is not surely a sheet counts as the scene."""
    return "scene" if kind == "paper:looked for" else kind.split(":")[0]


def posterior(statements: list[Evidence]) -> tuple[Array, Array]:
    """Return grid points (n, 2) of log chromaticity and the posterior mass (n,) on them, summing to 1."""
    red, blue = np.arange(*GRID_RED, GRID_STEP), np.arange(*GRID_BLUE, GRID_STEP)
    grid = np.stack(np.meshgrid(red, blue, indexing="ij"), axis=-1).reshape(-1, 2)
    log_mass = np.zeros(len(grid))
    for statement in statements:
        density = _mixture_density(grid, statement)
        share = statement.outlier_share
        log_mass += np.log((1 - share) * density + share * OUTLIER_DENSITY)
    mass = np.exp(log_mass - log_mass.max())
    return grid, mass / mass.sum()


def _mixture_density(grid: Array, statement: Evidence) -> Array:
    total = np.zeros(len(grid))
    for mean, covariance, weight in zip(
        statement.means, statement.covariances, statement.weights, strict=True
    ):
        red, blue = grid[:, 0] - mean[0], grid[:, 1] - mean[1]
        (a, b), (_, c) = np.linalg.inv(covariance)
        squared = a * red * red + 2 * b * red * blue + c * blue * blue
        total += weight * np.exp(-0.5 * squared) / (2 * np.pi * np.sqrt(np.linalg.det(covariance)))
    return total


@lru_cache(maxsize=1)
def load_recipe() -> dict[str, Any]:
    """The fitted numbers.

    Raises
    ------
    RecipeError
        The file is missing or not what this code expects.
    """
    try:
        recipe: dict[str, Any] = json.loads(RECIPE.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise RecipeError(f"light recipe {RECIPE.name} cannot be read: reinstall rimlight") from error
    if recipe.get("format") != 1:
        raise RecipeError(f"light recipe: expected format 1, got {recipe.get('format')}: reinstall rimlight")
    recipe["scene"] = {channel: Trees.from_recipe(part) for channel, part in recipe["scene"].items()}
    return recipe
