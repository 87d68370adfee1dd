"""The labels a person gives a photo: one definition for the command line, forms and JSON."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from service.errors import LabelError

LABEL_NAMES = (
    "motif",
    "variant",
    "metal",
    "state",
    "maker",
    "line",
    "decoration_number",
    "piece",
    "note",
)
METALS = ("gold", "platinum")
STATES = ("sound", "worn")
LONGEST = {"motif": 120, "note": 4000}
LONGEST_OTHER = 120
METAL_ALIASES = {"silver": "platinum"}  # old lists call the white metal silver


@dataclass(frozen=True)
class Labels:
    """What a person says the photo shows; None = not said."""

    motif: str
    variant: str | None = None
    metal: str | None = None
    state: str | None = None
    maker: str | None = None
    line: str | None = None
    decoration_number: str | None = None
    piece: str | None = None
    note: str | None = None

    def others(self) -> dict[str, str | None]:
        """All but the motif."""
        return {f.name: getattr(self, f.name) for f in fields(self) if f.name != "motif"}


def check_labels(given: Mapping[str, Any]) -> Labels:
    """Trim and check labels; blank ones count as not said.

    Raises
    ------
    LabelError
        An unknown name or value, a text that is too long or holds control characters, no motif.
    """
    known = [f.name for f in fields(Labels)]
    unknown = sorted(set(given) - set(known))
    if unknown:
        raise LabelError(f"Unknown label {unknown[0]!r}: use {', '.join(known)}.")
    clean = {name: _clean(name, given.get(name)) for name in known}
    if clean["metal"] is not None:
        clean["metal"] = choose_metal(clean["metal"])
    if clean["state"] is not None:
        clean["state"] = _choose("state", clean["state"], STATES, {})
    motif = clean.pop("motif")
    if motif is None:
        raise LabelError("motif: give the motif's name.")
    return Labels(motif, **clean)


def choose_metal(text: str) -> str:
    """The metal meant; "silver" is an alias of platinum.

    Raises
    ------
    LabelError
        It is no metal that is told apart here.
    """
    return _choose("metal", text, METALS, METAL_ALIASES)


def _clean(name: str, value: object) -> str | None:
    if value is None:
        return None
    if not isinstance(value, str):
        raise LabelError(f"{name}: expected a text.")
    text = unicodedata.normalize("NFC", value).strip()
    allowed = "\n\t" if name == "note" else ""
    if any(unicodedata.category(char) in ("Cc", "Cs") and char not in allowed for char in text):
        raise LabelError(f"{name}: control characters are not allowed.")
    longest = LONGEST.get(name, LONGEST_OTHER)
    if len(text) > longest:
        raise LabelError(f"{name}: at most {longest} characters, got {len(text)}.")
    return text or None


def _choose(name: str, value: str, choices: tuple[str, ...], aliases: Mapping[str, str]) -> str:
    folded = value.casefold()
    folded = aliases.get(folded, folded)
    if folded not in choices:
        raise LabelError(f"{name}: expected {' or '.join(choices)}, got {value[:40]!r}.")
    return folded
