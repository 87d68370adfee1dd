"""Pieces as JSON-LD, in the words of schema.org and Dublin Core.

References
----------
schema.org ``Product`` (manufacturer, category, pattern, material, width); DCMI Metadata Terms (temporal,
source); JSON-LD 1.1, W3C 2020.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from service.exchange.whole_pieces import describe, title_of

Body = dict[str, Any]
CONTEXT = {"@vocab": "https://schema.org/", "dcterms": "http://purl.org/dc/terms/"}
MILLIMETRE = "MMT"  # UN/CEFACT Recommendation 20, as schema.org's unitCode takes it


def make_document(pieces: Iterable[Body], source: str) -> Body:
    """All pieces as one JSON-LD document; ids are local to it."""
    return {"@context": CONTEXT, "@graph": [describe_piece(piece, source) for piece in pieces]}


def describe_piece(piece: Body, source: str) -> Body:
    """One piece as a node; what is not known is left out."""
    motifs = [seen["motif"] for seen in piece["decorations"] if seen["motif"]]
    diameters = [m["mm"] for m in piece["measurements"] if m["what"] == "diameter"]
    node = {
        "@id": f"#{piece['id']}",
        "@type": "Product",
        "identifier": piece["number"],
        "name": title_of(piece),
        "category": piece["piece_kind"],
        "description": describe(piece) or None,
        "material": piece["materials"],
        "manufacturer": _named("Organization", piece["maker"]),
        "isVariantOf": _named("ProductGroup", piece["line"]),
        "pattern": [_named("DefinedTerm", motif) for motif in dict.fromkeys(motifs)],
        "width": {"@type": "QuantitativeValue", "value": diameters[0], "unitCode": MILLIMETRE}
        if diameters
        else None,
        "dcterms:temporal": piece["bracket"]["edtf"],
        "dcterms:source": [said["citation"] for said in piece["evidence"]],
        "subjectOf": {"@type": "Dataset", "publisher": _named("Organization", source)},
    }
    return {name: value for name, value in node.items() if value not in (None, [])}


def _named(kind: str, name: str | None) -> Body | None:
    return None if name is None else {"@type": kind, "name": name}
