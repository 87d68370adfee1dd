"""Choose rendered pictures as the sample photos and the demo gallery, and write their labels.

``python -m training.render.publish --rendered DIR --picks FILE`` where the picks file is JSON:
``{"samples": [ids], "gallery": [ids]}``. Rows of the chosen scenes are kept beside the pictures,
so that each can be rendered again. Photos are made a little smaller, as messengers do, and their
truth with them.
"""

from __future__ import annotations

import argparse
import io
import json
from pathlib import Path
from typing import Any

from PIL import Image

from training.json_lines import write_rows
from training.render.manifest import Row, make_manifest

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
SAMPLE_SIDE_PX, SAMPLE_QUALITY = 1200, 78
GALLERY_SIDE_PX, GALLERY_QUALITY = 864, 80
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


def shrink_photo(data: bytes, side_px: int, quality: int) -> tuple[bytes, float]:
    """The JPEG with its long side at most ``side_px``, metadata and profile kept; and the scale."""
    picture = Image.open(io.BytesIO(data))
    scale = min(1.0, side_px / max(picture.size))
    size = (round(picture.width * scale), round(picture.height * scale))
    buffer = io.BytesIO()
    picture.resize(size, Image.Resampling.LANCZOS).save(
        buffer,
        "JPEG",
        quality=quality,
        exif=picture.getexif(),
        icc_profile=picture.info.get("icc_profile"),
        optimize=True,
    )
    return buffer.getvalue(), scale


def shrink_truth(truth: dict[str, Any], scale: float) -> dict[str, Any]:
    """The truth of the smaller photo: everything in pixels times ``scale``."""

    def points(polygon: list[list[float]] | None) -> list[list[float]] | None:
        return None if polygon is None else [[round(x * scale, 2), round(y * scale, 2)] for x, y in polygon]

    ellipse = truth["rim"]["ellipse"]
    if ellipse is not None:
        ellipse = {key: value if key == "angle_deg" else value * scale for key, value in ellipse.items()}
    rim = truth["rim"] | {"curve": points(truth["rim"]["curve"]), "ellipse": ellipse}
    paper = truth["paper"] and truth["paper"] | {"corners": points(truth["paper"]["corners"])}
    camera = truth["camera"] | {"focal_px": truth["camera"]["focal_px"] * scale}
    size = {"width": round(truth["width"] * scale), "height": round(truth["height"] * scale)}
    return truth | size | {"outline": points(truth["outline"]), "rim": rim, "paper": paper, "camera": camera}


def publish_samples(rendered: Path, ids: list[str]) -> None:
    """Copy the chosen sample photos with their truths, and the rows to render them again."""
    SAMPLES.mkdir(exist_ok=True)
    rows = []
    for index, scene in enumerate(ids, 1):
        truth = json.loads((rendered / f"{scene}.json").read_text(encoding="utf-8"))
        name = name_file(truth, index)
        photo, scale = shrink_photo((rendered / f"{scene}.jpg").read_bytes(), SAMPLE_SIDE_PX, SAMPLE_QUALITY)
        (SAMPLES / f"{name}.jpg").write_bytes(photo)
        truth = {"photo": f"{name}.jpg"} | shrink_truth(truth, scale)
        del truth["seconds"]
        (SAMPLES / f"{name}.json").write_text(json.dumps(truth), encoding="utf-8")
        rows.append(_row_of(scene) | {"photo": f"{name}.jpg"})
    write_rows(SAMPLES / "manifest.jsonl", rows)


def publish_gallery(rendered: Path, ids: list[str], motif_order: list[str]) -> None:
    """Copy the chosen gallery photos and write ``gallery.json``."""
    photos = DEMO / "photos"
    photos.mkdir(parents=True, exist_ok=True)
    items, rows = [], []
    for index, scene in enumerate(ids, 1):
        truth = json.loads((rendered / f"{scene}.json").read_text(encoding="utf-8"))
        name = f"{name_file(truth, index)}.jpg"
        photo, _ = shrink_photo((rendered / f"{scene}.jpg").read_bytes(), GALLERY_SIDE_PX, GALLERY_QUALITY)
        (photos / name).write_bytes(photo)
        items.append({"photo": f"photos/{name}"} | label_photo(truth, motif_order))
        rows.append(_row_of(scene) | {"photo": f"photos/{name}"})
    (DEMO / "gallery.json").write_text(json.dumps({"items": items}, indent=1) + "\n", encoding="utf-8")
    write_rows(DEMO / "manifest.jsonl", rows)


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
