"""The embedding network at run time: ONNX weights beside the recipe that says what they expect."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from model.errors import RecipeError
from model.motif import CHANNELS, STRIP_VERSION, WINDOW_HEIGHT, WINDOW_WIDTH, WINDOWING_VERSION, Window

if TYPE_CHECKING:
    import onnxruntime

WEIGHTS_FOLDER = Path(__file__).parent / "weights"
WEIGHTS_NAME, RECIPE_NAME = "embedder.onnx", "recipe.json"
# Windows a call of the network. More cost time and memory: 12 windows take 155 ms and 24 MB one by one,
# 170 ms and 52 MB by two, 215 ms and 371 MB at once (measured, two cores).
BATCH_WINDOWS = 2


@dataclass(frozen=True)
class Recipe:
    """What a weights file expects and what it gives; made by the training, checked when loaded.

    ``id`` covers weights, unrolling, windowing and normalisation: a change of any makes
    stored vectors stale.
    """

    id: str
    weights_sha256: str
    dimension: int
    input_shape: tuple[int, int, int]
    normalisation: str
    versions: dict[str, int]
    facts: dict[str, Any]


def own_versions() -> dict[str, int]:
    """Versions of the steps between the photo and the network's input, as this code does them."""
    return {"strip": STRIP_VERSION, "windowing": WINDOWING_VERSION}


def find_recipe_id(
    weights_sha256: str, versions: dict[str, int], normalisation: str, input_shape: Sequence[int]
) -> str:
    """Hash of everything that decides a vector, 16 hexadecimal digits."""
    decisive = [weights_sha256, sorted(versions.items()), normalisation, list(input_shape)]
    return hashlib.sha256(json.dumps(decisive).encode()).hexdigest()[:16]


def read_recipe(path: Path) -> Recipe:
    """Read and check a recipe file against its own id.

    Raises
    ------
    RecipeError
        The file is missing, is no recipe, or its id does not cover its content.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        recipe = Recipe(
            id=str(content["id"]),
            weights_sha256=str(content["weights_sha256"]),
            dimension=int(content["dimension"]),
            input_shape=tuple(content["input_shape"]),
            normalisation=str(content["normalisation"]),
            versions={str(name): int(value) for name, value in content["versions"].items()},
            facts=content,
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise RecipeError(
            f"expected a recipe at {path.name}, got {error!r}; install the weights again"
        ) from error
    expected = find_recipe_id(
        recipe.weights_sha256, recipe.versions, recipe.normalisation, recipe.input_shape
    )
    if recipe.id != expected:
        raise RecipeError(f"recipe {recipe.id} does not cover its content (expected {expected})")
    return recipe


class Embedder:
    """Turns windows into unit vectors. Make it with ``Embedder.load``."""

    def __init__(self, session: onnxruntime.InferenceSession, recipe: Recipe) -> None:
        self._session = session
        self.recipe = recipe

    @property
    def recipe_id(self) -> str:
        """Identity of every vector this embedder makes."""
        return self.recipe.id

    @property
    def dimension(self) -> int:
        """Numbers in a vector."""
        return self.recipe.dimension

    @classmethod
    def load(cls, folder: Path | None = None, threads: int = 2) -> Embedder:
        """Load weights and recipe from a folder; default: the shipped ones.

        Raises
        ------
        RecipeError
            Weights and recipe do not belong together, or this code cuts windows in another way.
        """
        folder = WEIGHTS_FOLDER if folder is None else folder
        recipe = read_recipe(folder / RECIPE_NAME)
        if recipe.versions != own_versions():
            raise RecipeError(
                f"the weights were trained for steps {recipe.versions}, this code has {own_versions()}; "
                "train again or install the matching release"
            )
        if recipe.input_shape != (CHANNELS, WINDOW_HEIGHT, WINDOW_WIDTH):
            raise RecipeError(f"the weights expect windows {recipe.input_shape}")
        return cls(_open_session(_read_weights(folder / WEIGHTS_NAME, recipe), threads), recipe)

    def embed(self, windows: Sequence[Window]) -> npt.NDArray[np.float32]:
        """Embed windows.

        Parameters
        ----------
        windows
            n windows of (3, 96, 320) float32.

        Returns
        -------
        ndarray
            (n, d) float32, unit rows, in the windows' order; (0, d) for none.

        Raises
        ------
        RecipeError
            The network gives vectors of another length than the recipe says, or not finite ones.
        """
        parts = [np.empty((0, self.dimension), np.float32)]
        for first in range(0, len(windows), BATCH_WINDOWS):
            batch = np.stack([window.pixels for window in windows[first : first + BATCH_WINDOWS]])
            parts.append(self._session.run(None, {"windows": batch})[0])
        vectors = np.concatenate(parts)
        if vectors.shape != (len(windows), self.dimension) or not np.isfinite(vectors).all():
            raise RecipeError(
                f"expected finite vectors {(len(windows), self.dimension)}, got {vectors.shape}"
            )
        return vectors


def _read_weights(path: Path, recipe: Recipe) -> bytes:
    """The weights' bytes, refused where they are not the recipe's."""
    try:
        weights = path.read_bytes()
    except OSError as error:
        raise RecipeError(f"no weights at {path.name}; install them again") from error
    found = hashlib.sha256(weights).hexdigest()
    if found != recipe.weights_sha256:
        raise RecipeError(
            f"weights {found[:12]} do not belong to this recipe ({recipe.weights_sha256[:12]}); "
            "install both again"
        )
    return weights


def _open_session(weights: bytes, threads: int) -> onnxruntime.InferenceSession:
    import onnxruntime  # here, because reading a photo without a gallery needs no network

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    options.log_severity_level = 3
    # Threads that spin between calls steal the cores from the next step of the reading.
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    return onnxruntime.InferenceSession(weights, options, providers=["CPUExecutionProvider"])
