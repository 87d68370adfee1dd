"""What the cells of a strip are: material, and the role of the print when it was new; from the network.

A cell is two by two window pixels. Windows overlap a little; where they do, their chances are averaged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from model.witness_input import COLUMNS, LIP_AT, ROWS, WindowPlaces, WitnessWindows

Map = npt.NDArray[np.float32]

CELL = 2  # window px a side
MATERIALS = ("bare", "gold", "platinum", "paint")
ROLES = ("none", "edge line", "border", "verge line")


@dataclass(frozen=True, eq=False)
class StripLabels:
    """Chances for the cells of a strip, (c, h, w) over (h, w) cells of ``step_px`` strip px a side.

    Attributes
    ----------
    materials
        (4, h, w) float32 of MATERIALS: what lies there now.
    roles
        (4, h, w) float32 of ROLES: what was stamped or painted there when the piece was new.
    band
        (h, w) float32: the rows of the border, its gaps included.
    seen
        (h, w) float32 share of the cell in view; 0 too where no window looked.
    step_px
        Strip px a cell measures along either side.
    first_row_px
        Strip row of the upper edge of the first row of cells; may be negative.
    verdict
        (3,) logits of gold, platinum, no metal for the whole photo.
    remaining_share, worn_chance
        0..1, the network's own estimates for the whole photo, meant for metal trim only.
    """

    materials: Map
    roles: Map
    band: Map
    seen: Map
    step_px: float
    first_row_px: float
    verdict: Map
    remaining_share: float
    worn_chance: float

    def rows_px(self, cells: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Strip rows of cell edges (0 is the first row's upper edge)."""
        return self.first_row_px + np.asarray(cells, np.float64) * self.step_px

    def columns_px(self, cells: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Strip columns of cell edges."""
        return np.asarray(cells, np.float64) * self.step_px


def join_windows(
    places: WindowPlaces, windows: WitnessWindows, cells: Map, verdict: Map, whole: tuple[float, float]
) -> StripLabels:
    """Lay the windows' cells (k, 9, ROWS / 2, COLUMNS / 2), chances already, onto one grid of the strip."""
    height, width = ROWS // CELL, -(-places.size[1] // CELL)
    total = np.zeros((cells.shape[1], height, width), np.float32)
    weight, seen = np.zeros(width, np.float32), np.zeros((height, width), np.float32)
    shown = windows.seen_mask.reshape(-1, height, CELL, COLUMNS // CELL, CELL).mean(
        axis=(2, 4), dtype=np.float32
    )
    for start, chance, view in zip(places.starts, cells, shown, strict=True):
        first = start // CELL
        last = min(first + COLUMNS // CELL, width)
        total[:, :, first:last] += chance[:, :, : last - first]
        seen[:, first:last] += view[:, : last - first]
        weight[first:last] += 1
    total /= np.maximum(weight, 1)
    seen /= np.maximum(weight, 1)
    known = len(MATERIALS), len(MATERIALS) + len(ROLES)
    return StripLabels(
        materials=total[: known[0]],
        roles=total[known[0] : known[1]],
        band=total[known[1]],
        seen=seen,
        step_px=CELL / places.scale,
        first_row_px=(places.lip_row - LIP_AT) / places.scale,
        verdict=verdict,
        remaining_share=whole[0],
        worn_chance=whole[1],
    )
