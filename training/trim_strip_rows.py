"""Quick rendered strips as further rows for the trim fits: many, and with no error of the rim's geometry.

They only support the fit: figures and thresholds rest on path-traced photos.
"""

from __future__ import annotations

import json
import multiprocessing
from dataclasses import asdict
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from model.bands import separate_bands
from model.facts import Light
from model.trim_features import measure_region
from model.trim_print import find_print, list_regions
from model.wear import measure_wear
from training.render.motif_source import find_motif
from training.render.strip import StripPicture, StripTruth, render_strip
from training.trim_features_table import PhotoRow
from training.trim_truth import WORN_SHARE

KINDS, ODDS = ("gold", "platinum", "paint"), (0.36, 0.36, 0.28)
LIGHT_ERRORS = (
    (0.04, 0.06),
    (0.08, 0.13),
)  # ln units of red and blue, as with paper in the frame and without


def build_strip_rows(count: int, cache: Path | None, workers: int = 2) -> list[PhotoRow]:
    """Rows of ``count`` strips, from the cache file where it exists."""
    if cache is not None and cache.exists():
        return [PhotoRow(**json.loads(line)) for line in cache.read_text(encoding="utf-8").splitlines()]
    with multiprocessing.get_context("spawn").Pool(workers, cv2.setNumThreads, (1,)) as pool:
        rows = pool.map(measure_strip, list(range(count)), chunksize=8)
    if cache is not None:
        cache.parent.mkdir(parents=True, exist_ok=True)
        cache.write_text("".join(json.dumps(asdict(row)) + "\n" for row in rows), encoding="utf-8")
    return rows


def measure_strip(seed: int) -> PhotoRow:
    """Render one strip and measure its regions under a white point with a plausible error."""
    rng = np.random.default_rng([seed, 77])
    metal: Any = str(rng.choice(KINDS, p=ODDS))
    picture = render_strip(find_motif(f"train-{seed % 1500:05d}"), rng, metal)
    strip, truth = picture.strip, picture.truth
    light = _guess_light(truth, rng)
    bands = separate_bands(strip)
    found = find_print(strip, bands)
    regions = []
    for region in list_regions(strip, bands, found):
        wear = measure_wear(strip, [region])
        regions.append(
            {
                "kind": region.kind,
                "label": _label(truth, region.kind),
                "features": measure_region(strip, found, light, None, region),
                "wear": {"expected": wear.expected.tolist(), "present": wear.present.tolist()},
            }
        )
    view = {"name": "strip", "visible_deg": 360 * picture.choices.visible_share, "regions": regions}
    return PhotoRow(f"strip-{seed:05d}", _truth_of(picture), views=[view])


def _guess_light(truth: StripTruth, rng: np.random.Generator) -> Light:
    paper = bool(rng.random() < 0.3)
    error = rng.normal(0, 1, 2) * LIGHT_ERRORS[0 if paper else 1]
    white = np.array(truth.white_rgb) / truth.white_rgb[1] * np.exp([error[0], 0.0, error[1]])
    stated = 4.0 if paper else 7.0
    evidence = ("paper", "glaze", "scene") if paper else ("glaze", "scene")
    return Light((float(white[0]), 1.0, float(white[2])), stated + float(rng.uniform(-1, 2)), evidence)


def _label(truth: StripTruth, kind: str) -> str | None:
    lines = {"edge line": truth.edge_line, "verge line": truth.verge_line}
    colour = lines.get(kind, truth.metal)
    if colour == "same":
        colour = truth.metal
    if colour == "none":
        return "paint" if truth.metal == "paint" else None
    return None if kind == "line" else colour


def _truth_of(picture: StripPicture) -> dict[str, Any]:
    truth = picture.truth
    metal = "none" if truth.metal == "paint" else truth.metal
    return {
        "group": f"strip {truth.motif_id}",
        "metal": metal,
        "worn": metal != "none" and truth.remaining_share < WORN_SHARE,
        "remaining_share": truth.remaining_share if metal != "none" else None,
        "sectors": [None] * 36,
        "white_rgb": list(truth.white_rgb),
        "glaze": truth.glaze,
        "light": "strip",
        "paper": False,
    }
