"""What is wrong or doubtful on purpose in the demo register, so that every view has something to show."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from service.register.records import Decoration, Evidence, Mark, Measurement, Opinion, Piece, Record

MAKER, OSMER, CORRICK, FELL = "demo-maker", "demo-line-os", "demo-line-co", "demo-line-wf"


def make_oddities(motifs: Mapping[str, str]) -> Iterator[Record]:
    """Each with the pieces, marks and evidence that make it so."""
    yield from _one_number_two_motifs(motifs)
    yield from _a_lone_metal(motifs)
    yield from _a_mark_outside_the_lines_years(motifs)
    yield from _sources_that_clash(motifs)
    yield from _a_lid_from_another_line(motifs)


def _one_number_two_motifs(motifs: Mapping[str, str]) -> Iterator[Record]:
    yield Piece("demo-odd-1", "X1", "dinner plate", maker_id=MAKER, line_id=OSMER)
    yield Decoration("demo-odd-1-seen", "demo-odd-1", motifs["Tidewrack"], None, "gold", number="OS-137")


def _a_lone_metal(motifs: Mapping[str, str]) -> Iterator[Record]:
    yield Piece("demo-odd-2", "X2", "saucer", maker_id=MAKER, line_id=OSMER)
    yield Decoration("demo-odd-2-seen", "demo-odd-2", motifs["Kelp Knot"], None, "platinum", number="OS-372")
    yield Opinion(
        "demo-odd-2-said",
        "decoration",
        "demo-odd-2-seen",
        "White metal, not worn gold: it mirrors paper without a yellow cast.",
        "the demo's owner",
        "2026-03-14",
        confidence="likely",
    )


def _a_mark_outside_the_lines_years(motifs: Mapping[str, str]) -> Iterator[Record]:
    yield Piece("demo-odd-3", "X3", "soup plate", maker_id=MAKER, line_id=CORRICK)
    yield Decoration("demo-odd-3-seen", "demo-odd-3", motifs["Rill Scroll"], None, "gold", number="CO-144")
    yield Mark(
        "demo-odd-3-mark", "demo-odd-3", "VELDERBY WORKS V30", "printed", "green", "base", MAKER, "V30"
    )


def _sources_that_clash(motifs: Mapping[str, str]) -> Iterator[Record]:
    yield Piece("demo-odd-4", "X4", "cup", maker_id=MAKER, line_id=FELL)
    yield Decoration("demo-odd-4-seen", "demo-odd-4", motifs["Gorse Spray"], "open", "gold", number="WF-158")
    sources = (
        ("mark", "its printed mark, in use from 1949 (invented)", "1949", "not before", "strong"),
        ("advertisement", "page of an invented catalogue of 1940", "1940", "not after", "moderate"),
    )
    for number, (kind, citation, date, bearing, strength) in enumerate(sources):
        yield Evidence(
            f"demo-odd-4-source-{number}",
            "piece",
            "demo-odd-4",
            kind,  # type: ignore[arg-type]
            citation,
            date,
            bearing,  # type: ignore[arg-type]
            strength,  # type: ignore[arg-type]
        )


def _a_lid_from_another_line(motifs: Mapping[str, str]) -> Iterator[Record]:
    lid, bowl = "demo-odd-5", "demo-odd-6"
    width = (Measurement("diameter", 104.0),)
    yield Piece(bowl, "X6", "sugar bowl", maker_id=MAKER, line_id=OSMER, measurements=width)
    yield Piece(
        lid, "X5", "sugar bowl lid", maker_id=MAKER, line_id=CORRICK, measurements=width, goes_with=(bowl,)
    )
    for piece, motif in ((bowl, "Weir Lattice"), (lid, "Lanthorn Key")):
        yield Decoration(f"{piece}-seen", piece, motifs[motif], None, "gold")
