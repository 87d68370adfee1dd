"""The segmenter at work: where the piece is, the area inside its lip, its line, how far the lip reaches.

The photo is looked at in all four quarter turns and the answers are averaged, so that no turn is favoured;
then once more close up, the way up the piece seems to stand.
"""

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
from model.lip_votes import DIRECTIONS, LipVotes, join_votes, turn_quarters, unit_directions
from model.photo import Photo

INPUT_SIDE_PX = 288  # longer side of the whole photo as the network sees it; it was trained on 256 to 352
CLOSE_SIDE_PX = 320  # longer side of the closer look
_STRIDE, _CELL_PX = 32, 8
_CLOSE_MARGIN = 0.14  # of the piece's longer side that the closer look shows around it
_LEAST_ZOOM = 1.15  # under it a closer look shows nothing new
_LARGEST_ZOOM = 4.0
_LEAST_GROWTH = 1.01  # of a part of the photo: smaller ones are not worth a resize
_SCALE_LOG = (-6.0, 2.0)  # as in training
_SURENESS = 3.0  # power of the probabilities that tell which way up; at 1 small cups lay on their side
WEIGHTS = Path(__file__).with_name("weights")

# Of the picture the network sees: its middle and high tones in linear light, encoded by about this power.
_GAMMA = 2.2
_MIDDLE_TONE, _HIGH_TONE = 0.22, 0.9
_GAINS = (0.4, 6.0)

FloatMap = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PieceMask:
    """What the segmenter says, each (h, w) float32 probability.

    ``silhouette``: the piece where it is seen; ``lip_area``: inside the lip, covered parts included;
    ``lip_line``: the lip where it is seen. ``scale`` is mask px / photo px. ``votes``: how far the whole lip
    reaches, mask px. ``quarters``: counter-clockwise quarter turns after which the piece stands upright.
    """

    silhouette: FloatMap
    lip_area: FloatMap
    lip_line: FloatMap
    scale: float
    votes: LipVotes | None = None
    quarters: int = 0


class Segmenter:
    """A loaded segmenter; see :func:`load_segmenter`."""

    def __init__(self, session: Any, recipe: dict[str, Any]) -> None:
        self._session, self.recipe = session, recipe

    def mark_piece(self, photo: Photo) -> PieceMask:
        """Look at the reduced photo in its four turns, then closer at the piece, the way up it stands.

        All after the first look happens on the upright photo, so that a turned photo gives the turned answer.
        """
        small, scale = photo.reduced(INPUT_SIDE_PX)
        if scale == 1.0 and max(photo.width, photo.height) < INPUT_SIDE_PX:
            scale = INPUT_SIDE_PX / max(photo.width, photo.height)
            small = cv2.resize(photo.pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_LINEAR)
        gain = exposure_gain(small)
        logits, votes = self._look_from_all_sides(brighten(small, gain))
        quarters = _find_upright(logits)
        size = (photo.width, photo.height) if quarters % 2 == 0 else (photo.height, photo.width)
        votes = turn_quarters(votes, quarters, small.shape[1], small.shape[0])
        logits = np.rot90(logits, quarters, (1, 2))
        box = _frame_piece(logits, votes, size[0] * scale, size[1] * scale)
        zoom = CLOSE_SIDE_PX / max(box[2] - box[0], box[3] - box[1])
        closer = self._look_closer(photo, box / scale, quarters, gain) if zoom > _LEAST_ZOOM else None
        upright = _join(logits, votes, closer, scale, size)
        turned = turn_mask(upright, -quarters)
        return PieceMask(
            turned.silhouette, turned.lip_area, turned.lip_line, turned.scale, turned.votes, quarters
        )

    def _look_from_all_sides(self, picture: npt.NDArray[np.uint8]) -> tuple[FloatMap, LipVotes]:
        """Mean logits (3, h/2, w/2) and joined votes over the four quarter turns."""
        height, width = picture.shape[:2]
        total: FloatMap | None = None
        told = []
        for quarters in range(4):
            logits, votes = self._look(np.rot90(picture, quarters))
            back = np.rot90(logits, -quarters, (1, 2))
            total = back if total is None else total + back
            size = (width, height) if quarters % 2 == 0 else (height, width)
            told.append(turn_quarters(votes, -quarters, *size))
        assert total is not None
        return np.asarray(total / 4, np.float32), join_votes(told)

    def _look(self, picture: npt.NDArray[np.uint8]) -> tuple[FloatMap, LipVotes]:
        """Logits (3, ceil(h/2), ceil(w/2)) and votes about the middle of a picture (h, w, 3)."""
        height, width = picture.shape[:2]
        right, below = -width % _STRIDE, -height % _STRIDE
        padded = cv2.copyMakeBorder(picture, 0, below, 0, right, cv2.BORDER_REPLICATE)
        pictures = np.ascontiguousarray(padded.transpose(2, 0, 1)[None], dtype=np.float32) / 255
        logits, votes = self._session.run(None, {"pictures": pictures})
        told = _pool_votes(logits[0], votes[0], (width, height))
        return logits[0, :, : (height + 1) // 2, : (width + 1) // 2], told

    def _look_closer(self, photo: Photo, box: FloatArray, quarters: int, gain: float) -> _Closer:
        """Look at a part (x0, y0, x1, y1 in photo px) of the photo turned upright."""
        scale = CLOSE_SIDE_PX / max(box[2] - box[0], box[3] - box[1])
        level, level_scale = photo.reduced(round(max(photo.width, photo.height) * min(1.0, scale)))
        level = np.rot90(level, quarters)
        grown = scale / level_scale
        x0, y0, x1, y1 = np.round(box * level_scale).astype(int)
        part = np.ascontiguousarray(level[y0:y1, x0:x1])
        if grown > _LEAST_GROWTH:
            part = cv2.resize(part, None, fx=grown, fy=grown, interpolation=cv2.INTER_LINEAR)
        grown = part.shape[1] / (x1 - x0)
        logits, votes = self._look(brighten(part, gain))
        return _Closer(logits, votes, np.array([x0, y0]) * grown, level_scale * grown)


@dataclass(frozen=True, eq=False)
class _Closer:
    """Logits (3, h, w) and votes of a part of the photo; ``corner`` (2,) of the part in px of ``scale``."""

    logits: FloatMap
    votes: LipVotes
    corner: FloatArray
    scale: float


def _pool_votes(logits: FloatMap, votes: FloatMap, size: tuple[int, int]) -> LipVotes:
    """The cells' votes as one, about the middle of the picture (width, height), by sureness and sight."""
    rows, columns = votes.shape[1:]
    half_px = max(rows, columns) * _CELL_PX / 2
    reach, log_scale, kind = np.split(votes.astype(np.float64), [DIRECTIONS, 2 * DIRECTIONS])
    cells = 1 / (1 + np.exp(-logits[0].astype(np.float64)))
    seen = cells.reshape(rows, _CELL_PX // 2, columns, _CELL_PX // 2).mean(axis=(1, 3)) + 1e-4
    middle = (np.array(size) - 1) / 2
    y, x = (np.arange(n) * _CELL_PX + (_CELL_PX - 1) / 2 for n in (rows, columns))
    at = unit_directions()[:, 0, None, None] * (x - middle[0])
    at = at + unit_directions()[:, 1, None, None] * (y - middle[1])[:, None]
    sure = seen * np.exp(-np.clip(log_scale, *_SCALE_LOG))
    told = (sure * (reach * half_px + at)).sum(axis=(1, 2)) / sure.sum(axis=(1, 2))
    scale_px = half_px * seen.sum() / sure.sum(axis=(1, 2))
    kinds = (seen * kind).sum(axis=(1, 2)) / seen.sum()
    kinds = np.exp(kinds - kinds.max())
    return LipVotes(middle, told, scale_px, kinds / kinds.sum())


def _find_upright(logits: FloatMap) -> int:
    """Quarter turns, counter-clockwise, after which the piece's body lies below its lip's middle."""
    # By sureness: a wide background with a few per cent of belief would outweigh a small piece.
    silhouette, area = ((1 + np.exp(-logits[i])) ** -_SURENESS for i in (0, 1))
    x, y = _middle(silhouette) - _middle(area)
    return int(np.round(np.degrees(np.arctan2(x, y)) / 90)) * -1 % 4


def _middle(weight: FloatMap) -> FloatArray:
    total = float(weight.sum()) + 1e-9
    rows, columns = weight.sum(axis=1), weight.sum(axis=0)
    return np.array(
        [
            (columns * (np.arange(len(columns)) - (len(columns) - 1) / 2)).sum() / total,
            (rows * (np.arange(len(rows)) - (len(rows) - 1) / 2)).sum() / total,
        ]
    )


def _frame_piece(logits: FloatMap, votes: LipVotes, width: float, height: float) -> FloatArray:
    """Box (x0, y0, x1, y1) around what is seen of piece and lip, with a margin, within the picture."""
    y, x = np.nonzero(logits[0] > 0)
    half = DIRECTIONS // 4
    reach, (mx, my) = votes.reach_px, votes.middle
    lip = np.array([mx - reach[2 * half], my - reach[3 * half], mx + reach[0], my + reach[half]])
    limit = np.array([width, height, width, height], dtype=np.float64)
    lip = np.clip(lip, 0, limit)
    if len(x):
        seen = np.array([x.min() * 2, y.min() * 2, x.max() * 2 + 2, y.max() * 2 + 2])
        lip = np.concatenate([np.minimum(lip[:2], seen[:2]), np.maximum(lip[2:], seen[2:])])
    size = max(lip[2] - lip[0], lip[3] - lip[1], CLOSE_SIDE_PX / _LARGEST_ZOOM)
    margin = _CLOSE_MARGIN * size
    return np.asarray(np.clip(lip + np.array([-margin, -margin, margin, margin]), 0, limit))


def _join(
    logits: FloatMap, votes: LipVotes, closer: _Closer | None, scale: float, size: tuple[int, int]
) -> PieceMask:
    """The whole photo's answer with the closer look laid over it, at the closer look's scale."""
    if closer is None:
        maps = 1 / (1 + np.exp(-logits))
        return PieceMask(maps[0], maps[1], maps[2], scale / 2, votes.scaled(0.5))
    half = closer.scale / 2
    columns, rows = (max(1, round(side * half)) for side in size)
    maps = np.stack([cv2.resize(layer, (columns, rows), interpolation=cv2.INTER_LINEAR) for layer in logits])
    x, y = np.round(closer.corner / 2).astype(int)
    near = closer.logits[:, : rows - y, : columns - x]
    maps[:, y : y + near.shape[1], x : x + near.shape[2]] = near
    maps = 1 / (1 + np.exp(-maps))
    told = closer.votes.moved(closer.corner).scaled(0.5)
    return PieceMask(maps[0], maps[1], maps[2], half, told)


def turn_mask(mask: PieceMask, quarters: int) -> PieceMask:
    """The answer for the photo turned counter-clockwise by quarters, taken as upright."""
    rows, columns = mask.silhouette.shape
    silhouette, area, line = (
        np.ascontiguousarray(np.rot90(layer, quarters))
        for layer in (mask.silhouette, mask.lip_area, mask.lip_line)
    )
    votes = None if mask.votes is None else turn_quarters(mask.votes, quarters, columns, rows)
    return PieceMask(silhouette, area, line, mask.scale, votes)


def exposure_gain(picture: npt.NDArray[np.uint8]) -> float:
    """Factor on linear light that brings a picture's middle tone to a usual one without clipping its lights.

    Taken from quantiles, so that a brighter exposure of the same scene gets a smaller factor to match.
    """
    light = (picture.max(axis=2).astype(np.float32) / 255) ** _GAMMA
    middle, high = np.quantile(light, [0.5, 0.95])
    gain = min(_MIDDLE_TONE / max(float(middle), 1e-4), _HIGH_TONE / max(float(high), 1e-4))
    return float(np.clip(gain, *_GAINS))


def brighten(picture: npt.NDArray[np.uint8], gain: float) -> npt.NDArray[np.uint8]:
    """The picture with its linear light multiplied, clipped."""
    table = np.clip((np.arange(256) / 255) ** _GAMMA * gain, 0, 1) ** (1 / _GAMMA) * 255
    return np.asarray(cv2.LUT(picture, np.round(table).astype(np.uint8)))


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


def to_photo(points: FloatArray, scale: float) -> FloatArray:
    """(N, 2) places of a picture reduced by ``scale`` to photo px, pixel centres at whole coordinates."""
    return (points + 0.5) / scale - 0.5
