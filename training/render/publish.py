"""Choose rendered pictures as the sample photos and the demo gallery, and write their labels.

``python -m training.render.publish --rendered DIR --picks FILE`` where the picks file is JSON:
``{"samples": [ids], "gallery": [ids]}``. Rows of the chosen scenes are kept beside the pictures,
so that each can be rendered again.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from training.render.manifest import Row, make_manifest, write_manifest

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_images"
DEMO = ROOT / "service" / "demo"
MAKER = "Velderby Works"
LINES = {
    "rimmed plate": ("Osmer", "OS"),
    "cup": ("Osmer", "OS"),
    "coupe plate": ("Brindlow", "BR"),
    "bowl": ("Brindlow", "BR"),
    "oval platter": ("Corrick", "CO"),
    "scalloped plate": ("Corrick", "CO"),
    "creamer": ("Corrick", "CO"),
    "square plate": ("Wexcombe Fell", "WF"),
    "sugar bowl": ("Wexcombe Fell", "WF"),
}
_NUMBER_BASE = {"gold": 100, "platinum": 300, "none": 500}


def name_file(truth: dict[str, Any], index: int) -> str:
    """A file name that says what is on the photo, e.g. ``07-marram-gold-cup``."""
    words = [f"{index:02d}", truth["motif"] or truth["trim"], truth["metal"], truth["piece"]]
    if truth["metal"] == "none":
        words[2] = str(truth["paint"] or "plain")
    if truth["state"] == "worn":
        words[2] += " worn"
    return "-".join(" ".join(str(word) for word in words).lower().split())


def label_photo(truth: dict[str, Any], motif_order: list[str]) -> dict[str, str]:
    """The labels a collector would give: motif, variant, metal, state, maker, line, decoration number."""
    line, letters = LINES[truth["piece"]]
    number = _NUMBER_BASE[truth["metal"]] + 7 * motif_order.index(truth["motif"]) + 2
    labels = {
        "motif": truth["motif"],
        "variant": truth["variant"],
        "metal": truth["metal"] if truth["metal"] != "none" else None,
        "state": truth["state"],
        "maker": MAKER,
        "line": line,
        "decoration_number": f"{letters}-{number}",
    }
    return {name: value for name, value in labels.items() if value is not None}


def publish_samples(rendered: Path, ids: list[str]) -> None:
    """Copy the chosen sample photos with their truths, and the rows to render them again."""
    SAMPLES.mkdir(exist_ok=True)
    rows = []
    for index, scene in enumerate(ids, 1):
        truth = json.loads((rendered / f"{scene}.json").read_text(encoding="utf-8"))
        name = name_file(truth, index)
        (SAMPLES / f"{name}.jpg").write_bytes((rendered / f"{scene}.jpg").read_bytes())
        truth = {"photo": f"{name}.jpg", **{key: value for key, value in truth.items() if key != "seconds"}}
        (SAMPLES / f"{name}.json").write_text(json.dumps(truth, indent=1), encoding="utf-8")
        rows.append(_row_of(scene) | {"photo": f"{name}.jpg"})
    write_manifest(SAMPLES / "manifest.jsonl", rows)


def publish_gallery(rendered: Path, ids: list[str], motif_order: list[str]) -> None:
    """Copy the chosen gallery photos and write ``gallery.json``."""
    photos = DEMO / "photos"
    photos.mkdir(parents=True, exist_ok=True)
    items, rows = [], []
    for index, scene in enumerate(ids, 1):
        truth = json.loads((rendered / f"{scene}.json").read_text(encoding="utf-8"))
        name = f"{name_file(truth, index)}.jpg"
        (photos / name).write_bytes((rendered / f"{scene}.jpg").read_bytes())
        items.append({"photo": f"photos/{name}"} | label_photo(truth, motif_order))
        rows.append(_row_of(scene) | {"photo": f"photos/{name}"})
    (DEMO / "gallery.json").write_text(json.dumps({"items": items}, indent=1) + "\n", encoding="utf-8")
    write_manifest(DEMO / "manifest.jsonl", rows)


def _row_of(scene: str) -> Row:
    name, _, number = scene.rpartition("-")
    return make_manifest(name, int(number) + 1)[-1]


def main() -> None:
    """Read the picks and publish both sets."""
    from training.art.demo_motifs import DEMO_DRAWINGS

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rendered", type=Path, required=True)
    parser.add_argument("--picks", type=Path, required=True)
    told = parser.parse_args()
    picks = json.loads(told.picks.read_text(encoding="utf-8"))
    publish_samples(told.rendered, picks["samples"])
    publish_gallery(told.rendered, picks["gallery"], [name for name, *_ in DEMO_DRAWINGS])


if __name__ == "__main__":
    main()
