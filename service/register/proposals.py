"""Pairs of pieces that may be one object recorded twice: proposed only, and never again once refused."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from service.register.joining import list_kept_apart
from service.register.nearest import PieceVectors
from service.register.search import Hit, sum_up
from service.register.tables import photo, sighting
from service.register.tables import record as table

# Mean cosine with the shipped weights; new weights need it measured anew. Of 1036 ordered pairs of the demo
# gallery's rendered photos with different motifs none reaches it, of 86 with the same motif 40 % do.
SAME_PIECE = 0.82
MOST_LOOKED_AT = 40  # pieces, those changed last first: each costs one search


def propose_merges(
    tx: sa.Connection, vectors: PieceVectors, piece_id: str | None, page: int
) -> dict[str, Any]:
    """Proposed pairs of one piece, or of the pieces that were changed last.

    Two are proposed where a photo of one is nearly that of the other and motif, metal, variant and kind of
    piece do not speak against it. Photos cannot tell two plates of one set apart: that is for the owner.
    """
    pieces = [piece_id] if piece_id is not None else _list_latest(tx, page)
    pairs: dict[tuple[str, str], float] = {}
    for one in pieces:
        apart = list_kept_apart(tx, one)
        for other, similarity in _find_alike(tx, vectors, one).items():
            if other not in apart and _agree(tx, one, other):
                pair = (one, other) if one < other else (other, one)
                pairs[pair] = max(similarity, pairs.get(pair, -1.0))
    ordered = sorted(pairs, key=lambda pair: (-pairs[pair], pair))
    summed = {
        p["id"]: p for p in sum_up(tx, [Hit(i, "piece", None) for i in {i for pair in ordered for i in pair}])
    }
    items = [
        {"one": summed[one], "other": summed[other], "similarity": round(pairs[one, other], 4)}
        for one, other in ordered
    ]
    return {"items": items, "page": page, "looked_at": len(pieces)}


def _list_latest(tx: sa.Connection, page: int) -> list[str]:
    present = (table.c.kind == "piece", table.c.removed_at.is_(None))
    wanted = sa.select(table.c.id).where(*present).order_by(table.c.changed_at.desc(), table.c.id)
    return list(tx.execute(wanted.offset((page - 1) * MOST_LOOKED_AT).limit(MOST_LOOKED_AT)).scalars())


def _find_alike(tx: sa.Connection, vectors: PieceVectors, piece_id: str) -> dict[str, float]:
    wanted = sa.select(photo.c.reading_id).where(photo.c.record_id == piece_id, photo.c.role != "mark")
    alike: dict[str, float] = {}
    for reading_id in tx.execute(wanted.order_by(photo.c.ordinal)).scalars():
        for near in vectors.find_nearest(tx, reading_id).pieces:
            if near.piece_id != piece_id and near.similarity >= SAME_PIECE:
                alike[near.piece_id] = max(near.similarity, alike.get(near.piece_id, -1.0))
    return alike


def _agree(tx: sa.Connection, piece_id: str, other_id: str) -> bool:
    """Nothing on record says that the two are different things."""
    seen = {}
    for known in (piece_id, other_id):
        wanted = sa.select(sighting).where(sighting.c.piece_id == known).order_by(sighting.c.ordinal)
        seen[known] = tx.execute(wanted.limit(1)).first()
    first, second = seen[piece_id], seen[other_id]
    if first is None or second is None:
        return False
    told = ("motif_id", "metal", "variant", "piece_kind", "line_id", "maker_id", "number")
    pairs = [(getattr(first, name), getattr(second, name)) for name in told]
    return all(one is None or other is None or one == other for one, other in pairs)
