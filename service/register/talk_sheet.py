"""A sheet for a talk: strips side by side, motif by motif, with their sources; ready to print.

Every text is escaped, pictures travel inside the page, and nothing is loaded from elsewhere.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.register.brackets import Bracket, find_bracket
from service.register.claims import collect_claims
from service.register.conflict import name_record
from service.register.records import Decoration
from service.register.sale_label import CAUTIONS
from service.register.sightings import PieceFile
from service.register.svg import FONT, INK, PAPER, QUIET, RULE, escape_text

_STYLE = f"""
@page {{ size: A4; margin: 14mm }}
body {{ margin: 1.5rem auto; max-width: 62rem; padding: 0 1rem; font: 15px/1.45 {FONT};
  color: {INK}; background: {PAPER} }}
* {{ box-sizing: border-box }} a {{ color: #1d4e79 }}
h1 {{ font-size: 1.6rem; margin: 0 0 .25rem }}
h2 {{ font-size: 1.15rem; margin: 1.5rem 0 .5rem; border-bottom: 2px solid #8a6a1c; break-after: avoid }}
.said {{ color: {QUIET}; margin: 0 }}
.strips {{ display: grid; grid-template-columns: 1fr 1fr; gap: 1rem }}
figure {{ margin: 0; break-inside: avoid }}
figure img {{ display: block; width: 100%; height: 4.6rem; object-fit: cover; object-position: left;
  border: 1px solid {RULE} }}
figure .none {{ height: 4.6rem; border: 1px dashed {RULE}; color: {QUIET};
  display: grid; place-content: center }}
figcaption {{ font-size: .9rem; margin-top: .3rem }}
ol {{ padding-left: 1.6rem }} li {{ break-inside: avoid }}
footer {{ margin-top: 1.5rem; border-top: 1px solid {RULE}; font-size: .85rem; color: {QUIET} }}
svg {{ max-width: 100%; height: auto }}
@media print {{ body {{ margin: 0; padding: 0; background: #fff }} }}
"""


@dataclass(frozen=True)
class SheetEntry:
    """One piece on a sheet, with the picture of its unrolled rim (PNG or JPEG bytes) where there is one."""

    file: PieceFile
    strip: bytes | None = None


@dataclass(frozen=True)
class _Figure:
    """One decoration of one piece, with what is said under it."""

    motif: str
    entry: SheetEntry
    seen: Decoration | None
    bracket: Bracket


def write_talk_sheet(
    title: str, entries: Sequence[SheetEntry], intro: str = "", drawings: Sequence[str] = ()
) -> str:
    """The sheet as one HTML page.

    Parameters
    ----------
    title, intro : the speaker's own words.
    entries : the pieces; their order is kept within each motif.
    drawings : pictures drawn by this package (SVG), set in as they are. Never text from a person.
    """
    figures = [figure for entry in entries for figure in _figures(entry)]
    sources: dict[str, int] = {}
    sections = []
    for motif in sorted({figure.motif for figure in figures}, key=str.casefold):
        shown = [_write_figure(figure, sources) for figure in figures if figure.motif == motif]
        sections.append(f'<h2>{escape_text(motif)}</h2><div class="strips">{"".join(shown)}</div>')
    drawn = "".join(f"<section>{drawing}</section>" for drawing in drawings)
    listed = "".join(f'<li id="source-{n}">{escape_text(source)}</li>' for source, n in sources.items())
    notes = f"<h2>Sources</h2><ol>{listed}</ol>" if listed else ""
    told = f'<p class="said">{escape_text(intro)}</p>' if intro else ""
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape_text(title)}</title><style>{_STYLE}</style></head><body>"
        f"<h1>{escape_text(title)}</h1>{told}{''.join(sections)}{drawn}{notes}"
        f"<footer><p>{escape_text(CAUTIONS[0])} Motifs and metals are told by eye.</p></footer>"
        "</body></html>\n"
    )


def lay_out_sheet(files: Sequence[PieceFile]) -> dict[str, Any]:
    """The same sheet as plain values for a page that has the strips at hand: sections, sources, cautions."""
    figures = [figure for file in files for figure in _figures(SheetEntry(file))]
    sources: dict[str, int] = {}
    sections = []
    for motif in sorted({figure.motif for figure in figures}, key=str.casefold):
        shown = [_lay_out_figure(figure, sources) for figure in figures if figure.motif == motif]
        sections.append({"motif": motif, "figures": shown})
    return {"sections": sections, "sources": list(sources), "caution": CAUTIONS[0]}


def _lay_out_figure(figure: _Figure, sources: dict[str, int]) -> dict[str, Any]:
    piece = figure.entry.file.piece
    numbers = [sources.setdefault(source, len(sources) + 1) for source in _list_sources(figure)]
    photos = [photo.reading_id for photo in piece.photos if photo.role != "mark"]
    return {
        "id": piece.id,
        "number": piece.number,
        "caption": _say_caption(figure),
        "reading_id": photos[0] if photos else None,
        "sources": list(dict.fromkeys(numbers)),
    }


def _figures(entry: SheetEntry) -> list[_Figure]:
    file = entry.file
    bracket = find_bracket(collect_claims(file))
    if not file.decorations:
        return [_Figure("Without a motif", entry, None, bracket)]
    motifs = file.lists.motifs
    return [
        _Figure(
            name_record(motifs, seen.motif_id) if seen.motif_id else "Without a motif", entry, seen, bracket
        )
        for seen in file.decorations
    ]


def _write_figure(figure: _Figure, sources: dict[str, int]) -> str:
    piece = figure.entry.file.piece
    numbers = [sources.setdefault(source, len(sources) + 1) for source in _list_sources(figure)]
    marks = " ".join(f'<a href="#source-{n}">[{n}]</a>' for n in dict.fromkeys(numbers))
    said = escape_text(_say_caption(figure))
    alt = escape_text(f"Unrolled rim of piece {piece.number}: {figure.motif}")
    picture = (
        f'<img alt="{alt}" src="data:image/{_type(figure.entry.strip)};base64,'
        f'{base64.b64encode(figure.entry.strip).decode("ascii")}">'
        if figure.entry.strip
        else '<div class="none">no strip of this piece</div>'
    )
    return f"<figure>{picture}<figcaption>{said} {marks}</figcaption></figure>"


def _type(picture: bytes) -> str:
    return "png" if picture.startswith(b"\x89PNG") else "jpeg"


def _list_sources(figure: _Figure) -> list[str]:
    return [claim.said for claim in figure.bracket.claims]


def _say_caption(figure: _Figure) -> str:
    file, seen = figure.entry.file, figure.seen
    piece, lists = file.piece, file.lists
    said = [f"{piece.number}: {piece.piece_kind}"]
    if piece.line_id:
        said.append(name_record(lists.lines, piece.line_id))
    if seen is not None:
        said += [part for part in (seen.variant, seen.metal, seen.state) if part]
        said += [f"number {seen.number}"] if seen.number else []
    if figure.bracket.status == "conflict":
        said.append("sources clash")
    elif figure.bracket.edtf is not None:
        made = figure.bracket.sentence.split(". ")[0].rstrip(".")
        said.append(made[0].lower() + made[1:])
    return ", ".join(said) + "."
