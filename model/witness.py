"""The witness at work: a small network says of every cell of the strip what it is; of the photo, which metal.

It finds print pixel by pixel where contrast alone is often shading. Its weights come from
`training.train_witness`; the recipe beside them covers them.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
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
from model.strip_labels import MATERIALS, ROLES, StripLabels, join_windows
from model.surroundings import SceneColours
from model.witness_features import measure_labelled
from model.witness_input import (
    COLUMNS,
    CONTEXT,
    MOST_WINDOWS,
    PLANES,
    ROWS,
    WitnessWindows,
    cut_windows,
    describe_context,
    lay_planes,
    place_windows,
)

WEIGHTS = Path(__file__).with_name("weights")
THREADS = 2

Map = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Answer:
    """The network's answer: ``verdict`` (3,) logits of gold, platinum, no metal; ``whole`` (2,) logits of
    the remaining share and of worn lustre; ``cells`` (k, 9, ROWS / 2, COLUMNS / 2) chances of materials,
    roles and the border's rows."""

    verdict: Map
    whole: Map
    cells: Map


@dataclass(frozen=True, eq=False)
class Heard:
    """What the witness said of a strip: its windows, its answer to them, and that answer on one grid."""

    windows: WitnessWindows
    answer: Answer
    white: Array
    labels: StripLabels

    def measures(self) -> dict[str, float]:
        """Plain measures of what the cells are called, by name; see `model.witness_features`."""
        return measure_labelled(self.windows, self.labels, self.answer, self.white)


class Witness:
    """A loaded network; see :func:`load_witness`."""

    def __init__(self, session: Any, recipe: dict[str, Any]) -> None:
        self._session, self.recipe = session, recipe

    def look(self, planes: Map, context: Map) -> Answer:
        """Ask about ``planes`` (k, len(PLANES), ROWS, COLUMNS) and ``context`` (len(CONTEXT),)."""
        verdict, whole, cells = self._session.run(None, {"planes": planes, "context": context[None]})
        return Answer(verdict[0], whole[0], as_chances(cells))


def as_chances(cells: Map) -> Map:
    """Logits (k, 9, h, w) as chances: materials and roles each sum to 1, the border's rows stand alone."""
    out = np.empty(cells.shape, np.float32)
    first = 0
    for names in (MATERIALS, ROLES):
        part = slice(first, first + len(names))
        power = np.exp(cells[:, part] - cells[:, part].max(axis=1, keepdims=True))
        out[:, part] = power / power.sum(axis=1, keepdims=True)
        first += len(names)
    out[:, first] = 1 / (1 + np.exp(-cells[:, first]))
    return out


def hear_witness(
    strip: RimStrip, glaze_linear_rgb: Map, light: Light, around: SceneColours | None
) -> Heard | None:
    """Label a strip; None without weights or without a view of the rim.

    ``glaze_linear_rgb`` (h, w, 3) is the near glaze of `model.trim_print.find_print`.
    """
    witness, places = load_witness(), place_windows(strip)
    if witness is None or not places.starts:
        return None
    windows = cut_windows(strip, glaze_linear_rgb, places)
    white = log_chromaticity(light.white_rgb)
    answer = witness.look(lay_planes(windows, white), describe_context(strip, light, around, places.scale))
    remaining, worn = (float(v) for v in 1 / (1 + np.exp(-answer.whole.astype(np.float64))))
    labels = join_windows(places, windows, answer.cells, answer.verdict, (remaining, worn))
    return Heard(windows, answer, white, labels)


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
    own = {"windows": [MOST_WINDOWS, ROWS, COLUMNS], "planes": list(PLANES), "context": list(CONTEXT)}
    own |= {"materials": list(MATERIALS), "roles": list(ROLES)}
    if any(recipe.get(name) != value for name, value in own.items()):
        raise RecipeError("witness: the weights expect other windows than this code cuts; install again")
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = THREADS
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    # Long strips take large maps once a photo: an arena would keep them, some 200 MB, between photos.
    options.enable_cpu_mem_arena = False
    options.enable_mem_pattern = False
    session = onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])
    return Witness(session, recipe)
