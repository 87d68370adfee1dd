"""The want list against what is owned, and pieces owned more than once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from service.register.conflict import name_pieces, name_record
from service.register.listed import Want
from service.register.sightings import Lists, Sighting


@dataclass(frozen=True)
class WantState:
    """One wish: how many are owned, how many are missing, and which pieces meet it."""

    want: Want
    owned: int
    missing: int
    pieces: tuple[str, ...]  # numbers of owned pieces that meet it
    seen_elsewhere: tuple[str, ...]  # numbers of pieces recorded but not owned that would meet it
    sentence: str

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "want": self.want.id,
            "count": self.want.count,
            "owned": self.owned,
            "missing": self.missing,
            "pieces": list(self.pieces),
            "seen_elsewhere": list(self.seen_elsewhere),
            "sentence": self.sentence,
        }


def meets_want(seen: Sighting, want: Want) -> bool:
    """The piece has all that the want names; what the want leaves open may be anything."""
    pairs = (
        (want.motif_id, seen.motif_id),
        (want.variant, seen.variant),
        (want.metal, seen.metal),
        (want.line_id, seen.line_id),
    )
    kind = want.piece_kind is None or want.piece_kind.casefold() == seen.piece_kind.casefold()
    return kind and all(wanted is None or wanted == held for wanted, held in pairs)


def check_wants(wants: Iterable[Want], sightings: Sequence[Sighting], lists: Lists) -> tuple[WantState, ...]:
    """How far each want is met, those with something missing before the others."""
    by_motif: dict[str | None, list[Sighting]] = {}
    for seen in sightings:
        by_motif.setdefault(seen.motif_id, []).append(seen)
    states = [
        _check(want, by_motif.get(want.motif_id, []) if want.motif_id else sightings, lists) for want in wants
    ]
    return tuple(sorted(states, key=lambda s: (s.missing == 0, s.sentence, s.want.id)))


def find_wanted(seen: Sighting, states: Iterable[WantState]) -> tuple[WantState, ...]:
    """The wants with something missing that this piece would meet: what to know at a sale."""
    return tuple(state for state in states if state.missing and meets_want(seen, state.want))


def _check(want: Want, sightings: Sequence[Sighting], lists: Lists) -> WantState:
    meeting = {seen.piece_id: seen for seen in sightings if meets_want(seen, want)}
    owned = tuple(sorted(seen.piece_number for seen in meeting.values() if seen.owned))
    others = tuple(sorted(seen.piece_number for seen in meeting.values() if not seen.owned))
    missing = max(0, want.count - len(owned))
    said = f"{_say_want(want, lists)}: {len(owned)} of {want.count} owned"
    said += f", {missing} missing" if missing else ""
    said += f" ({name_pieces(owned)})" if owned else ""
    said += f"; recorded but not owned: {name_pieces(others)}" if others else ""
    return WantState(want, len(owned), missing, owned, others, f"{said}.")


def _say_want(want: Want, lists: Lists) -> str:
    said = [want.piece_kind or "any piece"]
    if want.line_id:
        said.append(f"of {name_record(lists.lines, want.line_id)}")
    if want.motif_id:
        said.append(f"with {name_record(lists.motifs, want.motif_id)}")
    if want.variant:
        said.append(f"({want.variant})")
    if want.metal:
        said.append(f"in {want.metal}")
    text = " ".join(said)
    return text[0].upper() + text[1:]


@dataclass(frozen=True)
class Duplicate:
    """Owned pieces that the register cannot tell apart by kind, line, motif, variant and metal."""

    piece_kind: str
    motif_id: str
    pieces: tuple[str, ...]
    piece_ids: tuple[str, ...]
    sentence: str

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "piece_kind": self.piece_kind,
            "motif": self.motif_id,
            "pieces": list(self.pieces),
            "piece_ids": list(self.piece_ids),
            "sentence": self.sentence,
        }


def find_duplicates(sightings: Iterable[Sighting], lists: Lists) -> tuple[Duplicate, ...]:
    """Groups of two or more such pieces, the largest group at the top; one without a motif is in none."""
    groups: dict[tuple[str | None, ...], dict[str, Sighting]] = {}
    for seen in sightings:
        if seen.owned and seen.motif_id is not None:
            kind = seen.piece_kind.casefold()
            key = (kind, seen.line_id, seen.motif_id, seen.variant, seen.metal)
            groups.setdefault(key, {})[seen.piece_id] = seen
    found = [_say_duplicate(list(group.values()), lists) for group in groups.values() if len(group) > 1]
    return tuple(sorted(found, key=lambda d: (-len(d.pieces), d.sentence)))


def _say_duplicate(group: list[Sighting], lists: Lists) -> Duplicate:
    ordered = sorted(group, key=lambda seen: (seen.piece_number, seen.piece_id))
    seen = ordered[0]
    numbers = tuple(other.piece_number for other in ordered)
    line = f" of {name_record(lists.lines, seen.line_id)}" if seen.line_id else ""
    motif = name_record(lists.motifs, seen.motif_id) + (f" ({seen.variant})" if seen.variant else "")
    metal = f" in {seen.metal}" if seen.metal else ""
    kind = seen.piece_kind[0].upper() + seen.piece_kind[1:]
    sentence = f"{kind}{line} with {motif}{metal}: {len(numbers)} owned, {name_pieces(numbers)}."
    assert seen.motif_id is not None
    return Duplicate(seen.piece_kind, seen.motif_id, numbers, tuple(s.piece_id for s in ordered), sentence)
