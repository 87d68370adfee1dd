"""The segmenter at work: where the piece is, the area inside its lip, the line of the lip."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from model.errors import RecipeError
from model.photo import Photo

INPUT_SIDE_PX = 288  # longer side the network sees; it was trained on 256 to 288
_STRIDE = 16
WEIGHTS = Path(__file__).with_name("weights")


@dataclass(frozen=True, eq=False)
class PieceMask:
    """What the segmenter says, each (h, w) float32 probability.

    ``silhouette``: the piece where it is seen; ``lip_area``: inside the lip, covered parts included;
    ``lip_line``: the lip where it is seen. ``scale`` is mask px / photo px.
    """

    silhouette: npt.NDArray[np.float32]
    lip_area: npt.NDArray[np.float32]
    lip_line: npt.NDArray[np.float32]
    scale: float


class Segmenter:
    """A loaded segmenter; see :func:`load_segmenter`."""

    def __init__(self, session: Any, recipe: dict[str, Any]) -> None:
        self._session, self.recipe = session, recipe

    def mark_piece(self, photo: Photo) -> PieceMask:
        """Run the network on the reduced photo."""
        small, scale = photo.reduced(INPUT_SIDE_PX)
        if scale == 1.0 and max(photo.width, photo.height) < INPUT_SIDE_PX:
            scale = INPUT_SIDE_PX / max(photo.width, photo.height)
            small = cv2.resize(photo.pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_LINEAR)
        height, width = small.shape[:2]
        right, below = -width % _STRIDE, -height % _STRIDE
        padded = cv2.copyMakeBorder(small, 0, below, 0, right, cv2.BORDER_REPLICATE)
        pictures = np.ascontiguousarray(padded.transpose(2, 0, 1)[None], dtype=np.float32) / 255
        (logits,) = self._session.run(None, {"pictures": pictures})
        answer = 1 / (1 + np.exp(-logits[0, :, : (height + 1) // 2, : (width + 1) // 2]))
        silhouette, lip_area, lip_line = answer.astype(np.float32)
        return PieceMask(silhouette, lip_area, lip_line, scale / 2)


@lru_cache(maxsize=2)
def load_segmenter(folder: Path = WEIGHTS) -> Segmenter | None:
    """Load ``segmenter.onnx`` with its recipe ``segmenter.json``; None where neither is there.

    Raises
    ------
    RecipeError
        Weights and recipe do not belong together.
    """
    weights, recipe_file = folder / "segmenter.onnx", folder / "segmenter.json"
    if not weights.exists() and not recipe_file.exists():
        return None
    try:
        data = weights.read_bytes()
        recipe = json.loads(recipe_file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise RecipeError(f"segmenter: weights or recipe cannot be read ({error}); install again") from error
    if recipe.get("weights_sha256") != sha256(data).hexdigest():
        raise RecipeError("segmenter: the recipe is of other weights; install again or export once more")
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    session = onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])
    return Segmenter(session, recipe)


def to_photo(points: npt.NDArray[np.float64], scale: float) -> npt.NDArray[np.float64]:
    """(N, 2) places of a picture reduced by ``scale`` to photo px, pixel centres at whole coordinates."""
    return (points + 0.5) / scale - 0.5
