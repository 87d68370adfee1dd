"""Fit what each kind of evidence says about the light: bias, spread, outliers; and the stated uncertainty."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np
import numpy.typing as npt

from model.colour import angle_deg, log_chromaticity
from model.light import OUTLIER_DENSITY, fuse_light
from model.scene_statistics import STATISTICS
from training.fit_trees import Sample, Shape, fit_regression
from training.trim_features_table import PhotoRow

Array = npt.NDArray[np.float64]

SCENE_SHAPE = Shape(leaves=5, iterations=150, rate=0.05, least_in_leaf=8, penalty=1.0)
RECAST_WEIGHT = 0.3
LEAST_ROWS = 15  # a kind seen more seldom keeps its numbers
LEAST_SD = 0.025  # rendered pictures are cleaner than photos
FIRST_SD = 0.1
LEAST_OUTLIERS, MOST_OUTLIERS = 0.04, 0.8
COVERAGE = 0.92  # asked of the fitted photos, to hold .90 on others


def fit_light(rows: list[PhotoRow], start: dict[str, Any]) -> dict[str, Any]:
    """A recipe fitted to the rows, from the numbers of ``start`` where a kind is too rare."""
    recipe = copy.deepcopy(start)
    guesses = _fit_scene(rows, recipe)
    for kind in recipe["kinds"]:
        if kind == "glaze":
            continue
        offsets = [offset_of(row, kind) for row in rows if kind in row.evidence]
        if kind == "scene":
            offsets = [guess - true_white(row) for guess, row in zip(guesses, rows, strict=True)]
        if len(offsets) >= LEAST_ROWS:
            recipe["kinds"][kind] = describe_offsets(np.array(offsets))
    _fit_glaze(rows, recipe)
    recipe["uncertainty_factor"] = 1.0
    lights = [
        fuse_light(evidence_of(row) | {"scene": guess}, recipe)
        for row, guess in zip(rows, guesses, strict=True)
    ]
    errors = np.array(
        [white_error_deg(light.white_rgb, row) for light, row in zip(lights, rows, strict=True)]
    )
    stated = np.array([light.uncertainty_deg for light in lights]) - recipe["uncertainty_floor_deg"]
    needed = (errors - recipe["uncertainty_floor_deg"]) / np.maximum(stated, 0.1)
    recipe["uncertainty_factor"] = round(float(max(np.quantile(needed, COVERAGE), 0.5)), 3)
    return recipe


def _fit_scene(rows: list[PhotoRow], recipe: dict[str, Any]) -> Array:
    """Fit the trees that read the light from the scene's statistics; return held-out guesses (n, 2).

    Each photo comes once more with another cast laid over it: phones balance in more ways than one.
    """
    guesses = np.zeros((len(rows), 2))
    recipe["scene"] = {}
    for index, channel in enumerate(("red", "blue")):
        samples = [_scene_sample(r.evidence["scene"], true_white(r)[index], r, 1.0) for r in rows]
        extra = [(r, cast) for r in rows for cast in r.recast]
        samples += [
            _scene_sample(cast["statistics"], log_chromaticity(cast["white_rgb"])[index], row, RECAST_WEIGHT)
            for row, cast in extra
        ]
        fit = fit_regression(samples, STATISTICS, (), SCENE_SHAPE)
        recipe["scene"][channel] = fit.recipe
        guesses[:, index] = fit.held_out[: len(rows)]
    return guesses


def _scene_sample(statistics: list[float], target: float, row: PhotoRow, weight: float) -> Sample:
    named = dict(zip(STATISTICS, statistics, strict=True))
    return Sample(named, float(target), row.truth["group"], weight)


def true_white(row: PhotoRow) -> Array:
    """Log chromaticity (2,) of the true light."""
    return log_chromaticity(row.truth["white_rgb"])


def offset_of(row: PhotoRow, kind: str) -> Array:
    """What the kind measured less the true light, (2,); of several colours the likeliest."""
    measured = np.atleast_2d(row.evidence[kind])
    likeliest = measured[:, 2].argmax() if measured.shape[1] == 3 else 0
    return np.asarray(measured[likeliest, :2] - true_white(row))


def evidence_of(row: PhotoRow) -> dict[str, Array]:
    """Measured evidence as arrays."""
    return {kind: np.array(colour) for kind, colour in row.evidence.items()}


def white_error_deg(white_rgb: Any, row: PhotoRow) -> float:
    """Angle between a white point and the true one."""
    return float(angle_deg(np.array(white_rgb), np.array(row.truth["white_rgb"])))


def describe_offsets(offsets: Array) -> dict[str, Any]:
    """Mean and covariance of the true part and share of outliers, by expectation maximisation.

    The model is that of the fusion: one Gaussian, and outliers spread evenly over all lights.
    """
    mean, covariance, outliers = np.median(offsets, axis=0), np.eye(2) * FIRST_SD**2, 0.2
    mean = mean if np.hypot(*mean) < 2 * FIRST_SD else np.zeros(2)
    for _ in range(60):
        away = offsets - mean
        squared = np.einsum("ni,ij,nj->n", away, np.linalg.inv(covariance), away)
        density = np.exp(-0.5 * squared) / (2 * np.pi * np.sqrt(np.linalg.det(covariance)))
        inlier = (1 - outliers) * density
        inlier /= inlier + outliers * OUTLIER_DENSITY
        mean = (offsets * inlier[:, None]).sum(0) / inlier.sum()
        away = offsets - mean
        covariance = (away.T * inlier) @ away / inlier.sum() + np.eye(2) * LEAST_SD**2
        outliers = float(np.clip(1 - inlier.mean(), LEAST_OUTLIERS, MOST_OUTLIERS))
    return {
        "bias": [round(float(v), 4) for v in mean],
        "covariance": [[round(float(v), 6) for v in line] for line in covariance],
        "outlier_share": round(outliers, 3),
    }


def _fit_glaze(rows: list[PhotoRow], recipe: dict[str, Any]) -> None:
    """Centre of each glaze colour from its own photos; no tighter than real glazes of a name vary."""
    for glaze in recipe["glazes"]:
        mine = [row for row in rows if row.truth["glaze"] == glaze["name"] and "glaze" in row.evidence]
        if len(mine) < LEAST_ROWS:
            continue
        found = describe_offsets(np.array([offset_of(row, "glaze") for row in mine]))
        glaze["log_chromaticity"] = found["bias"]
        least = np.array(glaze["least_covariance"])
        glaze["covariance"] = np.maximum(np.array(found["covariance"]), least).round(6).tolist()
