"""The grid motif × line × metal: counts, blanks, first and last dates and the piece that sets each.

Years are those of each piece's own evidence, so the grid shows what pieces say, not what lists say.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from heapq import nsmallest
from typing import Any

from service.register.sightings import Lists, Sighting

METALS = ("gold", "platinum", None)
NOT_RECORDED = "not recorded"


@dataclass(frozen=True)
class Setter:
    """A year and the piece that sets it; ``without``: the year if that piece were left out."""

    year: int
    piece_id: str
    piece_number: str
    without: int | None

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "year": self.year,
            "piece": self.piece_id,
            "piece_number": self.piece_number,
            "without_it": self.without,
        }


@dataclass(frozen=True)
class Extent:
    """How far the dated pieces of a group reach.

    ``first`` is the first year that any of them may be of, ``by`` the year by which one surely was made,
    ``until`` the last year from which on one surely was made, ``last`` the last that any may be of. A piece
    open at one side counts there with the year of its other side, since nobody knows how far it reaches.
    """

    dated: int
    first: Setter | None
    by: Setter | None
    until: Setter | None
    last: Setter | None

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        setters = {"first": self.first, "by": self.by, "until": self.until, "last": self.last}
        return {"dated": self.dated} | {k: v.as_json() if v else None for k, v in setters.items()}


@dataclass(frozen=True)
class Cell:
    """Pieces of one motif on one line in one metal (None: not recorded)."""

    motif_id: str | None
    line_id: str | None
    metal: str | None
    pieces: int
    owned: int
    extent: Extent

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "motif": self.motif_id,
            "line": self.line_id,
            "metal": self.metal,
            "pieces": self.pieces,
            "owned": self.owned,
            **self.extent.as_json(),
        }


Key = tuple[str | None, str | None, str | None]


@dataclass(frozen=True)
class Grid:
    """The filled cells, the axes in order of name, and the extents of whole motifs and lines."""

    motifs: tuple[tuple[str | None, str], ...]
    lines: tuple[tuple[str | None, str], ...]
    cells: Mapping[Key, Cell]
    motif_extents: Mapping[str | None, Extent]
    line_extents: Mapping[str | None, Extent]
    pieces: int

    @property
    def metals(self) -> tuple[str | None, ...]:
        """Gold and platinum always; the third column where a metal was not recorded."""
        unknown = any(metal is None for _, _, metal in self.cells)
        return METALS if unknown else METALS[:2]

    def find_blanks(self) -> tuple[tuple[str, str, str], ...]:
        """(motif id, line id, metal) of no piece, for motifs and lines that are named in the register."""
        return tuple(
            (motif, line, metal)
            for motif, _ in self.motifs
            for line, _ in self.lines
            for metal in ("gold", "platinum")
            if motif is not None and line is not None and (motif, line, metal) not in self.cells
        )

    def as_table(self) -> tuple[tuple[str, ...], ...]:
        """Headings, then a row for each motif: counts by line and metal, blanks as empty text."""
        columns = [(line, name, metal) for line, name in self.lines for metal in self.metals]
        head = ("motif", *(f"{name}, {metal or NOT_RECORDED}" for _, name, metal in columns), "first", "last")
        rows = [head]
        for motif, name in self.motifs:
            found = [self.cells.get((motif, line, metal)) for line, _, metal in columns]
            extent = self.motif_extents[motif]
            ends = (_say_setter(extent.first), _say_setter(extent.last))
            rows.append((name, *("" if cell is None else str(cell.pieces) for cell in found), *ends))
        return tuple(rows)

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "motifs": [{"id": m, "name": n, **self.motif_extents[m].as_json()} for m, n in self.motifs],
            "lines": [{"id": line, "name": n, **self.line_extents[line].as_json()} for line, n in self.lines],
            "metals": list(self.metals),
            "cells": [cell.as_json() for cell in self.cells.values()],
            "blanks": len(self.find_blanks()),
            "pieces": self.pieces,
        }


def _say_setter(setter: Setter | None) -> str:
    return "" if setter is None else f"{setter.year} ({setter.piece_number})"


Group = dict[str, Sighting]  # one sighting of each piece, by piece id


def make_grid(sightings: Iterable[Sighting], lists: Lists) -> Grid:
    """Count the register's sightings into a grid; pieces without a decoration take no part in it."""
    cells: dict[Key, Group] = {}
    pieces: set[str] = set()
    for seen in sightings:
        pieces.add(seen.piece_id)
        if seen.decoration_id is not None:
            cells.setdefault((seen.motif_id, seen.line_id, seen.metal), {})[seen.piece_id] = seen
    motifs = _merge(cells, 0)
    lines = _merge(cells, 1)
    return Grid(
        _sort_axis(motifs, {motif.id: motif.name for motif in lists.motifs.values()}),
        _sort_axis(lines, {line.id: line.name for line in lists.lines.values()}),
        {key: _cell(key, cells[key]) for key in sorted(cells, key=lambda k: tuple(map(str, k)))},
        {motif: find_extent(group.values()) for motif, group in motifs.items()},
        {line: find_extent(group.values()) for line, group in lines.items()},
        len(pieces),
    )


def _merge(cells: Mapping[Key, Group], axis: int) -> dict[str | None, Group]:
    """The pieces of whole motifs (axis 0) or lines (axis 1), each piece once."""
    merged: dict[str | None, Group] = {}
    for key, group in cells.items():
        merged.setdefault(key[axis], {}).update(group)
    return merged


def find_extent(group: Iterable[Sighting]) -> Extent:
    """How far some pieces reach in time; each piece may come once."""
    kept = list(group)
    # In tuples of year, number, id: of several pieces with one year the lowest number sets it.
    starts = [(s.earliest, s.piece_number, s.piece_id) for s in kept if s.earliest is not None]
    ends = [(s.latest, s.piece_number, s.piece_id) for s in kept if s.latest is not None]
    open_starts = [
        (s.latest, s.piece_number, s.piece_id) for s in kept if s.earliest is None and s.latest is not None
    ]
    open_ends = [
        (s.earliest, s.piece_number, s.piece_id) for s in kept if s.latest is None and s.earliest is not None
    ]
    return Extent(
        len(starts) + len(open_starts),
        _set_by(starts + open_starts),
        _set_by(ends),
        _set_by([(-year, number, piece) for year, number, piece in starts], -1),
        _set_by([(-year, number, piece) for year, number, piece in ends + open_ends], -1),
    )


def _set_by(years: list[tuple[int, str, str]], sign: int = 1) -> Setter | None:
    """The piece with the smallest year, which stands with its sign turned where the largest is meant."""
    if not years:
        return None
    (year, number, piece_id), *others = nsmallest(2, years)
    return Setter(sign * year, piece_id, number, sign * others[0][0] if others else None)


def _cell(key: Key, group: Group) -> Cell:
    owned = sum(1 for seen in group.values() if seen.owned)
    return Cell(*key, len(group), owned, find_extent(group.values()))


def _sort_axis(
    groups: Mapping[str | None, Group], names: Mapping[str, str]
) -> tuple[tuple[str | None, str], ...]:
    """Ids with names, in order of name; what is not recorded stands last."""
    named = [(key, names.get(key, key)) for key in groups if key is not None]
    axis: list[tuple[str | None, str]] = [(key, str(name)) for key, name in named]
    axis.sort(key=lambda pair: (pair[1].casefold(), str(pair[0])))
    return tuple(axis + ([(None, NOT_RECORDED)] if None in groups else []))
