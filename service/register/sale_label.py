"""An honest sale label: what can be seen, what is recorded with its sources, and what is not known.

No price, no value, no claim of rarity, content or safety. What the owner keeps private never reaches it.

References
----------
International Council of Museums, Object ID checklist: defects by kind, place and size before any grade.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from service.register.brackets import find_bracket
from service.register.claims import collect_claims
from service.register.conflict import name_record
from service.register.honest_words import find_claims
from service.register.records import Decoration, Defect, Mark, Measurement, Piece
from service.register.sightings import Lists, PieceFile
from service.register.svg import PAPER, escape_text

# Platinum and palladium differ by a colour difference of about 2 (CIEDE2000): no photo separates them.
METAL_WORDS = {
    "gold": "gold-coloured metal trim, by eye",
    "platinum": "white metal trim, platinum type, by eye",
}
# Common practice, no source.
WEAR_WORDS = ("none", "dulled", "thin spots", "breaks", "ghost of the line left")
CAUTIONS = (
    "A visual opinion: not an assay, an authentication or an appraisal.",
    "It cannot show lead, cadmium or uranium. Treat old decorated ware as for display unless an accredited "
    "laboratory has tested your piece. Rules differ by place and can apply to sellers: check local law.",
    "Metal trim must not go into a microwave: it arcs. No dishwasher, abrasive, polish, bleach or acid: the "
    "metal is a very thin film.",
    "Not for acidic food, storage, children or pregnancy.",
)
NOT_KNOWN = "Earlier repair, re-gilding or a replaced part has not been ruled out."


@dataclass(frozen=True)
class SaleLabel:
    """A label to print.

    Attributes
    ----------
    number, title : of the piece.
    lines : (heading, text) in order. cautions : sentences that belong on every label.
    sources : what the date rests on.
    remarks : for whoever prints it, not for the label: claims in the owner's own words.
    """

    number: str
    title: str
    lines: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    sources: tuple[str, ...]
    remarks: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain values, with the label as text and as HTML."""
        return {
            "number": self.number,
            "title": self.title,
            "lines": [{"heading": heading, "text": text} for heading, text in self.lines],
            "cautions": list(self.cautions),
            "sources": list(self.sources),
            "remarks": list(self.remarks),
            "text": self.as_text(),
        }

    def as_text(self) -> str:
        """The label as plain text."""
        rows = [self.title, *(f"{heading}: {text}" for heading, text in self.lines)]
        rows += [f"Source: {source}" for source in self.sources]
        return "\n".join([*rows, "", *self.cautions]) + "\n"

    def as_html(self) -> str:
        """The label as a page of its own, ready to print; every text escaped, nothing loaded."""
        rows = "".join(f"<dt>{escape_text(h)}</dt><dd>{escape_text(t)}</dd>" for h, t in self.lines)
        sources = "".join(f"<li>{escape_text(source)}</li>" for source in self.sources)
        sources = f"<h2>Sources</h2><ul>{sources}</ul>" if sources else ""
        cautions = "".join(f"<p>{escape_text(caution)}</p>" for caution in self.cautions)
        return (
            '<!doctype html><html lang="en"><head><meta charset="utf-8">'
            '<meta name="viewport" content="width=device-width, initial-scale=1">'
            f"<title>{escape_text(self.title)}</title><style>{_STYLE}</style></head><body><article>"
            f"<h1>{escape_text(self.title)}</h1><dl>{rows}</dl>{sources}<footer>{cautions}</footer>"
            "</article></body></html>\n"
        )


_STYLE = (
    "@page{margin:8mm}body{margin:1rem;font:15px/1.4 system-ui,sans-serif;color:#1f2a33;background:"
    + PAPER
    + "}"
    "article{max-width:32rem;padding:1rem 1.25rem;border:1px solid #8a6a1c;break-inside:avoid}"
    "h1{margin:0 0 .5rem;font-size:1.25rem}h2{margin:.75rem 0 .25rem;font-size:1rem}"
    "dl{display:grid;grid-template-columns:8.5rem 1fr;gap:.2rem .75rem;margin:0}dt{color:#4a555e}dd{margin:0}"
    "ul{margin:0;padding-left:1.2rem}footer{margin-top:.75rem;border-top:1px solid #d8d2c4;font-size:.85rem}"
    "footer p{margin:.35rem 0 0}"
)


def write_label(file: PieceFile) -> SaleLabel:
    """The label of one piece."""
    piece, lists = file.piece, file.lists
    bracket = find_bracket(collect_claims(file))
    lines = [("Number", piece.number)]
    lines += [("Decoration", _say_decoration(seen, lists)) for seen in file.decorations]
    lines += _say_belonging(piece, file.marks, lists)
    lines += [("Mark", _say_mark(mark)) for mark in file.marks] or [("Mark", "none recorded")]
    lines.append(("Date", bracket.sentence if bracket.status == "conflict" else _say_date(bracket.sentence)))
    lines += _say_size(piece)
    if piece.materials:
        lines.append(("Material", f"{piece.materials}, as recorded"))
    lines += _say_condition(piece)
    lines.append(("Not known", NOT_KNOWN))
    if piece.features:
        lines.append(("Features", piece.features))
    sources = tuple(dict.fromkeys(claim.said for claim in bracket.claims))
    return SaleLabel(piece.number, _say_title(file), tuple(lines), CAUTIONS, sources, _remark(file))


def _say_title(file: PieceFile) -> str:
    piece = file.piece
    kind = piece.piece_kind[:1].upper() + piece.piece_kind[1:]
    motifs = [name_record(file.lists.motifs, seen.motif_id) for seen in file.decorations if seen.motif_id]
    border = f" with {' and '.join(dict.fromkeys(motifs))} border" if motifs else ""
    return piece.title or f"{kind}{border}"


def _say_decoration(seen: Decoration, lists: Lists) -> str:
    said = []
    if seen.motif_id:
        variant = f", {seen.variant}" if seen.variant else ""
        said.append(f"{name_record(lists.motifs, seen.motif_id)}{variant}, told by eye")
    said.append(METAL_WORDS[seen.metal] if seen.metal else "trim metal not recorded")
    if seen.state == "worn":
        said.append("lustre worn")
    said += [f"{line.colour} line at the {line.place}" for line in seen.lines]
    said += [f"decal: {seen.decal}"] if seen.decal else []
    said += [f"number read as {seen.number}"] if seen.number else []
    return "; ".join(said)


def _say_belonging(piece: Piece, marks: tuple[Mark, ...], lists: Lists) -> list[tuple[str, str]]:
    lines = []
    if piece.maker_id:
        marked = any(mark.maker_id == piece.maker_id for mark in marks)
        by = "by its mark" if marked else "attributed, no mark of the maker recorded"
        lines.append(("Maker", f"{name_record(lists.makers, piece.maker_id)}, {by}"))
    if piece.line_id:
        lines.append(("Line", f"{name_record(lists.lines, piece.line_id)}, by shape"))
    if piece.distributor_id:
        name = name_record(lists.distributors, piece.distributor_id)
        lines.append(("Distributor", f"{name}, as recorded"))
    if piece.goes_with:
        lines.append(("With it", "another piece; whether both left the works together is not known"))
    return lines


def _say_mark(mark: Mark) -> str:
    said = [f"“{mark.transcription}”", *(part for part in (mark.technique, mark.colour, mark.place) if part)]
    return ", ".join(said)


def _say_date(sentence: str) -> str:
    return sentence.split(". ")[0].rstrip(".") + "."


def _say_size(piece: Piece) -> list[tuple[str, str]]:
    lines = [("Size", _say_measurement(measured)) for measured in piece.measurements]
    if piece.nominal_size:
        lines.append(("Trade size", f"{piece.nominal_size}, as the trade named it"))
    return lines


def _say_measurement(measured: Measurement) -> str:
    said = f"{measured.what} {measured.mm:.0f} mm"
    if measured.low_mm is not None and measured.high_mm is not None:
        said += f" ({measured.low_mm:.0f} to {measured.high_mm:.0f})"
    return said


def _say_condition(piece: Piece) -> list[tuple[str, str]]:
    lines = [("Defect", _say_defect(defect)) for defect in piece.defects] or [("Defects", "none recorded")]
    worst = max((wear.score for wear in piece.wear), default=None)
    if worst is not None:
        places = [f"{w.clock} o'clock" for w in piece.wear if w.score == worst]
        where = f", worst at {', '.join(places)}" if worst else ""
        lines.append(("Trim wear", f"{WEAR_WORDS[worst]}{where}"))
    if piece.grade:
        lines.append(("Grade", f"{piece.grade}, the seller's own, after the defects above"))
    return lines


def _say_defect(defect: Defect) -> str:
    size = f", {defect.size_mm:g} mm" if defect.size_mm is not None else ""
    return f"{defect.kind}, {defect.place}{size}" + (f" ({defect.note})" if defect.note else "")


def _remark(file: PieceFile) -> tuple[str, ...]:
    """Claims in the owner's own words on this label; marks are quoted from the piece and are left alone."""
    piece = file.piece
    own = [piece.title, piece.piece_kind, piece.materials, piece.features, piece.grade, piece.nominal_size]
    own += [text for defect in piece.defects for text in (defect.kind, defect.place, defect.note)]
    own += [seen.decal for seen in file.decorations]
    claims = find_claims(" / ".join(text for text in own if text))
    return tuple(f"Your own words say “{words}”: take it out, {why}." for words, why in claims)
