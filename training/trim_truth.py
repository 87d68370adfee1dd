"""The truth beside a rendered photo, as the fits and exams of light and trim need it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

METALS = ("gold", "platinum")
WORN_SHARE = 0.75  # definition of worn lustre: less of the stamped metal remains, or it is mostly dull
DULL_SHARE = 0.5


@dataclass(frozen=True)
class PhotoTruth:
    """What was rendered.

    Attributes
    ----------
    group
        Photos of one group stay on one side of every split: the motif where one is stamped, else the scene.
    metal
        gold, platinum or none.
    sectors
        36 remaining shares, None where nothing was stamped or it is out of view.
    border_colour, edge_colour, verge_colour
        A metal, a paint, or None where there is none.
    light
        The illuminant that gives most of the light; ``mixed`` where it gives under 60 %.
    """

    group: str
    scene: str
    metal: str
    worn: bool
    dull_share: float
    remaining_share: float | None
    sectors: list[float | None]
    border_colour: str | None
    edge_colour: str | None
    verge_colour: str | None
    decal: bool
    light: str
    glaze: str
    paper: bool
    table: str
    shape: str
    framing: str
    white_rgb: list[float]
    visible_share: float

    def label_of(self, kind: str) -> str | None:
        """Gold, platinum, paint; or None for print of a kind that was never put there, or of no kind."""
        places = {
            "edge line": self.edge_colour,
            "verge line": self.verge_colour,
            "border": self.border_colour,
        }
        colour = places.get(kind)
        if colour is None:
            return self._label_of_stray(kind)
        return colour if colour in METALS else "paint"

    def _label_of_stray(self, kind: str) -> str | None:
        """Print found where none was put: paint if there is no metal at all, else not to be learnt from."""
        return "paint" if self.metal == "none" else None


def read_truth(path: Path) -> PhotoTruth:
    """Read the JSON that the renderer writes beside a photo."""
    data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    plan = data.get("plan", {})
    lines = {line["place"]: line["colour"] for line in data["lines"]}
    border = data["border"]
    remaining = data["remaining_share"]
    motif = data.get("motif_id")
    scene = f"scene {data['seed']}"
    return PhotoTruth(
        group="/".join(motif.split("/")[:2]) if motif else scene,
        scene=scene,
        metal=data["metal"],
        worn=data["metal"] != "none" and _is_worn(remaining, data.get("dull_share", 0.0)),
        dull_share=float(data.get("dull_share") or 0.0),
        remaining_share=remaining,
        sectors=[sector["remaining_share"] for sector in data["sectors"] or []] or [None] * 36,
        border_colour=border.get("colour") if border else None,
        edge_colour=lines.get("edge"),
        verge_colour=lines.get("verge"),
        decal=bool(plan.get("decal", False)),
        light=main_light(data["lights"]),
        glaze=data["glaze"],
        paper=data["paper"] is not None,
        table=str(plan.get("table", "")),
        shape=data["piece"],
        framing=str(plan.get("framing", "")),
        white_rgb=data["white_rgb"],
        visible_share=float(data.get("strip_visible_share", 1.0)),
    )


def _is_worn(remaining: float | None, dull_share: float | None) -> bool:
    return (remaining is not None and remaining < WORN_SHARE) or (dull_share or 0.0) > DULL_SHARE


def main_light(lights: list[dict[str, Any]]) -> str:
    """Name of the illuminant with most of the light."""
    shares: dict[str, float] = {}
    for light in lights:
        shares[light["illuminant"]] = shares.get(light["illuminant"], 0.0) + light["share"]
    best = max(shares, key=lambda name: shares[name])
    return best if shares[best] >= 0.6 * sum(shares.values()) else "mixed"
