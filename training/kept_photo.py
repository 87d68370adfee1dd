"""What the chain found of a rendered photo before the witness, kept as one pickle a photo.

In a module of its own: a class of a module that runs as the main program could not be read back by another.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from model.facts import Light
from model.rim_band import RimStrip
from model.surroundings import SceneColours
from model.trim_print import Print
from training.trim_truth import PhotoTruth


@dataclass(frozen=True, eq=False)
class KeptPhoto:
    """A photo's strip with its print, light and surroundings, and the truth.

    ``light`` is as read from ``evidence``.
    """

    name: str
    truth: PhotoTruth
    facts: dict[str, Any]
    strip: RimStrip
    found: Print
    light: Light
    evidence: dict[str, Any]
    around: SceneColours | None
