"""Heads that were taken on, the newest last: kept as a fact about the folder, so a switch is one row."""

from __future__ import annotations

import json
from typing import Any

import sqlalchemy as sa

from service import tables

FACT = "heads"
MOST_KEPT = 4  # to go back to; older ones are forgotten


def list_heads(tx: sa.Connection) -> list[dict[str, Any]]:
    """``{"id", "recipe_id", "text", "adopted_at", "score"}`` each; the last is in use where it fits."""
    fact = tables.folder_fact
    held = tx.execute(sa.select(fact.c.value).where(fact.c.name == FACT)).scalar()
    found: list[dict[str, Any]] = json.loads(held) if held is not None else []
    return found


def find_head(tx: sa.Connection, recipe_id: str) -> str:
    """Text of the head in use on vectors of this recipe; "" where none is, or it belongs to another."""
    heads = list_heads(tx)
    return str(heads[-1]["text"]) if heads and heads[-1]["recipe_id"] == recipe_id else ""


def put_heads(tx: sa.Connection, heads: list[dict[str, Any]]) -> None:
    """Keep these, and no others."""
    fact = tables.folder_fact
    tx.execute(sa.delete(fact).where(fact.c.name == FACT))
    if heads:
        tx.execute(sa.insert(fact).values(name=FACT, value=json.dumps(heads[-MOST_KEPT:])))
