"""A register to look at: an invented maker's pieces with marks, evidence and planted conflicts.

It comes in as one change with one command and goes as one with another; what a person has added since stays.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import sqlalchemy as sa

from service import tables
from service.errors import RecordConflict
from service.items import find_motif
from service.register.demo_data import (
    DEFECTS,
    DISTRIBUTOR,
    EDGES,
    KINDS,
    LINES,
    MAKER,
    METAL_YEARS,
    MOTIFS,
    PIECES_OF,
    USED,
)
from service.register.demo_oddities import make_oddities
from service.register.draft import Draft
from service.register.listed import DateCodeRule, Distributor, Line, Maker, Motif, NumberRule, Want
from service.register.records import (
    Decoration,
    Defect,
    Evidence,
    Mark,
    Measurement,
    PaintedLine,
    Piece,
    PiecePhoto,
    Record,
    TrimWear,
)
from service.register.shelf import find_rows
from service.register.tables import link
from service.register.tables import record as table

MARK = "demo-"  # begins the id of every record of the demo but the motifs, which have the gallery's ids
SOURCE = "a list invented for the demo"
Photos = Mapping[tuple[str, str, str], Sequence[tuple[str, str | None]]]


def load_demo(tx: sa.Connection, who: str) -> tuple[int, str]:
    """Put the demo register in; returns the number of pieces and the change.

    Raises
    ------
    RecordConflict
        It is there already.
    """
    if list(_list_demo(tx)):
        raise RecordConflict("The demo register is here already: `rimlight demo --remove` takes it away.")
    motifs = {name: find_motif(tx, name) for name in MOTIFS}
    records = [*_make_lists(motifs), *_make_pieces(motifs, _find_photos(tx)), *make_oddities(motifs)]
    here = find_rows(tx, motifs.values())
    draft = Draft(tx, who)
    for record in records:
        if record.id not in here or here[record.id].removed_at is not None:
            draft.put(record)
    change = draft.finish("load demo")
    assert change is not None
    return sum(isinstance(record, Piece) for record in records), change


def remove_demo(tx: sa.Connection, who: str) -> str | None:
    """Take the demo register away; motifs that other records use stay. The change, or None where none was.

    Raises
    ------
    RecordError
        A record of a person's own points at one of the demo: it says which.
    """
    mine = dict.fromkeys(_list_demo(tx))
    motifs = {str(i) for i in tx.execute(_demo_motifs()).scalars()}
    pointing = tx.execute(sa.select(link.c.from_id, link.c.to_id).where(link.c.to_id.in_(motifs)))
    used = {to_id for from_id, to_id in pointing if from_id not in mine}
    draft = Draft(tx, who)
    for record_id in [*mine, *sorted(motifs - used)]:
        draft.drop(record_id)
    return draft.finish("remove demo")


def _list_demo(tx: sa.Connection) -> Iterator[str]:
    wanted = sa.select(table.c.id).where(table.c.id.startswith(MARK), table.c.removed_at.is_(None))
    yield from tx.execute(wanted.order_by(table.c.id)).scalars()


def _demo_motifs() -> sa.Select[tuple[str]]:
    said = table.c.body.contains(SOURCE)
    return sa.select(table.c.id).where(table.c.kind == "motif", table.c.removed_at.is_(None), said)


def _make_lists(motifs: Mapping[str, str]) -> Iterator[Record]:
    maker, years = MAKER
    yield Maker(f"{MARK}maker", maker, years=years, source=SOURCE)
    store, years, letters = DISTRIBUTOR
    yield Distributor(f"{MARK}store", store, years=years, source=SOURCE)
    yield NumberRule(f"{MARK}rule-store", letters, f"{MARK}maker", None, f"{MARK}store", SOURCE)
    for name, (letters, years) in LINES.items():
        yield Line(line_id(name), name, f"{MARK}maker", years=years, source=SOURCE)
        yield NumberRule(
            f"{MARK}rule-{letters.lower()}", letters, f"{MARK}maker", line_id(name), None, SOURCE
        )
    for name, (_, years, alias, variants) in MOTIFS.items():
        yield Motif(motifs[name], name, (alias,) if alias else (), variants, years, SOURCE)
    for year in range(1921, 1962):
        code = f"V{year % 100:02d}"
        yield DateCodeRule(f"{MARK}code-{year}", code, str(year), f"{MARK}maker", "works' own list, invented")
    yield Want(f"{MARK}want-1", motifs["Kelp Knot"], None, "platinum", line_id("Osmer"))
    yield Want(f"{MARK}want-2", motifs["Rill Scroll"], None, "gold", None, "creamer")
    yield Want(f"{MARK}want-3", motifs["Pip Row"], "open", None, None, "cup", 4)


def _make_pieces(motifs: Mapping[str, str], photos: Photos) -> Iterator[Record]:
    count = 0
    for line, motif, metals in USED:
        for metal in metals.split():
            shown = list(photos.get((line, motif, metal), ()))
            for place in range(max(PIECES_OF[metal], len(shown))):
                count += 1
                photo = shown[place] if place < len(shown) else None
                yield from _make_piece(count, line, motif, motifs[motif], metal, photo)


def _make_piece(
    count: int, line: str, motif: str, motif_id: str, metal: str, photo: tuple[str, str | None] | None
) -> Iterator[Record]:
    kind, diameter = KINDS[count % len(KINDS)]
    letters, years = LINES[line]
    digits, motif_years, _, variants = MOTIFS[motif]
    piece_id, reading_id = f"{MARK}piece-{count:03d}", None if photo is None else photo[0]
    variant = photo[1] if photo is not None else variants[count % len(variants)] if variants else None
    yield Piece(
        piece_id,
        f"D{count}",
        kind,
        maker_id=f"{MARK}maker",
        line_id=line_id(line),
        distributor_id=f"{MARK}store" if count % 23 == 0 else None,
        nominal_size=f"{round(diameter / 25.4)} in" if "plate" in kind else None,
        measurements=(_measure(diameter * (1 + ((count * 5) % 7 - 3) / 400)),),
        kept_at=f"shelf {1 + count % 6}",
        defects=tuple(Defect(what, where, size) for what, where, size in DEFECTS[count % len(DEFECTS)]),
        grade=("good", "fair", "worn")[count % 3],
        wear=tuple(TrimWear(clock, (count + clock) % 4) for clock in (12, 3, 6, 9)) if count % 4 == 0 else (),
        photos=(PiecePhoto(reading_id),) if reading_id is not None else (),
    )
    number = f"{letters}-{1 if metal == 'gold' else 3}{digits}" if count % 9 else None
    yield Decoration(
        f"{MARK}seen-{count:03d}",
        piece_id,
        motif_id,
        variant,
        "gold" if metal == "gold" else "platinum",
        "worn" if count % 11 == 0 else "sound",
        _edge_line(EDGES[count % len(EDGES)], metal),
        None,
        number,
        reading_id,
    )
    yield from _date(count, piece_id, _choose_year(count, years, motif_years, METAL_YEARS[metal]))


def _edge_line(colour: str, metal: str) -> tuple[PaintedLine, ...]:
    return () if colour == "none" else (PaintedLine("edge", metal if colour == "gold" else colour),)


def _date(count: int, piece_id: str, year: int) -> Iterator[Record]:
    """Most pieces have a mark with a code, some an advertisement, some nothing."""
    if count % 3:
        code = f"V{year % 100:02d}"
        text = f"VELDERBY WORKS {code}" if count % 7 else f"VELD[...] WORKS {code}"
        mark_id = f"{MARK}mark-{count:03d}"
        yield Mark(mark_id, piece_id, text, "printed", "green", "base", f"{MARK}maker", code)
    elif count % 2:
        said, ad_id = f"advertisement, invented, {year}", f"{MARK}ad-{count:03d}"
        yield Evidence(ad_id, "piece", piece_id, "advertisement", said, f"{year}~", "not before", "weak")


def _measure(mm: float) -> Measurement:
    return Measurement("diameter", round(mm, 1), round(mm - 2, 1), round(mm + 2, 1))


def _choose_year(count: int, *runs: str) -> int:
    """A year in all of the runs."""
    ends = [tuple(int(year) for year in run.split("/")) for run in runs]
    first, last = max(start for start, _ in ends), min(end for _, end in ends)
    return first + (count * 7) % (last - first + 1)


def _find_photos(tx: sa.Connection) -> Photos:
    """Readings of the demo gallery by line, motif and metal, with their variants."""
    item, reading = tables.gallery_item, tables.reading
    joined = sa.join(sa.join(item, tables.motif), reading, item.c.reading_id == reading.c.id)
    wanted = sa.select(item.c.line, tables.motif.c.name, item.c.metal, item.c.reading_id, item.c.variant)
    wanted = wanted.select_from(joined).where(reading.c.source == "demo", item.c.removed_at.is_(None))
    found: dict[tuple[str, str, str], list[tuple[str, str | None]]] = {}
    for line, motif, metal, reading_id, variant in tx.execute(wanted.order_by(item.c.added_at, item.c.id)):
        found.setdefault((line, motif, metal), []).append((reading_id, variant))
    return found


def line_id(name: str) -> str:
    """Id of a line of the demo."""
    return f"{MARK}line-{LINES[name][0].lower()}"
