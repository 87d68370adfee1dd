"""What a merge would do, as plain values."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from service.exchange.merge_near import AliasProposal, NearPair

Row = dict[str, Any]


@dataclass(frozen=True)
class Disagreement:
    """Both say something about ``what`` and differ in ``name``: the own value stays."""

    what: str
    name: str
    mine: Any
    theirs: Any


@dataclass
class MergePlan:
    """Ids of theirs as ours, what comes in, and what a person should look at."""

    readings: dict[str, str] = field(default_factory=dict)  # their id -> ours, identical photos
    motifs: dict[str, str] = field(default_factory=dict)
    records: dict[str, str] = field(default_factory=dict)
    same_photos: int = 0
    new_photos: list[str] = field(default_factory=list)  # SHA-256
    new_readings: list[str] = field(default_factory=list)
    new_items: list[Row] = field(default_factory=list)
    new_records: list[Row] = field(default_factory=list)
    same_pieces: list[tuple[str, str]] = field(default_factory=list)  # (our number, theirs)
    renumbered: dict[str, str] = field(default_factory=dict)
    disagreements: list[Disagreement] = field(default_factory=list)
    near: list[NearPair] = field(default_factory=list)
    aliases: list[AliasProposal] = field(default_factory=list)

    @property
    def brings_nothing(self) -> bool:
        """Whether everything is here already."""
        return not (self.new_photos or self.new_items or self.new_records)

    def as_json(self) -> dict[str, Any]:
        """What a person should know of it."""
        return {
            "identical_photos": self.same_photos,
            "new_photos": len(self.new_photos),
            "new_gallery_items": len(self.new_items),
            "new_records": len(self.new_records),
            "identical_pieces": [{"mine": mine, "theirs": theirs} for mine, theirs in self.same_pieces],
            "renumbered": self.renumbered,
            "disagreements": [asdict(d) for d in self.disagreements],
            "near_identical": [asdict(pair) for pair in self.near],
            "aliases": [asdict(proposal) for proposal in self.aliases],
        }
