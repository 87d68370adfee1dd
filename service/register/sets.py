"""Sets and lids: pieces that may go together, and pairs that may be a marriage. Both are questions.

Photos and records cannot show that a lid left the works with its pot; so nothing here says that it did.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.register.conflict import Conflict, name_record
from service.register.sightings import Lists, Sighting

# Kinds of pieces that come in pairs, by words that the kind's name holds. Common practice, no source.
PAIRS: tuple[tuple[tuple[str, ...], tuple[str, ...]], ...] = (
    (("cup", "can", "mug"), ("saucer",)),
    (("lid", "cover"), ("pot", "sugar", "dish", "tureen", "casserole", "box", "jar", "bowl", "butter")),
    (("underplate", "stand", "under-dish"), ("gravy", "sauce", "tureen", "bowl", "boat")),
)
# A lid and its seat, or a foot and its well, differ by a few millimetres; sizes further apart than this do
# not fit. Our own choice: pottery of one model varies by about 3 % (common practice, no source).
FIT_SHARE = 0.03
MOST_PARTNERS = 5
MOST_COMPARED = 40
_TOLD = ("line_id", "maker_id", "variant", "number", "distributor_id")
_WORDS = {
    "motif_id": "motif",
    "metal": "metal",
    "line_id": "line",
    "maker_id": "maker",
    "variant": "variant",
    "number": "decoration number",
    "distributor_id": "distributor",
    "size": "size",
}


@dataclass(frozen=True)
class Partner:
    """A piece that may go with another: what agrees, what differs, what is not recorded of one of them."""

    piece_id: str
    piece_number: str
    agrees: tuple[str, ...]
    differs: tuple[str, ...]
    unknown: tuple[str, ...]


@dataclass(frozen=True)
class Lonely:
    """A piece without its other half, and pieces that may be it, best agreement at the top."""

    piece_id: str
    piece_number: str
    piece_kind: str
    partners: tuple[Partner, ...]
    sentence: str

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "piece": self.piece_id,
            "piece_number": self.piece_number,
            "piece_kind": self.piece_kind,
            "partners": [vars(partner) for partner in self.partners],
            "sentence": self.sentence,
        }


def find_partners(
    sightings: Iterable[Sighting],
    goes_with: Mapping[str, Sequence[str]],
    diameters_mm: Mapping[str, float] | None = None,
) -> tuple[Lonely, ...]:
    """Lone cups, saucers, lids and stands, each with pieces of the other kind in the same motif and metal.

    Parameters
    ----------
    sightings : of the whole register; pieces not owned may be partners too.
    goes_with : for a piece's id, the ids of pieces that it is recorded to go with, in one direction or both.
    diameters_mm : for a piece's id, its measured diameter where it meets its partner, where known.
    """
    pieces = {seen.piece_id: seen for seen in sightings if seen.motif_id is not None}
    paired = set(goes_with) | {other for others in goes_with.values() for other in others}
    sides: dict[tuple[int, int, str | None, str | None], list[Sighting]] = {}
    for seen in pieces.values():
        if seen.piece_id not in paired and (side := find_side(seen.piece_kind)) is not None:
            sides.setdefault((*side, seen.motif_id, seen.metal), []).append(seen)
    found = []
    for (pair, side_number, motif, metal), lone in sides.items():
        if side_number == 0:
            others = sides.get((pair, 1, motif, metal), [])
            others.sort(key=lambda seen: (seen.piece_number, seen.piece_id))
            by_line: dict[str | None, list[Sighting]] = {}
            for other in others:
                by_line.setdefault(other.line_id, []).append(other)
            found += [
                _compare(seen, by_line.get(seen.line_id, []), others, diameters_mm or {}) for seen in lone
            ]
    return tuple(sorted(found, key=lambda lonely: (not lonely.partners, lonely.piece_number)))


def find_side(piece_kind: str) -> tuple[int, int] | None:
    """Which pair a kind belongs to and which side of it, or None: ``("teapot lid")`` is a lid, no pot."""
    words = piece_kind.casefold()
    for number, (smaller, larger) in enumerate(PAIRS):
        if any(word in words for word in smaller):
            return number, 0
        if any(word in words for word in larger):
            return number, 1
    return None


def _compare(
    seen: Sighting,
    same_line: Sequence[Sighting],
    others: Sequence[Sighting],
    diameters_mm: Mapping[str, float],
) -> Lonely:
    # Those of the same line are looked at before the rest of a large register.
    near = list(same_line[:MOST_COMPARED])
    near += [other for other in others[:MOST_COMPARED] if other.line_id != seen.line_id]
    partners = [_match(seen, other, diameters_mm) for other in near]
    fitting = [p for p in partners if "size" not in p.differs]
    fitting.sort(key=lambda p: (len(p.differs), -len(p.agrees), p.piece_number))
    best = tuple(fitting[:MOST_PARTNERS])
    kind = seen.piece_kind
    if not best:
        sentence = (
            f"For the {kind} {seen.piece_number} this register holds no partner of its motif and metal."
        )
    else:
        named = ", ".join(p.piece_number for p in best)
        sentence = (
            f"The {kind} {seen.piece_number} may go with {named}: same motif and metal. Try them together; "
            f"whether they were sold together cannot be seen from records."
        )
    return Lonely(seen.piece_id, seen.piece_number, kind, best, sentence)


def _match(seen: Sighting, other: Sighting, diameters_mm: Mapping[str, float]) -> Partner:
    agrees, differs, unknown = compare_sightings(seen, other, _TOLD)
    one, two = diameters_mm.get(seen.piece_id), diameters_mm.get(other.piece_id)
    if one is None or two is None:
        unknown.append("size")
    else:
        (agrees if abs(one - two) <= FIT_SHARE * max(one, two) else differs).append("size")
    return Partner(
        other.piece_id, other.piece_number, ("motif", "metal", *agrees), tuple(differs), tuple(unknown)
    )


def compare_sightings(
    one: Sighting, other: Sighting, names: Sequence[str]
) -> tuple[list[str], list[str], list[str]]:
    """What agrees, differs, and is not recorded of one of them, in words."""
    agrees: list[str] = []
    differs: list[str] = []
    unknown: list[str] = []
    for name in names:
        held, others = getattr(one, name), getattr(other, name)
        group = unknown if held is None or others is None else agrees if held == others else differs
        group.append(_WORDS[name])
    return agrees, differs, unknown


def find_marriages(
    sightings: Iterable[Sighting], goes_with: Mapping[str, Sequence[str]], lists: Lists
) -> tuple[Conflict, ...]:
    """Pieces recorded to go together whose records differ: each asked as a question."""
    pieces = {seen.piece_id: seen for seen in sightings if seen.decoration_id is not None}
    pairs = {tuple(sorted((one, other))) for one, others in goes_with.items() for other in others}
    found = []
    for one_id, other_id in sorted(pairs):
        one, other = pieces.get(one_id), pieces.get(other_id)
        if one is None or other is None:
            continue
        _, differs, _ = compare_sightings(one, other, ("motif_id", "metal", *_TOLD[:3]))
        if differs:
            found.append(_ask_marriage(one, other, differs, lists))
    return tuple(found)


def _ask_marriage(one: Sighting, other: Sighting, differs: list[str], lists: Lists) -> Conflict:
    said = []
    for seen in (one, other):
        motif = name_record(lists.motifs, seen.motif_id) if seen.motif_id else "no motif recorded"
        line = f", {name_record(lists.lines, seen.line_id)}" if seen.line_id else ""
        metal = seen.metal or "metal not recorded"
        said.append(f"{seen.piece_kind} {seen.piece_number} ({motif}, {metal}{line})")
    return Conflict(
        "may be a marriage",
        "question",
        (("piece", one.piece_id), ("piece", other.piece_id)),
        (one.piece_number, other.piece_number),
        f"Is this a marriage? {said[0]} is recorded to go with {said[1]}; "
        f"they differ in {', '.join(differs)}.",
        "Compare the fit, the glaze, the wear and the marks of both. Makers did mix lines, so a difference "
        "proves nothing by itself.",
    )
