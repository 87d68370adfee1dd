"""Every piece of the register in full, one after the other, as the exporters for others need them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa

from service.register.pieces import load_piece_file, show_piece
from service.register.shelf import list_records

Body = dict[str, Any]
PIECES_AT_ONCE = 500
NOT_IN_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def list_pieces(tx: sa.Connection) -> Iterator[Body]:
    """Present pieces in order of their number, without anything private."""
    offset = 0
    while pieces := list_records(tx, "piece", offset, PIECES_AT_ONCE)[0]:
        for piece in pieces:
            yield show_piece(tx, load_piece_file(tx, piece.id))
        offset += PIECES_AT_ONCE


def fit_xml(text: str) -> str:
    """The text with the replacement character for what XML 1.0 cannot hold (its production 2, "Char")."""
    return NOT_IN_XML.sub("\ufffd", text)


def title_of(piece: Body) -> str:
    """The piece's own title, or its kind with its motifs."""
    if piece["title"]:
        return str(piece["title"])
    motifs = [seen["motif"] for seen in piece["decorations"] if seen["motif"]]
    return f"{piece['piece_kind']}, {' and '.join(motifs)}" if motifs else str(piece["piece_kind"])


def describe(piece: Body) -> str:
    """What can be seen, in one sentence a decoration, then the defects; no opinion and no value."""
    said = []
    for seen in piece["decorations"]:
        parts = [seen["motif"] or "unnamed motif", seen["variant"], seen["metal"], seen["state"]]
        parts += [f"{line['colour']} {line['place']} line" for line in seen["lines"]]
        parts += [f"decoration number {seen['number']}"] if seen["number"] else []
        said.append("Stamped border: " + ", ".join(part for part in parts if part) + ".")
    said += [f"{d['kind']} at {d['place']}." for d in piece["defects"]]
    return " ".join([*said, *([piece["description"]] if piece["description"] else [])])


def span_of(piece: Body) -> tuple[str | None, str | None]:
    """First and last possible day as EDTF, None where open; both None where sources clash."""
    spans = piece["bracket"]["spans"]
    return (spans[0]["earliest"], spans[-1]["latest"]) if spans else (None, None)
