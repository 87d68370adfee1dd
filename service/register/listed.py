"""The register's lists: names, rules and wishes that pieces point to. Dates are EDTF text."""

from __future__ import annotations

from dataclasses import dataclass

from service.register.words import Metal


@dataclass(frozen=True)
class Maker:
    """A maker."""

    id: str
    name: str
    aliases: tuple[str, ...] = ()
    years: str | None = None
    source: str | None = None
    note: str | None = None


@dataclass(frozen=True)
class Distributor:
    """A distributor or retailer."""

    id: str
    name: str
    aliases: tuple[str, ...] = ()
    years: str | None = None
    source: str | None = None
    note: str | None = None


@dataclass(frozen=True)
class Line:
    """A maker's shape line."""

    id: str
    name: str
    maker_id: str | None = None
    aliases: tuple[str, ...] = ()
    years: str | None = None
    source: str | None = None
    note: str | None = None


@dataclass(frozen=True)
class Motif:
    """A stamped motif; its id is the gallery's id of the same motif."""

    id: str
    name: str
    aliases: tuple[str, ...] = ()
    variants: tuple[str, ...] = ()
    years: str | None = None
    source: str | None = None
    note: str | None = None


@dataclass(frozen=True)
class NumberRule:
    """A user's rule: decoration numbers of this maker that begin so belong to a line or a distributor."""

    id: str
    prefix: str
    maker_id: str | None = None
    line_id: str | None = None
    distributor_id: str | None = None
    source: str | None = None
    note: str | None = None


@dataclass(frozen=True)
class DateCodeRule:
    """A user's rule: this code in a mark of this maker means this date (EDTF)."""

    id: str
    code: str
    means: str
    maker_id: str | None = None
    source: str | None = None
    note: str | None = None


@dataclass(frozen=True)
class Want:
    """Something looked for; what is None may be anything."""

    id: str
    motif_id: str | None = None
    variant: str | None = None
    metal: Metal | None = None
    line_id: str | None = None
    piece_kind: str | None = None
    count: int = 1
    note: str | None = None
