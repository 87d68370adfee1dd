"""The printed regions of the rim as the network labels them: edge line, verge line, border, stray print."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.rim_band import RimStrip
from model.strip_labels import MATERIALS, ROLES, StripLabels

Map = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

STRAY = "stray"
KINDS = ("edge line", "verge line", "border", STRAY)
PRINTED_FROM = 0.5  # chance of print from which a pixel is print
OWNED_FROM = 0.3  # chance of any role from which print belongs to the likeliest one
MIN_REGION_PIXELS = 40
LEAST_STRAY_PIXELS = 150
METALS = (MATERIALS.index("gold"), MATERIALS.index("platinum"))
PAINT = MATERIALS.index("paint")


@dataclass(frozen=True, eq=False)
class TrimRegion:
    """One printed region: its ``kind``, the (h, w) bool mask of its print now, its rows (half-open).

    ``cells`` (h, w) bool: the cells of the labels' grid that are the region's, worn away or not. ``says`` is
    what the network says of its print, by name.
    """

    kind: str
    mask: Mask
    row0: int
    row1: int
    cells: Mask
    says: dict[str, float]


def find_regions(strip: RimStrip, labels: StripLabels) -> list[TrimRegion]:
    """The regions that carry print, each kind at most once; perhaps none.

    A region's mask holds the commoner of metal and paint in it: a colour is measured of one material.
    """
    metal, paint = labels.materials[list(METALS)].sum(axis=0), labels.materials[PAINT]
    owner = name_owners(labels)
    found = []
    for kind in KINDS:
        cells = owner == kind_number(kind)
        own_metal, own_paint = float((metal * cells).sum()), float((paint * cells).sum())
        if own_metal + own_paint <= 0:
            continue
        chance = np.where(cells, metal if own_metal >= own_paint else paint, 0)
        mask = spread_cells(chance, labels, strip.seen_mask.shape) >= PRINTED_FROM
        mask &= strip.seen_mask
        mask[: strip.lip_row] = False
        if kind == STRAY:
            mask = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0
        if mask.sum() < (LEAST_STRAY_PIXELS if kind == STRAY else MIN_REGION_PIXELS):
            continue
        rows = np.flatnonzero(mask.any(axis=1))
        says = _sum_up(labels, cells, metal, paint)
        found.append(TrimRegion(kind, mask, int(rows[0]), int(rows[-1]) + 1, cells, says))
    return found


def kind_number(kind: str) -> int:
    """Number of a kind in the map of owners: its place in ROLES, 0 for stray print."""
    return 0 if kind == STRAY else ROLES.index(kind)


def name_owners(labels: StripLabels) -> npt.NDArray[np.int64]:
    """The likeliest role (h, w) of each cell where any is likely enough, else 0."""
    named = labels.roles[1:]
    return np.where(named.sum(axis=0) >= OWNED_FROM, named.argmax(axis=0) + 1, 0)


def spread_cells(chance: Map, labels: StripLabels, shape: tuple[int, ...]) -> Map:
    """Chances of cells (h, w) as a map of the strip's pixels, straight between the cells' centres."""
    step = labels.step_px
    to_cells = np.array(
        [[1 / step, 0, 0.5 / step - 0.5], [0, 1 / step, (0.5 - labels.first_row_px) / step - 0.5]]
    )
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = (shape[1], shape[0])
    return np.asarray(
        cv2.warpAffine(
            chance.astype(np.float32), to_cells, size, flags=flags, borderMode=cv2.BORDER_REPLICATE
        )
    )


def _sum_up(labels: StripLabels, cells: Mask, metal: Map, paint: Map) -> dict[str, float]:
    """Log ratios of the chances of metal to paint and of gold to platinum, over the region's print."""
    gold, platinum = (labels.materials[k][cells] for k in METALS)
    weight = (metal[cells] + paint[cells]) ** 2 + 1e-6
    metallic = np.log((metal[cells] + 1e-2) / (paint[cells] + 1e-2))
    golden = np.log((gold + 1e-2) / (platinum + 1e-2))
    return {
        "cell_metal": float(np.average(metallic, weights=weight)),
        "cell_gold": float(np.average(golden, weights=weight * (metal[cells] + 1e-3))),
        "cell_metal_to_paint": float(np.log((metal[cells].sum() + 1) / (paint[cells].sum() + 1))),
        "cell_gold_to_platinum": float(np.log((gold.sum() + 1) / (platinum.sum() + 1))),
        "cell_printed": float(np.average(metal[cells] + paint[cells], weights=weight)),
    }
