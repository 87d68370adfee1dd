"""What clashes within the records of one piece, with every source named: for the page of that piece."""

from __future__ import annotations

from collections.abc import Iterable

from service.register.conflict import Conflict, name_record
from service.register.date_codes import read_date_code
from service.register.date_conflicts import explain_clash
from service.register.number_rules import read_number
from service.register.records import Decoration, Mark
from service.register.sightings import PieceFile


def find_piece_conflicts(file: PieceFile) -> tuple[Conflict, ...]:
    """Conflicts and questions within one piece: its dates, its marks against it, its numbers by the rules."""
    clash = explain_clash(file)
    found = [clash] if clash is not None else []
    for mark in file.marks:
        found += _compare_makers(file, mark)
        found += _look_up_code(file, mark)
    for seen in file.decorations:
        found += _compare_number(file, seen)
    return tuple(found)


def _compare_makers(file: PieceFile, mark: Mark) -> Iterable[Conflict]:
    piece, makers = file.piece, file.lists.makers
    if mark.maker_id is None or piece.maker_id is None or mark.maker_id == piece.maker_id:
        return
    yield Conflict(
        "mark against the maker",
        "conflict",
        (("piece", piece.id), ("mark", mark.id)),
        (piece.number,),
        f"The mark “{mark.transcription}” is read as {name_record(makers, mark.maker_id)}, but piece "
        f"{piece.number} is recorded as {name_record(makers, piece.maker_id)}.",
        "Read the mark again. A decorator or a distributor may have marked another maker's ware: then record "
        "it as such.",
    )


def _look_up_code(file: PieceFile, mark: Mark) -> Iterable[Conflict]:
    """A date code that no rule explains, or that rules of several makers explain differently."""
    if mark.date_code is None:
        return
    maker = mark.maker_id or file.piece.maker_id
    meanings = read_date_code(mark.date_code, maker, file.lists)
    if len({meaning.date for meaning in meanings}) == 1:
        return
    said = " ".join(meaning.sentence for meaning in meanings)
    yield Conflict(
        "date code not settled",
        "question",
        (("mark", mark.id), *(("date_code_rule", meaning.rule_id) for meaning in meanings)),
        (file.piece.number,),
        f"The date code {mark.date_code} of piece {file.piece.number} is explained by "
        + (f"several rules. {said}" if meanings else "no rule."),
        "Record the maker of the mark; codes are a maker's own."
        if meanings
        else "Write a rule for it with its source, if a source explains it.",
    )


def _compare_number(file: PieceFile, seen: Decoration) -> Iterable[Conflict]:
    piece, lists = file.piece, file.lists
    line = lists.lines.get(piece.line_id or "")
    maker = piece.maker_id or (line.maker_id if line is not None else None)
    meanings = read_number(seen.number, maker, lists) if seen.number else ()
    if len(meanings) != 1 or line is None or meanings[0].line_id in (None, line.id):
        return
    yield Conflict(
        "number against the line",
        "conflict",
        (
            ("piece", piece.id),
            ("decoration", seen.id),
            *(("number_rule", rule) for rule in meanings[0].rule_ids),
        ),
        (piece.number,),
        f"Piece {piece.number} is recorded on {line.name}. {meanings[0].sentence}",
        "Compare the shape with both lines and read the number again; if both hold, the rule is too wide.",
    )
