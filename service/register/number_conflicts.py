"""Conflicts of decoration numbers: one number with two motifs or metals, or of a prefix of another line.

Numbers are not unique across makers, so each maker's are compared among themselves.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from service.register.conflict import Conflict, about_pieces, name_pieces, name_record
from service.register.listed import NumberRule
from service.register.number_rules import NumberMeaning, match_rules, read_number, write_number_key
from service.register.sightings import Lists, Sighting

_ASK_TO_COMPARE = (
    "Read the number on each piece again, and compare the motifs side by side; one may be another's variant."
)
_ASK_FOR_MAKER = (
    "Record the maker of these pieces: two makers may use one number. Then compare number and motif."
)


def find_number_conflicts(sightings: Sequence[Sighting], lists: Lists) -> Iterable[Conflict]:
    """Every conflict that a decoration number takes part in."""
    by_number: dict[tuple[str | None, str], list[Sighting]] = {}
    for seen in sightings:
        if seen.number and (key := write_number_key(seen.number)):
            by_number.setdefault((_maker(seen, lists), key), []).append(seen)
    for (maker, _), together in by_number.items():
        if len(together) == 1:
            continue
        yield from _compare_motifs(maker, together, lists)
        yield from _compare_metals(maker, together, lists)
    yield from _compare_lines(sightings, lists)


def _maker(seen: Sighting, lists: Lists) -> str | None:
    line = lists.lines.get(seen.line_id or "")
    return seen.maker_id or (line.maker_id if line is not None else None)


def _compare_motifs(maker: str | None, together: list[Sighting], lists: Lists) -> Iterable[Conflict]:
    groups: dict[str, list[Sighting]] = {}
    for seen in together:
        if seen.motif_id:
            groups.setdefault(seen.motif_id, []).append(seen)
    if len(groups) < 2:
        return
    said = _say_groups({name_record(lists.motifs, motif): seen for motif, seen in groups.items()})
    records, pieces = about_pieces(seen for group in groups.values() for seen in group)
    number = min(seen.number or "" for seen in together)
    whose = f" of {name_record(lists.makers, maker)}" if maker else ""
    yield Conflict(
        "one number, two motifs",
        "conflict" if maker else "question",
        (*records, *(("motif", motif) for motif in sorted(groups))),
        pieces,
        f"The number {number}{whose} stands with {len(groups)} motifs: {said}.",
        _ASK_TO_COMPARE if maker else _ASK_FOR_MAKER,
    )


def _compare_metals(maker: str | None, together: list[Sighting], lists: Lists) -> Iterable[Conflict]:
    """Within one motif of the number, so that one contradiction is told once."""
    by_motif: dict[str | None, dict[str, list[Sighting]]] = {}
    for seen in together:
        if seen.metal:
            by_motif.setdefault(seen.motif_id, {}).setdefault(seen.metal, []).append(seen)
    for groups in by_motif.values():
        if len(groups) < 2:
            continue
        records, pieces = about_pieces(seen for group in groups.values() for seen in group)
        number = min(seen.number or "" for seen in together)
        whose = f" of {name_record(lists.makers, maker)}" if maker else ""
        yield Conflict(
            "one number, two metals",
            "question",
            records,
            pieces,
            f"The number {number}{whose} stands with {_say_groups(groups)}.",
            "Look at the trim again with white paper beside the pieces. Some makers gave one number to both "
            "metals; a number list would settle it.",
        )


def _say_groups(groups: dict[str, list[Sighting]]) -> str:
    said = [f"{name} ({name_pieces(about_pieces(seen)[1])})" for name, seen in sorted(groups.items())]
    return f"{', '.join(said[:-1])} and {said[-1]}"


def _compare_lines(sightings: Sequence[Sighting], lists: Lists) -> Iterable[Conflict]:
    """A number whose prefix a rule gives to another line or distributor than the piece's."""
    if not lists.number_rules:
        return

    cached: dict[tuple[str, str | None], list[NumberRule]] = {}
    for seen in sightings:
        if not seen.number:
            continue
        key = (seen.number, _maker(seen, lists))
        if key not in cached:
            matched = match_rules(*key, lists)
            cached[key] = matched[0][1] if len(matched) == 1 else []
        rules = cached[key]
        wrong_line = _differs(seen.line_id, [rule.line_id for rule in rules])
        if wrong_line or _differs(seen.distributor_id, [rule.distributor_id for rule in rules]):
            yield _say_wrong_line(seen, read_number(*key, lists)[0], wrong_line, lists)


def _differs(held: str | None, meant: list[str | None]) -> bool:
    """The record holds something, the rules mean something, and it is something else."""
    return held is not None and any(meant) and held not in meant


def _say_wrong_line(seen: Sighting, meaning: NumberMeaning, line: bool, lists: Lists) -> Conflict:
    records, pieces = about_pieces([seen])
    held = (
        f"on {name_record(lists.lines, seen.line_id)}"
        if line
        else f"for {name_record(lists.distributors, seen.distributor_id)}"
    )
    return Conflict(
        "number against the line",
        "conflict",
        (*records, *(("number_rule", rule) for rule in meaning.rule_ids)),
        pieces,
        f"Piece {seen.piece_number} is recorded {held}. {meaning.sentence}",
        "Compare the shape with both lines and read the number again; if both hold, the rule is too wide.",
    )
