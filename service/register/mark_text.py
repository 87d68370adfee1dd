"""Text of a base mark from its photo: a suggestion to correct, never a fact.

Needs the extra ``ocr`` (see ``MISSING``), an offline reader that brings its model with it.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from typing import Any, Literal

import cv2
import numpy as np

from service.register.mark_ring import Ring, find_rings, unroll_arc

# The reader names a build of OpenCV that must not stand beside ours, so it comes without its dependencies,
# which the extra lists instead.
MISSING = (
    "No reader of marks is installed; type the mark in. To have it suggested: pip install 'rimlight[ocr]', "
    "then pip install --no-deps 'rapidocr>=3.10,<4'."
)
NOTHING = "No text was found in the photo. A close, sharp, evenly lit photo of the mark alone reads best."
CAUTION = "Read by a program from the photo: a suggestion to correct letter by letter."
WORK_SIDE_PX = 1000
LEAST_CONFIDENCE = 0.5  # below it letters are as often wrong as right; our own choice
DOUBTFUL = 0.8  # below it a line is given with the sign for doubtful
# Chosen on drawn marks of another seed than the one that is reported.
SCRAP = 2  # letters
LEAST_WEIGHED = 0.75
LEAST_LINE_PX = 32  # lines are enlarged to this; the reader itself works at 48 rows


@dataclass(frozen=True)
class MarkLine:
    """One line as read; ``way`` says whether it was straight or unrolled from a ring."""

    text: str
    confidence: float
    way: Literal["straight", "unrolled"]


@dataclass(frozen=True)
class MarkSuggestion:
    """What a program read; ``text`` uses the signs of a transcription: [?] behind a doubtful line."""

    lines: tuple[MarkLine, ...]
    text: str
    reason: str | None  # why there is nothing, in words

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        lines = [{"text": ln.text, "confidence": round(ln.confidence, 3), "way": ln.way} for ln in self.lines]
        return {"text": self.text, "lines": lines, "reason": self.reason, "caution": CAUTION}


def can_read_marks() -> bool:
    """The reader is installed."""
    return find_spec("rapidocr") is not None


def suggest_mark_text(picture: np.ndarray) -> MarkSuggestion:
    """Read the text of a mark, straight and round, whichever way up.

    Parameters
    ----------
    picture : (h, w, 3) uint8 RGB, the mark filling a good part of it.

    Returns
    -------
    A suggestion; with no lines and a reason where there is no reader or no text.
    """
    if not can_read_marks():
        return MarkSuggestion((), "", MISSING)
    small = _reduce(picture)
    straight = read_straight(small)
    rings = find_rings(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY))
    round_too = [line for ring in rings for line in _read_ring(small, ring)]
    if round_too:
        round_too += read_straight(_cover(small, rings))
    # Letters of straight lines may stand on some circle by chance, and pieces of a ring may pass for straight
    # lines: whichever way more is read with confidence is the right one.
    kept = max(_keep_sure(straight), _keep_sure(round_too), key=_weigh)
    said = "\n".join(line.text if line.confidence >= DOUBTFUL else f"{line.text} [?]" for line in kept)
    return MarkSuggestion(kept, said, None if kept else NOTHING)


def _keep_sure(lines: list[MarkLine]) -> tuple[MarkLine, ...]:
    return tuple(line for line in lines if line.confidence >= LEAST_CONFIDENCE and line.text.strip())


def _weigh(lines: tuple[MarkLine, ...]) -> float:
    """Letters read with confidence; scraps, which the wrong way yields in plenty, count for nothing."""
    return sum(max(0, len(line.text) - SCRAP) * max(0.0, line.confidence - LEAST_WEIGHED) for line in lines)


def _reduce(picture: np.ndarray) -> np.ndarray:
    scale = WORK_SIDE_PX / max(picture.shape[:2])
    if scale >= 1:
        return picture
    size = (max(1, round(picture.shape[1] * scale)), max(1, round(picture.shape[0] * scale)))
    reduced: np.ndarray = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    return reduced


def _cover(picture: np.ndarray, rings: tuple[Ring, ...]) -> np.ndarray:
    """The picture without the letters that were read round the ring."""
    covered = picture.copy()
    for ring in rings:
        for x, y, width, height in ring.boxes:
            around = picture[max(0, y - 6) : y + height + 6, max(0, x - 6) : x + width + 6]
            edge = np.concatenate([around[0], around[-1]])
            covered[max(0, y - 2) : y + height + 2, max(0, x - 2) : x + width + 2] = np.median(edge, axis=0)
    return covered


def _read_ring(picture: np.ndarray, ring: Ring) -> list[MarkLine]:
    """Each arc read both ways up; the way that is read with more confidence is kept."""
    lines = []
    for arc in ring.arcs_deg:
        strip = unroll_arc(picture, ring, arc)
        both = [_read_line(strip), _read_line(strip[::-1, ::-1])]
        text, confidence = max(both, key=lambda read: read[1])
        lines.append(MarkLine(text, confidence, "unrolled"))
    return lines


def _read_line(strip: np.ndarray) -> tuple[str, float]:
    """Text and confidence of one straight line that fills the strip."""
    scale = max(1.0, LEAST_LINE_PX / strip.shape[0])
    enlarged = cv2.resize(strip, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
    bgr = np.ascontiguousarray(enlarged[..., ::-1])
    read = _load_reader()(bgr, use_det=False, use_cls=False, use_rec=True)
    if not read.txts:
        return "", 0.0
    return " ".join(read.txts), float(np.mean(read.scores))


def read_straight(picture: np.ndarray) -> list[MarkLine]:
    """Lines that stand straight, in the (h, w, 3) uint8 RGB picture as it is."""
    read = _load_reader()(np.ascontiguousarray(picture[..., ::-1]), use_det=True, use_cls=True, use_rec=True)
    if not read.txts:
        return []
    return [
        MarkLine(text, float(score), "straight") for text, score in zip(read.txts, read.scores, strict=True)
    ]


@cache
def _load_reader() -> Any:
    """The reader, with its own model from its own package: nothing is fetched."""
    from rapidocr import RapidOCR

    logging.getLogger("RapidOCR").setLevel(logging.ERROR)
    return RapidOCR(
        params={
            "Global.log_level": "error",
            "EngineConfig.onnxruntime.intra_op_num_threads": 1,
            "Det.limit_type": "max",
            "Det.limit_side_len": 960,
        }
    )
