"""Writes the bill of materials: every run-time package with version, hashes and licence, and the weights.

``python .ci/bill_of_materials.py > bill.json`` reads ``.ci/pins/run.txt`` and what is installed beside this
Python. The format is CycloneDX 1.6 (ECMA-424), JSON. The same pins give the same bill.
"""

from __future__ import annotations

import hashlib
import json
import re
import sys
import tomllib
import uuid
from importlib import metadata
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
PIN = re.compile(r"^(?P<name>[A-Za-z0-9._-]+)==(?P<version>[^ ;\\]+)(?: ; (?P<marker>[^\\]+))?", re.M)


def read_pins(path: Path) -> list[dict[str, Any]]:
    """Name, version, marker and file hashes of every pinned package."""
    blocks = re.split(r"\n(?=\S)", path.read_text(encoding="utf-8").strip())
    pins = []
    for block in blocks:
        found = PIN.match(block)
        if found is not None:
            hashes = re.findall(r"--hash=sha256:([0-9a-f]{64})", block)
            marker = (found["marker"] or "").strip() or None
            pin = {"name": fold(found["name"]), "version": found["version"], "marker": marker}
            pins.append(pin | {"hashes": hashes})
    return pins


def fold(name: str) -> str:
    """A package's name as indexes compare it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def reference(pin: dict[str, Any]) -> str:
    """The package's address that needs no registry's host name."""
    return f"pkg:pypi/{pin['name']}@{pin['version']}"


def describe_package(pin: dict[str, Any]) -> dict[str, Any]:
    """One component."""
    part: dict[str, Any] = {
        "type": "library",
        "bom-ref": reference(pin),
        "name": pin["name"],
        "version": pin["version"],
        "purl": reference(pin),
        "hashes": [{"alg": "SHA-256", "content": content} for content in pin["hashes"]],
    }
    licence = find_licence(pin["name"])
    if licence is not None:
        part["licenses"] = [licence]
    if pin["marker"]:
        part["properties"] = [{"name": "rimlight:only-where", "value": pin["marker"]}]
    return part


def find_licence(name: str) -> dict[str, Any] | None:
    """The licence that the installed package states; None where it is not installed or states none."""
    try:
        said = metadata.metadata(name)
    except metadata.PackageNotFoundError:
        return None
    if said.get("License-Expression"):
        return {"expression": said["License-Expression"]}
    classes = [c.rsplit(" :: ", 1)[1] for c in said.get_all("Classifier") or () if c.startswith("License ::")]
    stated = classes[0] if classes else (said.get("License") or "").strip().split("\n")[0]
    return {"license": {"name": stated[:80]}} if stated else None


def list_needs(pins: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Which package needs which, as far as they are installed."""
    by_name: dict[str, list[str]] = {}
    for pin in pins:
        by_name.setdefault(pin["name"], []).append(reference(pin))
    needs = []
    for pin in pins:
        try:
            stated = metadata.requires(pin["name"]) or []
        except metadata.PackageNotFoundError:
            stated = []
        names = {fold(re.split(r"[^A-Za-z0-9._-]", text)[0]) for text in stated if "extra ==" not in text}
        wanted = sorted(ref for name in names for ref in by_name.get(name, ()))
        needs.append({"ref": reference(pin), "dependsOn": wanted})
    return needs


def describe_weights() -> list[dict[str, Any]]:
    """The trained files that are shipped, by their hash."""
    parts = []
    for path in sorted((ROOT / "model" / "weights").glob("*.onnx")):
        content = hashlib.sha256(path.read_bytes()).hexdigest()
        parts.append(
            {
                "type": "machine-learning-model",
                "bom-ref": f"weights/{path.name}",
                "name": path.name,
                "hashes": [{"alg": "SHA-256", "content": content}],
                "licenses": [{"license": {"id": "Apache-2.0"}}],
            }
        )
    return parts


def make_bill() -> dict[str, Any]:
    """The whole bill."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    pins = read_pins(ROOT / ".ci" / "pins" / "run.txt")
    weights = describe_weights()
    own = f"pkg:pypi/{project['name']}@{project['version']}"
    direct = {fold(re.split(r"[^A-Za-z0-9._-]", text)[0]) for text in project["dependencies"]}
    wanted = [reference(p) for p in pins if p["name"] in direct] + [part["bom-ref"] for part in weights]
    bill: dict[str, Any] = {
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "version": 1,
        "metadata": {
            "component": {
                "type": "application",
                "bom-ref": own,
                "name": project["name"],
                "version": project["version"],
                "purl": own,
                "licenses": [{"license": {"id": project["license"]}}],
            }
        },
        "components": [describe_package(pin) for pin in pins] + weights,
        "dependencies": [{"ref": own, "dependsOn": wanted}, *list_needs(pins)],
    }
    name = json.dumps(bill, sort_keys=True)
    return bill | {"serialNumber": f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_OID, name)}"}


if __name__ == "__main__":
    json.dump(make_bill(), sys.stdout, indent=1)
    sys.stdout.write("\n")
