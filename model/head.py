"""A light head on the network's vectors: one linear map, fitted on a person's own gallery, in one file.

The network and the stored vectors stay as they are; the map is laid over both sides of the look-up, so that a
head is taken on, or given back, in one step. The file also holds the maps of the cross-validation that judged
it, each made without some of the pieces, so that whoever takes it on can judge it again.
"""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from model.errors import RecipeError
from model.unknown import EVIDENCE_NAMES, Calibration

FloatArray = npt.NDArray[np.float32]

FORMAT, VERSION = "rimlight head", 1
MOST_BYTES = 4_000_000
MOST_FOLDS, MOST_NUMBERS = 10, 1024


@dataclass(frozen=True, eq=False)
class VectorMap:
    """Vectors (n, d) less ``mean`` (d,), times ``matrix`` (d, k), at unit length."""

    mean: FloatArray
    matrix: FloatArray

    def apply(self, vectors: FloatArray) -> FloatArray:
        """(n, k) float32 unit rows of (n, d)."""
        moved = (vectors - self.mean) @ self.matrix
        length = np.linalg.norm(moved, axis=1, keepdims=True)
        return np.asarray(moved / np.maximum(length, 1e-9), np.float32)


@dataclass(frozen=True, eq=False)
class Head:
    """A fitted head.

    Attributes
    ----------
    id
        Hash of what decides a vector, 16 hexadecimal digits.
    recipe_id
        The recipe whose vectors it belongs to; it fits no others.
    whole
        Fitted on everything: the one that is used.
    folds
        Fitted without a part of the pieces each.
    fold_of
        Reading id to the fold that never saw its piece.
    calibration
        Scores to probabilities, as for the shipped vectors.
    facts
        What the fit says about itself.
    """

    id: str
    recipe_id: str
    whole: VectorMap
    folds: tuple[VectorMap, ...]
    fold_of: dict[str, int]
    calibration: Calibration
    facts: dict[str, Any]

    def map_for(self, reading_id: str) -> VectorMap:
        """The map to judge a reading by: one that never saw its piece."""
        fold = self.fold_of.get(reading_id)
        return self.whole if fold is None else self.folds[fold]


def find_head_id(recipe_id: str, maps: tuple[VectorMap, ...], calibration: Calibration) -> str:
    """Hash over recipe, maps and calibration."""
    digest = hashlib.sha256(recipe_id.encode())
    for one in maps:
        digest.update(one.mean.astype("<f4").tobytes() + one.matrix.astype("<f4").tobytes())
    digest.update(json.dumps(_calibration_json(calibration), sort_keys=True).encode())
    return digest.hexdigest()[:16]


def write_head(head: Head) -> str:
    """The file's text."""
    content = {
        "format": FORMAT,
        "version": VERSION,
        "id": head.id,
        "recipe_id": head.recipe_id,
        "whole": _map_json(head.whole),
        "folds": [_map_json(fold) for fold in head.folds],
        "fold_of": head.fold_of,
        "calibration": _calibration_json(head.calibration),
        "facts": head.facts,
    }
    return json.dumps(content, indent=1, sort_keys=True) + "\n"


def read_head(text: str) -> Head:
    """The head of a file's text, checked against its own id.

    Raises
    ------
    RecipeError
        It is no such file, or was changed.
    """
    if len(text) > MOST_BYTES:
        raise RecipeError(f"a head takes at most {MOST_BYTES} bytes, this file has {len(text)}")
    try:
        content = json.loads(text)
        if content["format"] != FORMAT or content["version"] != VERSION:
            raise ValueError(f"it is {content['format']!r}, version {content['version']!r}")
        head = Head(
            id=str(content["id"]),
            recipe_id=str(content["recipe_id"]),
            whole=_read_map(content["whole"]),
            folds=tuple(_read_map(part) for part in content["folds"]),
            fold_of={str(name): int(fold) for name, fold in content["fold_of"].items()},
            calibration=_read_calibration(content["calibration"], str(content["recipe_id"])),
            facts=dict(content["facts"]),
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise RecipeError(f"this is no head of `python -m training.tune` ({error})") from error
    _check(head)
    return head


def _check(head: Head) -> None:
    shapes = {one.matrix.shape for one in (head.whole, *head.folds)}
    if len(shapes) != 1 or not 1 <= len(head.folds) <= MOST_FOLDS:
        raise RecipeError(f"the maps of this head do not go together: {sorted(shapes)}")
    if any(not 0 <= fold < len(head.folds) for fold in head.fold_of.values()):
        raise RecipeError("this head names a fold that it does not hold")
    if head.id != find_head_id(head.recipe_id, (head.whole, *head.folds), head.calibration):
        raise RecipeError("this head was changed after it was made: its id does not cover its content")


def _map_json(one: VectorMap) -> dict[str, Any]:
    packed = base64.b64encode(one.matrix.astype("<f4").tobytes()).decode()
    return {
        "shape": list(one.matrix.shape),
        "mean": [float(v) for v in one.mean],
        "matrix": packed,
    }


def _read_map(content: dict[str, Any]) -> VectorMap:
    rows, columns = (int(v) for v in content["shape"])
    if not (1 <= rows <= MOST_NUMBERS and 1 <= columns <= MOST_NUMBERS):
        raise ValueError(f"a map of shape {rows} x {columns}")
    numbers = np.frombuffer(base64.b64decode(content["matrix"], validate=True), "<f4")
    matrix = numbers.reshape(rows, columns).astype(np.float32)
    mean = np.array(content["mean"], np.float32)
    if mean.shape != (rows,) or not np.isfinite(matrix).all() or not np.isfinite(mean).all():
        raise ValueError("a map with numbers missing or not finite")
    return VectorMap(mean, matrix)


def _calibration_json(calibration: Calibration) -> dict[str, Any]:
    return {
        "score_slope": calibration.score_slope,
        "unknown_intercept": calibration.unknown_intercept,
        "unknown_coefficients": list(calibration.unknown_coefficients),
        "unknown_mean": list(calibration.unknown_mean),
        "unknown_scale": list(calibration.unknown_scale),
    }


def _read_calibration(content: dict[str, Any], recipe_id: str) -> Calibration:
    rows = {
        name: tuple(float(v) for v in content[name])
        for name in ("unknown_coefficients", "unknown_mean", "unknown_scale")
    }
    numbers = [float(content["score_slope"]), float(content["unknown_intercept"])]
    if any(len(row) != len(EVIDENCE_NAMES) for row in rows.values()):
        raise ValueError("a calibration of another length")
    if not np.isfinite([*numbers, *(v for row in rows.values() for v in row)]).all():
        raise ValueError("a calibration with numbers that are not finite")
    if min(rows["unknown_scale"]) <= 0 or numbers[0] <= 0:
        raise ValueError("a calibration that divides by nothing")
    return Calibration(numbers[0], numbers[1], recipe_id=recipe_id, **rows)
