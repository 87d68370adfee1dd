"""The register's page covers the Object ID checklist, and names fields that are there.

Object ID: photographs, type of object, materials and techniques, measurements, inscriptions and markings,
distinguishing features, title, subject, date or period, maker, description (ICOM; from memory).
"""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

from service.register.records import KINDS

PAGE = Path(__file__).resolve().parents[3] / "service" / "register" / "REGISTER.md"
OBJECT_ID = (
    "photographs",
    "type of object",
    "materials and techniques",
    "measurements",
    "inscriptions and markings",
    "distinguishing features",
    "title",
    "subject",
    "date or period",
    "maker",
    "description",
)


def test_every_field_of_object_id_has_its_row() -> None:
    rows = dict(re.findall(r"^\| ([a-z ]+) \| (.+) \|$", PAGE.read_text(encoding="utf-8"), re.M))
    assert [name for name in OBJECT_ID if name not in rows] == []
    assert all("`" in rows[name] for name in OBJECT_ID)


def test_every_field_that_the_page_names_is_there() -> None:
    named = re.findall(r"`([a-z_]+)\.([a-z_]+)`", PAGE.read_text(encoding="utf-8"))
    assert len(named) > 25
    for kind, name in named:
        assert name in {f.name for f in fields(KINDS[kind])}, f"{kind}.{name}"
