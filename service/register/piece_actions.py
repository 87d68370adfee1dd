"""Use cases about photos and pieces: owned already? register a reading, merge two pieces or refuse to."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from service.errors import NotFound, RecordConflict, RecordError
from service.readings import Answer
from service.register.draft import Draft
from service.register.joining import list_kept_apart, put_apart, put_as_new, put_joined
from service.register.meant import find_meant
from service.register.merging import put_merged
from service.register.nearest import PieceVectors
from service.register.owned import answer_owned
from service.register.proposals import SAME_PIECE, propose_merges
from service.register.record_actions import Records, require_owner_of_private
from service.retries import Retry
from service.store import Store

JOINING_FIELDS = ("answer", "joins", "role", "new_names", "piece", "decoration")

LOOK_FIRST = (
    "First ask whether you own it: look at what the register shows now, and send its `answer` with your "
    "decision."
)


class Pieces(Records):
    """Records, and what needs the photos' vectors."""

    def __init__(self, store: Store, who: str) -> None:
        super().__init__(store, who)
        self.vectors = PieceVectors()

    def find_owned(self, reading_id: str) -> Answer:
        """Do I own this already? The nearest pieces side by side; ``answer`` is asked for when registering.

        Raises
        ------
        NotFound
            There is no such reading.
        """
        with self.store.looking() as tx:
            return self._find_owned(tx, reading_id)

    def register_reading(
        self, reading_id: str, given: Mapping[str, Any], retry: Retry | None = None
    ) -> Answer:
        """Make a confirmed reading a new piece, or a photo of one; the question of owning it comes first.

        A new piece is remembered as none of those shown that look the same.

        Raises
        ------
        NotFound, RecordConflict, RecordError
            No such reading or piece; not confirmed, or not decided on what the register answers now; a field
            cannot be used. Nothing is changed.
        """
        _check_fields(given)

        def register(tx: sa.Connection) -> Answer:
            shown = self._find_owned(tx, reading_id)
            if given.get("answer") != shown["answer"]:
                raise RecordConflict(LOOK_FIRST)
            draft = Draft(tx, self.who)
            role, new_names = given.get("role") or "rim", bool(given.get("new_names"))
            seen = given.get("decoration") or {}
            if given.get("joins") is not None:
                piece = put_joined(draft, reading_id, str(given["joins"]), role, seen, new_names)
                refused = []
            else:
                piece = put_as_new(draft, reading_id, role, given.get("piece") or {}, seen, new_names)
                alike = [c["id"] for c in shown["candidates"] if c["similarity"] >= SAME_PIECE]
                refused = put_apart(draft, piece.id, alike, "registered as a piece of its own")
            change = draft.finish("join piece" if given.get("joins") is not None else "register piece")
            return {
                "record": self._show(tx, piece),
                "kept_apart": [record.id for record in refused],
                "change": change,
            }

        return self._write(retry, register)

    def propose_merges(self, which: str | None = None, page: int = 1) -> Answer:
        """Pairs of pieces that may be one object recorded twice, refused ones left out; nothing is merged."""
        with self.store.looking() as tx:
            piece_id = find_meant(tx, "piece", which) if which is not None else None
            return propose_merges(tx, self.vectors, piece_id, page)

    def merge_pieces(self, keep: str, drop: str, retry: Retry | None = None) -> Answer:
        """Let the second piece go up in the first; one change, so one undo takes it back.

        Raises
        ------
        NotFound, RecordConflict
            No such piece, or the merge was refused before.
        """

        def merge(tx: sa.Connection) -> Answer:
            draft = Draft(tx, self.who)
            piece, differences = put_merged(draft, keep, drop)
            change = draft.finish("merge pieces")
            return {"record": self._show(tx, piece), "differences": differences, "change": change}

        return self._write(retry, merge)

    def refuse_merge(
        self, one: str, other: str, why: str | None = None, retry: Retry | None = None
    ) -> Answer:
        """Remember that two pieces are not the same object; refused again, it stays as it was."""

        def refuse(tx: sa.Connection) -> Answer:
            draft = Draft(tx, self.who)
            ids = [find_meant(tx, "piece", which) for which in (one, other)]
            if ids[0] == ids[1]:
                raise RecordError(["other: a piece cannot be kept apart from itself"])
            refused = put_apart(draft, ids[0], [ids[1]], why)
            change = draft.finish("refuse merge")
            kept_apart = refused[0].id if refused else list_kept_apart(tx, ids[0])[ids[1]]
            return {"kept_apart": kept_apart, "pieces": ids, "change": change}

        return self._write(retry, refuse)

    def _find_owned(self, tx: sa.Connection, reading_id: str) -> Answer:
        row = self.store.find_reading(tx, reading_id)
        if row is None:
            raise NotFound(f"There is no reading {reading_id[:60]!r}: read the photo first.")
        nearest = self.vectors.find_nearest(tx, reading_id)
        return answer_owned(tx, reading_id, json.loads(row.facts), nearest)


def _check_fields(given: Mapping[str, Any]) -> None:
    unknown = sorted(set(given) - set(JOINING_FIELDS))
    faults = [f"{name[:40]}: unknown field; there are {', '.join(JOINING_FIELDS)}" for name in unknown]
    for name in ("piece", "decoration"):
        if given.get(name) is not None and not isinstance(given[name], Mapping):
            faults.append(f"{name}: expected an object with named fields")
    if given.get("joins") is not None and given.get("piece"):
        faults.append("piece: leave it out where the photo joins a piece that is there")
    if faults:
        raise RecordError(faults)
    require_owner_of_private(given.get("piece") or {})
