"""The true labels of a strip, from the plan of the scene: what the witness learns to say."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from model.photo import Photo
from model.piece import Piece
from model.rim_band import RimStrip
from model.straighten import find_stretch
from model.strip_grid import lay_grid
from model.strip_labels import CELL, MATERIALS, ROLES, StripLabels, join_windows
from model.witness_input import COLUMNS, ROWS, WindowPlaces, cut_plane, cut_windows, place_windows
from training.witness_labels import COVERS, map_cover, stage_again

Bytes = npt.NDArray[np.uint8]
Map = npt.NDArray[np.float32]
AT_ONCE = 4  # layers that are resampled together: as many as cv2 takes


def unroll_cover(
    told: dict[str, Any], photo: Photo, piece: Piece, unrolled: RimStrip, strip: RimStrip
) -> Bytes | None:
    """(h, w, len(COVERS)) uint8 of 255ths, laid as the photo's own strip was; None without an exact scene.

    ``unrolled`` is the strip before, ``strip`` after its bands were made level.
    """
    stage = stage_again(told)
    if stage is None or piece.rim is None:
        return None
    cover = np.round(map_cover(stage) * 255).astype(np.uint8)
    grid = lay_grid(photo, piece.rim, piece.outline)
    assert grid is not None
    where = grid.where.astype(np.float32)
    laid = _resample(cover, where[..., 0], where[..., 1])
    if strip is not unrolled:
        stretch = find_stretch(unrolled)
        assert stretch is not None
        h, w = laid.shape[:2]
        map_x, map_y = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
        depth = np.maximum(map_y - strip.lip_row, 0)
        map_y += depth * (np.exp(stretch)[None].astype(np.float32) - 1)
        laid = _resample(laid, map_x, map_y)
    return laid


def _resample(cover: Bytes, map_x: Map, map_y: Map) -> Bytes:
    parts = [
        cv2.remap(np.ascontiguousarray(cover[..., k : k + AT_ONCE]), map_x, map_y, cv2.INTER_LINEAR)
        for k in range(0, cover.shape[-1], AT_ONCE)
    ]
    return np.asarray(np.concatenate(parts, axis=-1), np.uint8)


def true_labels(
    told: dict[str, Any], photo: Photo, piece: Piece, unrolled: RimStrip, strip: RimStrip
) -> StripLabels | None:
    """The labels that a faultless witness would give; None without an exact scene or a view of the rim."""
    cover = unroll_cover(told, photo, piece, unrolled, strip)
    places = place_windows(strip)
    if cover is None or not places.starts:
        return None
    metal = told["metal"] if told["metal"] in MATERIALS else None
    cells = cells_of(cut_cover(cover, places), metal)
    windows = cut_windows(strip, strip.linear_rgb, places)
    verdict = np.full(3, -8.0, np.float32)
    verdict[("gold", "platinum", None).index(metal)] = 8.0
    whole = (float(told["remaining_share"] or 0.0), float(told["state"] == "worn"))
    return join_windows(places, windows, cells, verdict, whole)


def cut_cover(cover: Bytes, places: WindowPlaces) -> Bytes:
    """The windows (k, ROWS, COLUMNS, len(COVERS)) of a strip's cover."""
    parts = [
        cut_plane(np.ascontiguousarray(cover[..., k : k + AT_ONCE]), places)
        for k in range(0, cover.shape[-1], AT_ONCE)
    ]
    return np.asarray(np.concatenate(parts, axis=-1), np.uint8)


def cells_of(windows: Bytes, metal: str | None) -> Map:
    """Cover of windows (k, ROWS, COLUMNS, len(COVERS)) as chances (k, 9, ROWS / 2, COLUMNS / 2)."""
    share = windows.reshape(len(windows), ROWS // CELL, CELL, COLUMNS // CELL, CELL, -1).mean(axis=(2, 4))
    cover = dict(zip(COVERS, np.moveaxis(share / 255, -1, 0).astype(np.float32), strict=True))
    out = np.zeros((len(windows), len(MATERIALS) + len(ROLES) + 1, ROWS // CELL, COLUMNS // CELL), np.float32)
    out[:, 0] = np.clip(1 - cover["metal"] - cover["paint"], 0, 1)
    if metal is not None:
        out[:, MATERIALS.index(metal)] = cover["metal"]
    out[:, MATERIALS.index("paint")] = cover["paint"]
    for role in ROLES[1:]:
        out[:, len(MATERIALS) + ROLES.index(role)] = cover[role]
    out[:, len(MATERIALS)] = np.clip(1 - sum(cover[role] for role in ROLES[1:]), 0, 1)
    out[:, -1] = cover["band"]
    return out
