"""The columns of the table of pieces: one row a decoration, with the piece it is on.

``number`` names the piece; further rows of the same number add decorations to it. A cell that is empty
says nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

Body = dict[str, Any]
YES, NO = "yes", "no"


@dataclass(frozen=True)
class Column:
    """One column: its heading, whether it belongs to the piece or to the decoration, how a cell is made."""

    heading: str
    of_piece: bool
    say: Callable[[Body], Any]
    is_private: bool = False


def _field(name: str) -> Callable[[Body], Any]:
    return lambda body: body.get(name)


def _private(name: str) -> Callable[[Body], Any]:
    return lambda body: (body.get("private") or {}).get(name)


def _diameter(body: Body) -> Any:
    found = [m["mm"] for m in body.get("measurements", ()) if m["what"] == "diameter"]
    return found[0] if found else None


def _line_colour(place: str) -> Callable[[Body], Any]:
    def say(body: Body) -> Any:
        found = [line["colour"] for line in body.get("lines", ()) if line["place"] == place]
        return found[0] if found else None

    return say


COLUMNS: tuple[Column, ...] = (
    Column("number", True, _field("number")),
    Column("piece", True, _field("piece_kind")),
    Column("title", True, _field("title")),
    Column("owned", True, lambda body: YES if body.get("owned", True) else NO),
    Column("count", True, _field("count")),
    Column("maker", True, _field("maker")),
    Column("line", True, _field("line")),
    Column("distributor", True, _field("distributor")),
    Column("nominal size", True, _field("nominal_size")),
    Column("diameter mm", True, _diameter),
    Column("grade", True, _field("grade")),
    Column("motif", False, _field("motif")),
    Column("variant", False, _field("variant")),
    Column("metal", False, _field("metal")),
    Column("state", False, _field("state")),
    Column("edge line", False, _line_colour("edge")),
    Column("verge line", False, _line_colour("verge")),
    Column("decal", False, _field("decal")),
    Column("decoration number", False, _field("number")),
    Column("note", True, _field("note")),
    Column("kept at", True, _field("kept_at"), is_private=True),
    Column("price", True, _private("price"), is_private=True),
    Column("seller", True, _private("seller"), is_private=True),
    Column("place", True, _private("place"), is_private=True),
    Column("bought", True, _private("bought"), is_private=True),
)
NUMBERS = ("count", "diameter mm")
HEADINGS = tuple(column.heading for column in COLUMNS)


def row_of(piece: Body, decoration: Body) -> dict[str, Any]:
    """One row: values by heading, None where nothing is known."""
    sides = {True: piece, False: decoration}
    return {column.heading: column.say(sides[column.of_piece]) for column in COLUMNS}


def join_rows(rows: Sequence[Mapping[str, str]]) -> dict[str, str]:
    """The piece's cells of all rows of one number.

    Raises
    ------
    ValueError
        Two rows say different things about the piece; it names the column.
    """
    joined: dict[str, str] = {}
    for heading in (column.heading for column in COLUMNS if column.of_piece):
        said = list(dict.fromkeys(cells[heading] for cells in rows if cells.get(heading)))
        if len(said) > 1:
            raise ValueError(f"{heading}: {said[0][:20]!r} and {said[1][:20]!r} for one piece")
        if said:
            joined[heading] = said[0]
    return joined


def read_piece(cells: Mapping[str, str]) -> Body:
    """The piece's fields that a row gives, as the register takes them.

    Raises
    ------
    ValueError
        A cell that should be a number or yes/no is not; it names the column.
    """
    plain = {
        "number": "number",
        "piece": "piece_kind",
        "title": "title",
        "maker": "maker",
        "line": "line",
        "distributor": "distributor",
        "nominal size": "nominal_size",
        "grade": "grade",
        "note": "note",
        "kept at": "kept_at",
    }
    body: Body = {field: cells[heading] for heading, field in plain.items() if cells.get(heading)}
    if cells.get("owned"):
        body["owned"] = _yes(cells["owned"])
    if cells.get("count"):
        body["count"] = _whole(cells, "count")
    if cells.get("diameter mm"):
        body["measurements"] = [{"what": "diameter", "mm": _number(cells, "diameter mm")}]
    private = {name: cells[name] for name in ("price", "seller", "place", "bought") if cells.get(name)}
    return body | ({"private": private} if private else {})


def read_decoration(cells: Mapping[str, str]) -> Body:
    """The decoration's fields that a row gives; empty where it gives none."""
    plain = {"motif": "motif", "variant": "variant", "metal": "metal", "state": "state", "decal": "decal"}
    body: Body = {field: cells[heading] for heading, field in plain.items() if cells.get(heading)}
    if cells.get("decoration number"):
        body["number"] = cells["decoration number"]
    lines = [
        {"place": place, "colour": cells[f"{place} line"]}
        for place in ("edge", "verge")
        if cells.get(f"{place} line")
    ]
    return body | ({"lines": lines} if lines else {})


def _yes(text: str) -> bool:
    folded = text.strip().casefold()
    if folded not in (YES, NO):
        raise ValueError(f"owned: expected yes or no, got {text[:20]!r}")
    return folded == YES


def _whole(cells: Mapping[str, str], heading: str) -> int:
    number = _number(cells, heading)
    if not number.is_integer():
        raise ValueError(f"{heading}: expected a whole number, got {cells[heading][:20]!r}")
    return int(number)


def _number(cells: Mapping[str, str], heading: str) -> float:
    try:
        return float(cells[heading].replace(",", "."))
    except ValueError:
        raise ValueError(f"{heading}: expected a number, got {cells[heading][:20]!r}") from None
