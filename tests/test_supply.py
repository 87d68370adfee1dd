"""Pins with hashes that fit the project's ranges, no registry named, floors, and the bill of materials."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).resolve().parents[1]
PINS = ROOT / ".ci" / "pins"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = tuple(PROJECT["optional-dependencies"])
FILES = ("build", "run", "reader", *EXTRAS)
# Versions below these have publicly known holes in what opens an untrusted photo or request: from memory.
FLOORS = {"opencv-python": "4.12", "pillow": "13", "python-multipart": "0.0.18", "jinja2": "3.1.6"}


def read_blocks(name: str) -> dict[str, list[tuple[Requirement, int]]]:
    """Requirements with the number of their hashes, by folded name."""
    found: dict[str, list[tuple[Requirement, int]]] = {}
    text = (PINS / f"{name}.txt").read_text(encoding="utf-8")
    for block in re.split(r"\n(?=\S)", text.strip()):
        requirement = Requirement(block.split("\\\n")[0].strip())
        hashes = len(re.findall(r"--hash=sha256:[0-9a-f]{64}\b", block))
        found.setdefault(canonicalize_name(requirement.name), []).append((requirement, hashes))
    return found


def pinned(requirement: Requirement) -> Version:
    (clause,) = requirement.specifier
    assert clause.operator == "=="
    return Version(clause.version)


@pytest.mark.parametrize("name", FILES)
def test_every_pin_is_one_version_with_hashes_and_names_no_registry(name: str) -> None:
    text = (PINS / f"{name}.txt").read_text(encoding="utf-8")
    assert "://" not in text
    assert not re.search(r"^\s*-(i|f|-index|-extra|-find|-trusted)", text, re.M)
    blocks = read_blocks(name)
    assert blocks
    for package, entries in blocks.items():
        for requirement, hashes in entries:
            assert hashes >= 1, package
            pinned(requirement)


@pytest.mark.parametrize("name", ["run", *EXTRAS])
def test_the_pins_fit_what_the_project_asks_for(name: str) -> None:
    blocks = read_blocks(name)
    asked = [*PROJECT["dependencies"], *(PROJECT["optional-dependencies"][name] if name != "run" else ())]
    for text in asked:
        requirement = Requirement(text)
        entries = blocks.get(canonicalize_name(requirement.name))
        assert entries, f"{text} is not pinned: run .ci/pin"
        for entry, _ in entries:
            assert requirement.specifier.contains(pinned(entry)), f"{entry} does not fit {text}: run .ci/pin"


def test_all_files_pin_the_same_versions() -> None:
    seen: dict[tuple[str, str], Version] = {}
    for name in FILES:
        for package, entries in read_blocks(name).items():
            for requirement, _ in entries:
                key = (package, str(requirement.marker))
                assert seen.setdefault(key, pinned(requirement)) == pinned(requirement), (name, package)


@pytest.mark.parametrize("package", FLOORS)
def test_no_version_with_a_known_hole_is_allowed_or_pinned(package: str) -> None:
    floor = Version(FLOORS[package])
    for requirement, _ in read_blocks("run")[package]:
        assert pinned(requirement) >= floor
    asked = next(r for r in map(Requirement, PROJECT["dependencies"]) if canonicalize_name(r.name) == package)
    lowest = next(Version(c.version) for c in asked.specifier if c.operator == ">=")
    assert lowest >= floor


def test_the_bill_of_materials_lists_every_run_time_package_and_the_weights() -> None:
    command = [sys.executable, str(ROOT / ".ci" / "bill_of_materials.py")]
    runs = [subprocess.run(command, capture_output=True, text=True, check=True).stdout for _ in range(2)]
    assert runs[0] == runs[1]
    bill = json.loads(runs[0])
    assert (bill["bomFormat"], bill["specVersion"]) == ("CycloneDX", "1.6")
    libraries = {part["name"] for part in bill["components"] if part["type"] == "library"}
    assert libraries == set(read_blocks("run"))
    models = [part for part in bill["components"] if part["type"] == "machine-learning-model"]
    assert len(models) == len(list((ROOT / "model" / "weights").glob("*.onnx"))) >= 1
    references = {part["bom-ref"] for part in bill["components"]} | {bill["metadata"]["component"]["bom-ref"]}
    assert len(references) == len(bill["components"]) + 1
    for entry in bill["dependencies"]:
        assert {entry["ref"], *entry["dependsOn"]} <= references
    assert all(part["hashes"] for part in bill["components"])
    assert sum("licenses" in part for part in bill["components"]) >= 0.8 * len(bill["components"])
    assert re.fullmatch(r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", bill["serialNumber"])
