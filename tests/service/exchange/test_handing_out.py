"""Records for museums and photos that say what they show, read back by readers that are not the product's.

Mandatory elements of LIDO 1.1: lidoRecID, objectWorkType, titleSet/appellationValue, recordID, recordType,
recordSource, xml:lang (LIDO v1.1 schema documentation, ICOM-CIDOC 2021). IPTC fields: read by Pillow's XMP
reader. JSON-LD: keywords as in JSON-LD 1.1 (W3C 2020).
"""

from __future__ import annotations

import io
import json
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from service.exchange.handing_out import write_photos, write_records
from service.kept import NewReading
from service.register.adding import put_new
from service.register.draft import Draft
from service.store import Store, open_store

NAMES = {"lido": "http://www.lido-schema.org"}
LANG = "{http://www.w3.org/XML/1998/namespace}lang"
MANDATORY = (
    "lido:lidoRecID",
    "lido:descriptiveMetadata/lido:objectClassificationWrap/lido:objectWorkTypeWrap/lido:objectWorkType/lido:term",
    "lido:descriptiveMetadata/lido:objectIdentificationWrap/lido:titleWrap/lido:titleSet/lido:appellationValue",
    "lido:administrativeMetadata/lido:recordWrap/lido:recordID",
    "lido:administrativeMetadata/lido:recordWrap/lido:recordType/lido:term",
    "lido:administrativeMetadata/lido:recordWrap/lido:recordSource/lido:legalBodyName/lido:appellationValue",
)
SECRETS = ("SECRET-PRICE", "SECRET-SELLER", "SECRET-PLACE")


def picture(kind: str) -> bytes:
    out = io.BytesIO()
    Image.fromarray(np.full((24, 32, 3), 120, np.uint8)).save(out, kind)
    return out.getvalue()


def quiet(steps, _total: int, _what: str):
    return steps


@pytest.fixture()
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path / "data")
    for number, (suffix, kind) in enumerate((("jpg", "JPEG"), ("png", "PNG"), ("webp", "WEBP"))):
        facts = {
            "id": f"r{number}",
            "photo": {"width": 32, "height": 24, "sha256": f"{number:064x}", "taken_at": None},
        }
        new = NewReading(facts, 10, picture(kind), suffix, None, None, ())
        files = opened.keep_files(new)
        with opened.writing() as tx:
            opened.insert_reading(tx, new, files)
    with opened.writing() as tx:
        draft = Draft(tx, "test")
        put_new(
            draft,
            "piece",
            {
                "number": "7/a",
                "piece_kind": "dinner plate",
                "maker": "Velderby Works",
                "line": "Osmer & Co <trial>",
                "measurements": [{"what": "diameter", "mm": 254.5}],
                "photos": [{"reading_id": f"r{n}"} for n in range(3)],
                "defects": [{"kind": "chip", "place": "lip, 4 o'clock"}],
                "private": dict(zip(("price", "seller", "place"), SECRETS, strict=True)),
                "kept_at": "SECRET-SHELF",
                "decorations": [{"motif": "Tidewrack & Marram", "metal": "platinum", "number": "OS-114"}],
                "marks": [{"transcription": "VELDERBY [...] 32"}],
            },
            new_names=True,
        )
        draft.finish("add piece")
    with opened.writing() as tx:
        draft = Draft(tx, "test")
        dated = {"about": "piece 7/a", "kind": "mark", "citation": "its mark", "date": "1932/1937"}
        put_new(draft, "evidence", dated, new_names=False)
        put_new(draft, "piece", {"number": "8", "piece_kind": "cup"}, new_names=False)
        draft.finish("add")
    yield opened
    opened.close()


def test_every_lido_record_has_the_mandatory_elements(store: Store, tmp_path: Path) -> None:
    write_records(store, tmp_path / "out.xml", "lido", "A Collection")
    records = ET.parse(tmp_path / "out.xml").getroot().findall("lido:lido", NAMES)
    assert len(records) == 2
    for record in records:
        for path in MANDATORY:
            found = record.find(path, NAMES)
            assert found is not None, path
            assert found.text, path
        for half in ("descriptiveMetadata", "administrativeMetadata"):
            assert record.find(f"lido:{half}", NAMES).get(LANG) == "en"
        assert record.find("lido:lidoRecID", NAMES).get("{http://www.lido-schema.org}type") == "local"


def test_a_lido_record_says_motif_date_size_and_mark(store: Store, tmp_path: Path) -> None:
    write_records(store, tmp_path / "out.xml", "lido", "A Collection")
    record = ET.parse(tmp_path / "out.xml").getroot().find("lido:lido", NAMES)
    texts = {element.tag.split("}")[1]: element.text for element in record.iter() if element.text}
    assert texts["earliestDate"].startswith("1932")
    assert texts["latestDate"].startswith("1937")
    assert texts["measurementValue"] == "254.5"
    assert texts["inscriptionTranscription"] == "VELDERBY [...] 32"
    assert texts["workID"] == "7/a"
    assert "Tidewrack & Marram" in [element.text for element in record.iter()]


def test_the_json_ld_document_is_made_of_known_words(store: Store, tmp_path: Path) -> None:
    write_records(store, tmp_path / "out.json", "json-ld", "A Collection")
    document = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    assert document["@context"]["@vocab"] == "https://schema.org/"
    plate = document["@graph"][0]
    assert plate["@type"] == "Product"
    assert plate["pattern"] == [{"@type": "DefinedTerm", "name": "Tidewrack & Marram"}]
    assert plate["width"] == {"@type": "QuantitativeValue", "value": 254.5, "unitCode": "MMT"}
    assert plate["dcterms:source"] == ["its mark"]


@pytest.mark.parametrize("suffix", ["jpg", "png"])
def test_the_fields_are_read_back_by_another_reader_and_no_pixel_changed(
    store: Store, tmp_path: Path, suffix: str
) -> None:
    assert write_photos(store, tmp_path / "out", "A Collection", quiet) == (3, 1)
    written = next((tmp_path / "out").glob(f"*.{suffix}"))
    with Image.open(written) as image:
        fields = image.getxmp()["xmpmeta"]["RDF"]["Description"]["ArtworkOrObject"]["Bag"]["li"]
        pixels = np.asarray(image)
    assert fields["AOSourceInvNo"] == "7/a"
    assert fields["AOSource"] == "A Collection"
    assert fields["AOTitle"]["Alt"]["li"]["text"] == "dinner plate, Tidewrack & Marram"
    assert fields["AOCreator"]["Seq"]["li"] == "Velderby Works"
    assert "OS-114" in fields["AOContentDescription"]["Alt"]["li"]["text"]
    stored = next(p for p in (tmp_path / "data" / "photos").glob(f"*/*.{suffix}"))
    with Image.open(stored) as image:
        assert np.array_equal(np.asarray(image), pixels)


def test_nothing_private_goes_along(store: Store, tmp_path: Path) -> None:
    write_records(store, tmp_path / "a.xml", "lido", "A Collection")
    write_records(store, tmp_path / "a.json", "json-ld", "A Collection")
    write_photos(store, tmp_path / "photos", "A Collection", quiet)
    for path in [tmp_path / "a.xml", tmp_path / "a.json", *(tmp_path / "photos").iterdir()]:
        assert b"SECRET" not in path.read_bytes(), path.name


def test_it_works_by_command(rimlight, store: Store, tmp_path: Path) -> None:
    home = ("--data", store.folder)
    out = rimlight("hand-out", "records", tmp_path / "x.xml", "--source", "A Collection", *home)
    assert out.returncode == 0, out.stderr
    assert ET.parse(tmp_path / "x.xml").getroot().tag.endswith("lidoWrap")
    assert rimlight("hand-out", "records", tmp_path / "x.xml", *home).returncode == 2
    assert "3 photos" in rimlight("hand-out", "photos", tmp_path / "p", *home).stdout


def test_characters_that_xml_cannot_hold_do_not_spoil_the_document(store: Store, tmp_path: Path) -> None:
    title = "cup\uffff with \ufffe lid"
    with store.writing() as tx:
        draft = Draft(tx, "test")
        put_new(draft, "piece", {"number": "odd", "piece_kind": "cup", "title": title}, new_names=False)
        draft.finish("add piece")
    write_records(store, tmp_path / "out.xml", "lido", "A Collection\x07")
    root = ET.parse(tmp_path / "out.xml").getroot()
    titles = [e.text for e in root.iterfind(".//lido:titleSet/lido:appellationValue", NAMES)]
    assert "cup\ufffd with \ufffd lid" in titles
