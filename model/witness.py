"""The witness of the trim at work: a small network labels strip pixels gold, platinum, paint or bare.

It finds the trim itself, pixel by pixel, where the print of a region is often shading. Its weights come from
`training.train_witness`; the recipe beside them covers them.
"""

from __future__ import annotations

import json
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from model.colour import log_chromaticity
from model.errors import RecipeError
from model.facts import Light
from model.rim_band import RimStrip
from model.surroundings import SceneColours
from model.witness_features import measure_labelled
from model.witness_input import (
    COLUMNS,
    CONTEXT,
    PLANES,
    ROWS,
    WINDOWS,
    cut_windows,
    describe_context,
    lay_planes,
    place_windows,
)

WEIGHTS = Path(__file__).with_name("weights")
THREADS = 2

Map = npt.NDArray[np.float32]


class Witness:
    """A loaded network; see :func:`load_witness`."""

    def __init__(self, session: Any, recipe: dict[str, Any]) -> None:
        self._session, self.recipe = session, recipe

    def look(self, planes: Map, context: Map) -> tuple[Map, Map]:
        """Logits (3,) of gold, platinum, no metal, and each cell's chances (k, 4, ROWS / 2, COLUMNS / 2).

        ``planes`` (k, len(PLANES), ROWS, COLUMNS) of up to WINDOWS windows; ``context`` (len(CONTEXT),).
        """
        whole = np.zeros((WINDOWS, *planes.shape[1:]), np.float32)
        whole[: len(planes)] = planes
        verdict, labels = self._session.run(None, {"planes": whole, "context": context[None]})
        labels = labels[: len(planes)]
        chances = np.exp(labels - labels.max(axis=1, keepdims=True))
        return verdict[0], np.asarray(chances / chances.sum(axis=1, keepdims=True), np.float32)


def consult_witness(
    strip: RimStrip, glaze_linear_rgb: Map, light: Light, around: SceneColours | None
) -> dict[str, float]:
    """Measures of what the network labels metal, by name; empty without weights or without a view of the rim.

    ``glaze_linear_rgb`` (h, w, 3) is the near glaze of `model.trim_print.find_print`.
    """
    witness, places = load_witness(), place_windows(strip)
    if witness is None or not places.starts:
        return {}
    windows = cut_windows(strip, glaze_linear_rgb, places)
    white = log_chromaticity(light.white_rgb)
    planes = lay_planes(windows, white)
    verdict, labels = witness.look(planes, describe_context(strip, light, around, places.scale))
    return measure_labelled(windows, labels, verdict, white)


@lru_cache(maxsize=2)
def load_witness(folder: Path = WEIGHTS) -> Witness | None:
    """Load ``witness.onnx`` with its recipe ``witness.json``; None where neither is there.

    Raises
    ------
    RecipeError
        Weights and recipe do not belong together, or this code cuts windows in another way.
    """
    weights, recipe_file = folder / "witness.onnx", folder / "witness.json"
    if not weights.exists() and not recipe_file.exists():
        return None
    try:
        data = weights.read_bytes()
        recipe = json.loads(recipe_file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise RecipeError(f"witness: weights or recipe cannot be read ({error}); install again") from error
    if recipe.get("weights_sha256") != sha256(data).hexdigest():
        raise RecipeError("witness: the recipe is of other weights; install again or export once more")
    own = {"windows": [WINDOWS, ROWS, COLUMNS], "planes": list(PLANES), "context": list(CONTEXT)}
    if any(recipe.get(name) != value for name, value in own.items()):
        raise RecipeError("witness: the weights expect other windows than this code cuts; install again")
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = THREADS
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    session = onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])
    return Witness(session, recipe)
