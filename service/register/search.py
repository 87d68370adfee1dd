"""Search over everything in the register, with names, aliases and fragments; every list comes in pages.

A piece's text holds all that hangs on it, so one look at each text finds any fragment, however short, and a
change rewrites the texts of the pieces that it touches and no others: names of motifs, lines and makers are
looked up when somebody searches.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler

from service.register.drawn_out import ID_FENCE
from service.register.shelf import NAMED, find_rows, fold_for_search, in_parts, record_of
from service.register.tables import link, photo, sighting
from service.register.tables import text as texts

MOST_TERMS = 8
FEW_HITS = 5000  # so many are put in order here; of more the index gives a page at a time
MOST_EXACT = 8
MOST_NAMES = 400  # motifs, lines and makers that one fragment may mean
FEW_NAMES = 6  # so many ids are looked for in the texts themselves; for more one look at the links is quicker
SHORTEST_NAME = 2  # letters of a fragment that is looked up among names
# Old lists call the white metal silver.
SAME_WORDS: Mapping[str, tuple[str, ...]] = {"silver": ("platinum",), "platinum": ("silver",)}
FILTERS = ("motif_id", "line_id", "maker_id", "distributor_id", "metal", "variant", "piece_kind", "owned")


class place_of(sa.sql.functions.GenericFunction[int]):  # noqa: N801 - SQL functions are lower case
    """Where one text first stands in another; 0 where it does not. Plain bytes, no patterns."""

    type = sa.Integer()
    inherit_cache = True


@compiles(place_of)
def _place_in_sqlite(element: place_of, compiler: SQLCompiler, **options: Any) -> str:
    return f"instr({compiler.process(element.clauses, **options)})"


@compiles(place_of, "postgresql")
def _place_in_postgresql(element: place_of, compiler: SQLCompiler, **options: Any) -> str:
    return f"strpos({compiler.process(element.clauses, **options)})"


@dataclass(frozen=True)
class Hit:
    """A record found, with the first line of its text that holds what was looked for."""

    record_id: str
    kind: str
    said: str | None


def split_terms(query: str) -> list[str]:
    """Words of a query, folded; what stands in double quotes stays together."""
    parts = re.findall(r'"([^"]+)"|(\S+)', query)
    folded = (fold_for_search(quoted or plain.strip('"')) for quoted, plain in parts)
    return list(dict.fromkeys(term for term in folded if term))[:MOST_TERMS]


def search_texts(
    tx: sa.Connection,
    query: str,
    kinds: Iterable[str] = (),
    filters: Mapping[str, Any] | None = None,
    with_private: bool = False,
    offset: int = 0,
    limit: int = 48,
) -> tuple[list[Hit], int]:
    """Records in which every word of the query is found, and how many there are.

    An exact number or name comes first, then pieces in order of number, then the lists by name.
    ``filters`` are values of one sighting of a piece, keys as in ``FILTERS``. An empty query finds all.
    """
    terms = split_terms(query)
    found = [_holds(tx, term, with_private) for term in terms]
    if held := list(kinds):
        found.append(texts.c.kind.in_(held))
    if filters:
        seen = sa.select(sighting.c.piece_id)
        found.append(texts.c.record_id.in_(seen.where(*(sighting.c[n] == v for n, v in filters.items()))))
    exact = _find_exact(tx, query, found) if terms else []
    few = _find_few(tx, found)
    if few is not None:
        ordered = [*exact, *(record_id for record_id in few if record_id not in exact)]
        ids, total = ordered[offset : offset + limit], len(few)
    else:
        ids, total = _find_many(tx, found, exact, offset, limit)
    rows = {row.record_id: row for row in tx.execute(sa.select(texts).where(texts.c.record_id.in_(ids)))}
    return [Hit(i, rows[i].kind, _find_line(rows[i], terms, with_private)) for i in ids], total


_PIECES = texts.c.kind == "piece"
_OTHERS = texts.c.kind != "piece"
Conditions = list[sa.ColumnElement[bool]]


def _find_exact(tx: sa.Connection, query: str, found: Conditions) -> list[str]:
    wanted = sa.select(texts.c.record_id).where(texts.c.key == fold_for_search(query), *found)
    ordered = wanted.order_by(texts.c.kind.desc(), texts.c.record_id).limit(MOST_EXACT)
    return list(tx.execute(ordered).scalars())


def _find_few(tx: sa.Connection, found: Conditions) -> list[str] | None:
    """Every record found, in order, by one look at each text; None where they are many."""
    wanted = sa.select(texts.c.record_id, texts.c.kind, texts.c.sort_key).where(*found).limit(FEW_HITS + 1)
    rows = [(kind != "piece", kind, order, i) for i, kind, order in tx.execute(wanted)]
    return [record_id for *_, record_id in sorted(rows)] if len(rows) <= FEW_HITS else None


def _find_many(
    tx: sa.Connection, found: Conditions, exact: list[str], offset: int, limit: int
) -> tuple[list[str], int]:
    """One page of many: pieces, then others, by the index on their order, which stops when it is full."""
    counted = sa.select(_PIECES, sa.func.count()).where(*found).group_by(_PIECES)
    counts = {bool(is_piece): int(count) for is_piece, count in tx.execute(counted)}
    ids = exact[offset : offset + limit]
    rest = [*found, texts.c.record_id.not_in(exact)]
    start = max(0, offset - len(exact))
    for group, count in ((_PIECES, counts.get(True, 0)), (_OTHERS, counts.get(False, 0))):
        wanted = sa.select(texts.c.record_id).where(group, *rest)
        ordered = wanted.order_by(texts.c.kind, texts.c.sort_key, texts.c.record_id)
        if len(ids) < limit and start < count:
            ids += tx.execute(ordered.offset(start).limit(limit - len(ids))).scalars()
        among = sa.select(sa.func.count()).select_from(texts).where(group, texts.c.record_id.in_(exact))
        start = max(0, start - count + int(tx.execute(among).scalar_one()))
    return ids, sum(counts.values())


def _holds(tx: sa.Connection, term: str, with_private: bool) -> sa.ColumnElement[bool]:
    """That a record's text holds the term, or the id of something called so."""
    same = (term, *SAME_WORDS.get(term, ()))
    held = [place_of(texts.c.text, word) > 0 for word in same]
    if with_private:
        held += [place_of(texts.c.private_text, word) > 0 for word in same]
    ids = _find_named(tx, term) if len(term) >= SHORTEST_NAME else []
    if len(ids) <= FEW_NAMES:
        held += [place_of(texts.c.pointed, f"{ID_FENCE}{record_id}{ID_FENCE}") > 0 for record_id in ids]
    else:
        held.append(texts.c.record_id.in_(sa.select(link.c.from_id).where(link.c.to_id.in_(ids))))
        of_motif = sa.select(sighting.c.piece_id).where(sighting.c.motif_id.in_(ids))
        held.append(texts.c.record_id.in_(of_motif))
    return sa.or_(*held)


def _find_named(tx: sa.Connection, term: str) -> list[str]:
    """Motifs, lines, makers and distributors with the term in their text, and the lines of such makers."""
    wanted = sa.select(texts.c.record_id).where(texts.c.kind.in_(NAMED), place_of(texts.c.text, term) > 0)
    found = list(tx.execute(wanted.limit(MOST_NAMES)).scalars())
    of_maker = sa.select(link.c.from_id).where(link.c.role == "maker_id", link.c.to_id.in_(found))
    lines = sa.select(texts.c.record_id).where(texts.c.kind == "line", texts.c.record_id.in_(of_maker))
    return list(dict.fromkeys([*found, *tx.execute(lines.limit(MOST_NAMES)).scalars()]))


def _find_line(row: sa.Row[Any], terms: list[str], with_private: bool) -> str | None:
    lines = row.text.split("\n") + (row.private_text.split("\n") if with_private else [])
    return next((line[:200] for line in lines if any(term in line for term in terms)), None)


def sum_up(tx: sa.Connection, hits: Iterable[Hit]) -> list[dict[str, Any]]:
    """Hits as a list shows them: what it is, its number or name, and for a piece the main facts."""
    held = list(hits)
    rows = find_rows(tx, (hit.record_id for hit in held))
    pieces = [hit.record_id for hit in held if hit.kind == "piece"]
    seen, pictures = _find_seen(tx, pieces), _find_pictures(tx, pieces)
    ids = {s[name] for group in seen.values() for s in group for name in ("motif_id", "line_id", "maker_id")}
    names = name_ids(tx, ids)
    shown = []
    for hit in held:
        record = record_of(rows[hit.record_id])
        label = getattr(record, "number", None) or getattr(record, "name", None)
        entry = {"record_kind": hit.kind, "id": hit.record_id, "label": label, "said": hit.said}
        if hit.kind == "piece":
            entry |= _sum_up_piece(seen.get(hit.record_id, []), names, pictures.get(hit.record_id))
        shown.append(entry)
    return shown


def _sum_up_piece(
    seen: list[dict[str, Any]], names: Mapping[str | None, str], picture: str | None
) -> dict[str, Any]:
    first = seen[0] if seen else {}
    decorations = [
        {
            "motif": names.get(s["motif_id"]),
            "variant": s["variant"],
            "metal": s["metal"],
            "number": s["number"],
        }
        for s in seen
        if s["decoration_id"] is not None
    ]
    return {
        "piece_kind": first.get("piece_kind"),
        "owned": bool(first.get("owned", True)),
        "line": names.get(first.get("line_id")),
        "maker": names.get(first.get("maker_id")),
        "earliest": first.get("earliest"),
        "latest": first.get("latest"),
        "decorations": decorations,
        "picture": f"/api/readings/{picture}/photo.jpg?size=thumbnail" if picture else None,
    }


def _find_seen(tx: sa.Connection, piece_ids: list[str]) -> dict[str, list[dict[str, Any]]]:
    seen: dict[str, list[dict[str, Any]]] = {}
    for part in in_parts(piece_ids):
        wanted = sa.select(sighting).where(sighting.c.piece_id.in_(part)).order_by(sighting.c.ordinal)
        for row in tx.execute(wanted):
            seen.setdefault(row.piece_id, []).append(dict(row._mapping))
    return seen


def _find_pictures(tx: sa.Connection, piece_ids: list[str]) -> dict[str, str]:
    """The first photo of each piece."""
    pictures: dict[str, str] = {}
    for part in in_parts(piece_ids):
        wanted = sa.select(photo.c.record_id, photo.c.reading_id).where(photo.c.record_id.in_(part))
        for piece_id, reading_id in tx.execute(wanted.order_by(photo.c.record_id, photo.c.ordinal)):
            pictures.setdefault(piece_id, reading_id)
    return pictures


def name_ids(tx: sa.Connection, ids: Iterable[str | None]) -> dict[str | None, str]:
    """Names, or numbers, of records by id."""
    held = {i for i in ids if i is not None}
    records = {i: record_of(row) for i, row in find_rows(tx, held).items()}
    return {i: str(getattr(r, "name", None) or getattr(r, "number", i)) for i, r in records.items()}
