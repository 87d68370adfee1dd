"""What the worker hands to the store and back: plain types, cheap to import."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Crop:
    """One window of a strip: rectangle in strip px, phase, mirror flag, weight, vector as float32 bytes."""

    rect: tuple[float, float, float, float]
    phase: float
    mirrored: bool
    weight: float
    numbers: bytes


@dataclass(frozen=True)
class NewReading:
    """Everything of one reading that is stored."""

    facts: dict[str, Any]
    photo_bytes: int
    sealed: bytes
    suffix: str
    strip_png: bytes | None
    recipe_id: str | None
    crops: tuple[Crop, ...]
    neutral: str | None = None
    trace: str | None = None
    source: str = "photo"


@dataclass(frozen=True)
class PackedGallery:
    """The matchable gallery, packed to be handed to the worker.

    ``numbers``: (N, d) float32 rows one after the other. ``photo_index``: for each row the position in
    ``items``, which are ``(gallery_id, motif_id, motif, variant)``. ``version`` grows with every change.
    ``head``: text of the head that was taken on (``model.head``), "" for none.
    """

    version: int
    recipe_id: str
    numbers: bytes
    photo_index: tuple[int, ...]
    items: tuple[tuple[str, str, str, str | None], ...]
    head: str = ""
