"""The whole file of one piece: what is on it, what was said about it, and when it can have been made."""

from __future__ import annotations

import sqlalchemy as sa

from service.errors import NotFound
from service.register.brackets import find_bracket
from service.register.claims import collect_claims
from service.register.forms import Body
from service.register.records import Decoration, Evidence, Mark, Opinion, Piece
from service.register.shelf import find_hanging, find_record, find_said_about, load_lists, of_type
from service.register.shown import show_record, show_records
from service.register.sightings import PieceFile


def load_piece_file(tx: sa.Connection, piece_id: str) -> PieceFile:
    """Everything about one present piece.

    Raises
    ------
    NotFound
        There is none of that id.
    """
    piece = find_record(tx, "piece", piece_id)
    if not isinstance(piece, Piece):
        raise NotFound(f"There is no piece {piece_id[:60]!r} in the register.")
    on_it = find_hanging(tx, [piece_id]).get(piece_id, [])
    decorations = of_type(on_it, Decoration)
    named = [piece.maker_id, piece.line_id, piece.distributor_id, *(seen.motif_id for seen in decorations)]
    about = find_said_about(tx, [piece_id, *(r.id for r in on_it), *(i for i in named if i)])
    said = [record for records in about.values() for record in records]
    return PieceFile(
        piece,
        decorations,
        of_type(on_it, Mark),
        of_type(said, Evidence),
        of_type(said, Opinion),
        load_lists(tx),
    )


def show_piece(tx: sa.Connection, file: PieceFile, with_private: bool = False) -> Body:
    """A piece with its decorations, marks, evidence, opinions and the bracket of its date."""
    return show_record(tx, file.piece, with_private) | {
        "decorations": show_records(tx, file.decorations),
        "marks": show_records(tx, file.marks),
        "evidence": show_records(tx, file.evidence),
        "opinions": show_records(tx, file.opinions),
        "bracket": find_bracket(collect_claims(file)).as_json(),
    }
