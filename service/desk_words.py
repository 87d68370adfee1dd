"""Words of the desk's pages: what records and their fields are called, and what helps to fill them in."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.register.forms import LONG_TEXTS, METAL_ALIASES

# One of a kind, several of it, and what the list is for.
KIND_WORDS: Mapping[str, tuple[str, str, str]] = {
    "piece": ("piece", "Pieces", "Objects that you own or have seen, each under a number of your own."),
    "motif": ("motif", "Motifs", "Stamped figures, with other names, variants and the years of their use."),
    "line": ("line", "Lines", "A maker's families of shapes."),
    "maker": ("maker", "Makers", "Who made the ware."),
    "distributor": ("distributor", "Distributors", "Who sold it: retailers and importers."),
    "decoration": ("decoration", "Decorations", "Motif, metal, lines and number as seen on one piece."),
    "mark": ("mark", "Marks", "Base marks as a person reads them."),
    "evidence": ("evidence", "Evidence", "What somebody else has set down, with its source and date."),
    "opinion": ("opinion", "Opinions", "What somebody thinks, on which evidence, and how sure."),
    "want": ("want", "Wants", "What is looked for."),
    "number_rule": ("number rule", "Number rules", "What the beginning of a decoration number stands for."),
    "date_code_rule": ("date code", "Date codes", "What a code in a mark says about the date."),
    "kept_apart": ("pair kept apart", "Kept apart", "Pieces that you said are not one object."),
}
# Field names where the trade has a better word than the name itself.
FIELD_WORDS: Mapping[str, str] = {
    "piece_kind": "Kind of piece",
    "owned": "Owned by me",
    "count": "How many",
    "maker_id": "Maker",
    "line_id": "Line",
    "distributor_id": "Distributor",
    "motif_id": "Motif",
    "piece_id": "Piece",
    "nominal_size": "Trade size",
    "kept_at": "Where kept",
    "wear": "Trim wear by clock position",
    "goes_with": "Goes with",
    "private": "For the owner only",
    "mm": "Millimetres",
    "low_mm": "At least",
    "high_mm": "At most",
    "size_mm": "Size in mm",
    "width_mm": "Width in mm",
    "reading_id": "Photo",
    "lines": "Painted lines",
    "suggestion": "What a program read",
    "date_code": "Date code",
    "evidence_ids": "On which evidence",
    "aliases": "Other names",
    "what": "What",
    "when": "When said",
    "one": "One piece",
    "other": "The other piece",
    "why": "Why",
    "about_kind": "About what kind",
    "about_id": "About which",
    "means": "Means the date",
    "prefix": "Number begins with",
}
# By kind where one field means different things, else by field.
HINTS: Mapping[str, str] = {
    "piece.number": "Your own number, used once.",
    "decoration.number": "Exactly as read on the piece. It is not unique across makers.",
    "decoration.variant": "The same motif open or filled, full or reduced, mirrored. Wear is no variant.",
    "decoration.metal": "Platinum means a white metal of that type: old lists call it silver.",
    "decoration.decal": "A printed transfer beside or under the stamp, if there is one.",
    "mark.transcription": "As it reads. Write [...] for what cannot be read and [?] after what is doubtful.",
    "mark.suggestion": "Kept beside your own reading, never as a fact.",
    "piece.nominal_size": "As the trade calls it: 9 in. It may be measured verge to verge.",
    "measurements.what": "Diameter, height, length …",
    "piece.grade": "After the defects, never instead of them.",
    "wear.clock": "1 to 12, with 12 at the top of the main photo.",
    "wear.score": "0 none, 1 dulled, 2 thin spots under a tenth, 3 breaks up to a half, 4 ghost only.",
    "piece.goes_with": "Numbers of pieces taken to be of one set with it.",
    "piece.features": "What tells it from others of its kind.",
    "evidence.bearing": "A mark or a catalogue dates itself: say what that means for the piece.",
    "evidence.citation": "What a reader is to look up.",
    "opinion.what": "What you think, in a sentence.",
    "lines.place": "edge, verge, shoulder, handle …",
    "number_rule.prefix": "Letters of the maker's numbers, as OS in OS-114.",
    "photos.reading_id": "",
    "want.motif_id": "Leave open what may be anything.",
}
DATE_HINT = "1934 · about 1935: 1935~ · from … to: 1932/1937 · one year in a span: [1932..1937] · 1930s: 193X"
DATE_FIELDS = ("years", "date", "when", "means", "bought")


def say_kind(kind: str) -> str:
    """One record of this kind in words."""
    return KIND_WORDS.get(kind, (kind.replace("_", " "),))[0]


def say_kinds(kind: str) -> str:
    """Several of them."""
    return KIND_WORDS[kind][1] if kind in KIND_WORDS else kind.replace("_", " ")


def say_field(name: str) -> str:
    """A field as its label says it."""
    return FIELD_WORDS.get(name) or name.replace("_", " ").capitalize()


def say_hint(kind: str, name: str) -> str:
    """What helps to fill the field in; empty where its label says enough."""
    return HINTS.get(f"{kind}.{name}", DATE_HINT if name in DATE_FIELDS else "")


def is_long(kind: str, name: str) -> bool:
    """Whether the field takes several lines of text; what was measured is a word."""
    return name in LONG_TEXTS and kind != "measurements"


def say_value(value: Any) -> str:
    """A plain value of a record, or of the log, in words."""
    if value is None or value == "" or value == []:
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list):
        return "; ".join(say_value(entry) for entry in value)
    if isinstance(value, Mapping):
        held = [f"{say_field(name).lower()} {say_value(v)}" for name, v in value.items() if v is not None]
        return ", ".join(held)
    return str(value)


def say_choice(value: str) -> str:
    """A choice with what people may look for behind it."""
    aliases = [alias for alias, meant in METAL_ALIASES.items() if meant == value]
    return f"{value} (old lists: {aliases[0]})" if aliases else value


def say_years(earliest: int | None, latest: int | None) -> str:
    """A bracket of years in a cell."""
    if earliest is None and latest is None:
        return ""
    if earliest is None:
        return f"until {latest}"
    if latest is None:
        return f"from {earliest}"
    return str(earliest) if earliest == latest else f"{earliest}–{latest}"
