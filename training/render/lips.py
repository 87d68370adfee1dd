"""Lip outlines of the piece shapes, as polar radii about the rim's centre."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
LipKind = Literal["round", "oval", "square", "scalloped", "wavy", "spouted"]


@dataclass(frozen=True)
class Lip:
    """A star-shaped lip in the rim's own plane.

    Attributes
    ----------
    kind : one of the outlines.
    half_long_mm, half_short_mm : semi-axes; equal but for ovals.
    rim_width_mm : lip to verge; the verge is the same outline so much smaller, a scallop half faded.
    power : exponent of the superellipse for squares (2 = ellipse).
    lobes, depth : scallops or waves round the lip and their depth as a share of the radius.
    spout_deg : direction of a spout.
    """

    kind: LipKind
    half_long_mm: float
    half_short_mm: float
    rim_width_mm: float
    power: float = 2.0
    lobes: int = 0
    depth: float = 0.0
    spout_deg: float = 0.0

    @property
    def mean_radius_mm(self) -> float:
        """Half the mean of the two axes, the radius that profiles are drawn for."""
        return 0.5 * (self.half_long_mm + self.half_short_mm)

    def lip_radius_mm(self, angle_rad: Floats) -> Floats:
        """Distance from the centre to the lip in each direction, mm."""
        return self._radius(angle_rad, 0.0, 1.0)

    def verge_radius_mm(self, angle_rad: Floats) -> Floats:
        """Distance from the centre to the verge in each direction, mm."""
        return self._radius(angle_rad, self.rim_width_mm, 0.3)

    def _radius(self, angle_rad: Floats, inward_mm: float, relief: float) -> Floats:
        a, b = self.half_long_mm - inward_mm, self.half_short_mm - inward_mm
        cos, sin = np.abs(np.cos(angle_rad)), np.abs(np.sin(angle_rad))
        radius: Floats = ((cos / a) ** self.power + (sin / b) ** self.power) ** (-1.0 / self.power)
        if self.kind == "scalloped":
            radius = radius * (1.0 + relief * self.depth * _scallop(angle_rad * self.lobes))
        if self.kind == "wavy":
            radius = radius * (1.0 + relief * self.depth * np.cos(angle_rad * self.lobes))
        if self.kind == "spouted" and relief == 1.0:
            away = np.angle(np.exp(1j * (angle_rad - np.radians(self.spout_deg))))
            radius = radius * (1.0 + self.depth * np.exp(-((away / 0.33) ** 2)))
        return radius


def _scallop(phase: Floats) -> Floats:
    """Rounded lobes with sharper dents between them, mean about zero."""
    return np.abs(np.cos(phase / 2)) ** 0.7 - 0.72


def angles_by_length(lip: Lip, count: int, clockwise: bool) -> tuple[Floats, float]:
    """Angles (count + 1,) radians of points evenly spaced along the lip, and the lip's length in mm.

    The first point is at angle 0; the last closes the round.
    """
    turn = np.linspace(0.0, 2 * np.pi, 4097)
    radius = lip.lip_radius_mm(turn)
    points = np.stack([radius * np.cos(turn), radius * np.sin(turn)], 1)
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    angles = np.interp(np.linspace(0.0, along[-1], count + 1), along, turn)
    return (-angles if clockwise else angles), float(along[-1])
