"""The art cache: glyphs of icon sets and sign fonts, packed to one bit a pixel by ``collect.py``."""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

ART_VARIABLE = "RIMLIGHT_ART"
GLYPH_PX = 96


@dataclass(frozen=True, eq=False)
class GlyphCache:
    """All glyphs: packed bits (n, 1152) uint8, and the name, set and split of each."""

    bits: npt.NDArray[np.uint8]
    names: tuple[str, ...]
    sets: tuple[str, ...]
    splits: tuple[str, ...]

    def ink(self, index: int) -> npt.NDArray[np.float32]:
        """Ink (96, 96) 0..1 of one glyph, its stairs smoothed."""
        ink = np.unpackbits(self.bits[index]).reshape(GLYPH_PX, GLYPH_PX).astype(np.float32)
        return np.asarray(cv2.GaussianBlur(ink, (0, 0), 0.8), np.float32)

    def indices(self, split: str) -> list[int]:
        """Indices of the glyphs of one split."""
        return [index for index, name in enumerate(self.splits) if name == split]


def load_glyphs(cache: Path | str | None = None) -> GlyphCache | None:
    """The told cache file, or the one that RIMLIGHT_ART names; None where neither is told.

    Raises
    ------
    FileNotFoundError
        A cache was told but is not there.
    """
    told = str(cache) if cache else os.environ.get(ART_VARIABLE)
    if not told:
        return None
    if not Path(told).is_file():
        raise FileNotFoundError(f"no art cache at {told}; make one with python -m training.art.collect")
    return _read(told)


@lru_cache(maxsize=2)
def _read(path: str) -> GlyphCache:
    with np.load(path) as data:
        return GlyphCache(
            bits=data["bits"],
            names=tuple(data["names"].tolist()),
            sets=tuple(data["sets"].tolist()),
            splits=tuple(data["splits"].tolist()),
        )
