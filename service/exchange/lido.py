"""Pieces as LIDO 1.1, the harvesting format of museums.

References
----------
LIDO v1.1 (ICOM-CIDOC, 2021): mandatory are lidoRecID, objectWorkType, titleSet/appellationValue, recordID,
recordType, recordSource and the language of both halves. Order of elements as in its schema (from memory).
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterable, Iterator
from typing import Any

from service.exchange.whole_pieces import describe, fit_xml, span_of, title_of

Body = dict[str, Any]
LIDO = "http://www.lido-schema.org"
XML_LANG = "{http://www.w3.org/XML/1998/namespace}lang"
SCHEMA_PLACE = "http://www.lido-schema.org http://www.lido-schema.org/schema/v1.1/lido-v1.1.xsd"
PRODUCTION = "http://terminology.lido-schema.org/lido00007"
ENGLISH = "en"

ET.register_namespace("lido", LIDO)
ET.register_namespace("xsi", "http://www.w3.org/2001/XMLSchema-instance")


def write_lido(pieces: Iterable[Body], source: str) -> Iterator[bytes]:
    """The document in parts, a record at a time; ``source`` names who keeps the register."""
    opening = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<lido:lidoWrap xmlns:lido="{LIDO}" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        f'xsi:schemaLocation="{SCHEMA_PLACE}">\n'
    )
    yield opening.encode()
    for piece in pieces:
        yield ET.tostring(make_record(piece, source), encoding="utf-8") + b"\n"
    yield b"</lido:lidoWrap>\n"


def make_record(piece: Body, source: str) -> ET.Element:
    """One piece as a ``lido`` element."""
    record = ET.Element(f"{{{LIDO}}}lido")
    _add(record, "lidoRecID", piece["id"], type="local", source=source)
    told = _add(record, "descriptiveMetadata")
    told.set(XML_LANG, ENGLISH)
    kind = _add(_add(_add(told, "objectClassificationWrap"), "objectWorkTypeWrap"), "objectWorkType")
    _add(kind, "term", piece["piece_kind"])
    _identify(_add(told, "objectIdentificationWrap"), piece)
    _tell_production(told, piece)
    _tell_motifs(told, piece)
    _tell_record(_add(record, "administrativeMetadata"), piece, source)
    return record


def _identify(wrap: ET.Element, piece: Body) -> None:
    _add(_add(_add(wrap, "titleWrap"), "titleSet"), "appellationValue", title_of(piece))
    if piece["marks"]:
        inscriptions = _add(wrap, "inscriptionsWrap")
        for mark in piece["marks"]:
            _add(_add(inscriptions, "inscriptions"), "inscriptionTranscription", mark["transcription"])
    place = _add(_add(wrap, "repositoryWrap"), "repositorySet")
    _add(place, "workID", piece["number"], type="inventory number")
    if said := describe(piece):
        notes = _add(_add(wrap, "objectDescriptionWrap"), "objectDescriptionSet")
        _add(notes, "descriptiveNoteValue", said)
    if piece["measurements"]:
        sizes = _add(wrap, "objectMeasurementsWrap")
        for measured in piece["measurements"]:
            one = _add(_add(_add(sizes, "objectMeasurementsSet"), "objectMeasurements"), "measurementSet")
            _add(one, "measurementType", measured["what"])
            _add(one, "measurementUnit", "mm")
            _add(one, "measurementValue", f"{measured['mm']:g}")


def _tell_production(told: ET.Element, piece: Body) -> None:
    earliest, latest = span_of(piece)
    if not (piece["maker"] or earliest or latest):
        return
    event = _add(_add(_add(told, "eventWrap"), "eventSet"), "event")
    kind = _add(event, "eventType")
    _add(kind, "conceptID", PRODUCTION, type="URI")
    _add(kind, "term", "production")
    if piece["maker"]:
        actor = _add(_add(_add(event, "eventActor"), "actorInRole"), "actor")
        _add(_add(actor, "nameActorSet"), "appellationValue", piece["maker"])
    if earliest or latest:
        when = _add(event, "eventDate")
        _add(when, "displayDate", piece["bracket"]["sentence"])
        dates = _add(when, "date")
        if earliest:
            _add(dates, "earliestDate", earliest)
        if latest:
            _add(dates, "latestDate", latest)


def _tell_motifs(told: ET.Element, piece: Body) -> None:
    motifs = dict.fromkeys(seen["motif"] for seen in piece["decorations"] if seen["motif"])
    if motifs:
        subjects = _add(_add(told, "objectRelationWrap"), "subjectWrap")
        for motif in motifs:
            concept = _add(_add(_add(subjects, "subjectSet"), "subject"), "subjectConcept")
            _add(concept, "term", motif)


def _tell_record(half: ET.Element, piece: Body, source: str) -> None:
    half.set(XML_LANG, ENGLISH)
    record = _add(half, "recordWrap")
    _add(record, "recordID", piece["id"], type="local")
    _add(_add(record, "recordType"), "term", "item")
    _add(_add(_add(record, "recordSource"), "legalBodyName"), "appellationValue", source)


def _add(parent: ET.Element, name: str, text: str | None = None, **attributes: str) -> ET.Element:
    held = {f"{{{LIDO}}}{k}": fit_xml(v) for k, v in attributes.items()}
    child = ET.SubElement(parent, f"{{{LIDO}}}{name}", held)
    child.text = None if text is None else fit_xml(text)
    return child
