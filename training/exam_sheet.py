"""Contact sheets: photos side by side, a line of text under each."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from model.photo import decode_photo

SIDE_PX, TEXT_PX, COLUMNS, MOST = 300, 32, 6, 120


def draw_photos(photos: Sequence[Path], texts: Sequence[str], target: Path) -> None:
    """Write a sheet of the first ``MOST`` photos; nothing for none."""
    tiles = [_tile(path, text) for path, text in list(zip(photos, texts, strict=True))[:MOST]]
    if not tiles:
        return
    while len(tiles) % COLUMNS:
        tiles.append(np.full_like(tiles[0], 255))
    rows = [np.hstack(tiles[first : first + COLUMNS]) for first in range(0, len(tiles), COLUMNS)]
    target.parent.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(target), np.vstack(rows)[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 80])


def _tile(path: Path, text: str) -> npt.NDArray[np.uint8]:
    picture = decode_photo(path.read_bytes()).pixels
    scale = SIDE_PX / max(picture.shape[:2])
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)[:SIDE_PX, :SIDE_PX]
    tile = np.full((SIDE_PX + TEXT_PX, SIDE_PX, 3), 255, np.uint8)
    tile[: small.shape[0], : small.shape[1]] = small
    for line, said in enumerate((path.stem[-30:], text[:48])):
        cv2.putText(
            tile, said, (2, SIDE_PX + 12 + 14 * line), cv2.FONT_HERSHEY_SIMPLEX, 0.36, (0, 0, 0), 1, 16
        )
    return tile
