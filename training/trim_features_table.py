"""Run the real chain over a folder of rendered photos and keep what the fits need, one row a photo.

Each photo `NAME.jpg` has its truth beside it, `NAME.json`. Rows are cached as JSON lines.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import zlib
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from model.bands import Bands, separate_bands
from model.colour import log_chromaticity
from model.facts import Light
from model.light import fuse_light, load_recipe
from model.light_evidence import measure_evidence
from model.photo import decode_photo
from model.piece import find_piece
from model.rim_band import RimStrip, unroll_rim
from model.scene_statistics import measure_scene
from model.surroundings import Surroundings, look_around
from model.trim import visible_deg
from model.trim_features import measure_region
from model.trim_print import TrimRegion, find_print, list_regions
from model.wear import Wear, measure_wear
from training.trim_truth import PhotoTruth, read_truth

SPAN_DEG = (50.0, 140.0)  # part views cut from whole ones, so that close-ups are known too
LIGHT_JITTER = 0.10  # ln units: other balances of the same photo


@dataclass(frozen=True)
class PhotoRow:
    """What the chain measured of one photo beside its truth.

    ``views`` holds, for each view of the strip (``whole`` first, then cut or rebalanced ones), the
    regions with their label, features and seen wear.
    """

    file: str
    truth: dict[str, Any]
    status: str
    evidence: dict[str, list[float]] = field(default_factory=dict)
    recast: list[dict[str, list[float]]] = field(default_factory=list)
    white: list[float] = field(default_factory=list)
    uncertainty_deg: float = 0.0
    views: list[dict[str, Any]] = field(default_factory=list)


def build_table(folder: Path, cache: Path | None, workers: int = 2, extra: bool = True) -> list[PhotoRow]:
    """Rows of every photo with a truth in the folder; the cache file is used where it exists."""
    if cache is not None and cache.exists():
        return [PhotoRow(**json.loads(line)) for line in cache.read_text(encoding="utf-8").splitlines()]
    photos = sorted(path for path in folder.glob("*.jpg") if path.with_suffix(".json").exists())
    rows = list(_spread(_Measure(extra), photos, workers))
    if cache is not None:
        cache.parent.mkdir(parents=True, exist_ok=True)
        cache.write_text("".join(json.dumps(asdict(row)) + "\n" for row in rows), encoding="utf-8")
    return rows


@dataclass(frozen=True)
class _Measure:
    extra: bool

    def __call__(self, path: Path) -> PhotoRow:
        return measure_photo(path, self.extra)


def _spread(work: Callable[[Path], PhotoRow], photos: list[Path], workers: int) -> Iterable[PhotoRow]:
    if workers <= 1:
        return map(work, photos)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    with multiprocessing.get_context("spawn").Pool(workers, cv2.setNumThreads, (1,)) as pool:
        return pool.map(work, photos, chunksize=4)


def measure_photo(path: Path, extra: bool) -> PhotoRow:
    """Read one photo with the chain as it is shipped and label what it found."""
    truth = read_truth(path.with_suffix(".json"))
    photo = decode_photo(path.read_bytes())
    piece = find_piece(photo)
    around = look_around(photo, piece)
    strip = unroll_rim(photo, piece)
    bands = None if strip is None else separate_bands(strip)
    measured = measure_evidence(photo, around, piece.paper, strip, bands, None)
    light = fuse_light(measured, load_recipe())
    row = PhotoRow(
        path.name,
        asdict(truth),
        "no strip" if strip is None else "read",
        {kind: colour.tolist() for kind, colour in measured.items()},
        [recast_scene(around, truth, path)] if extra else [],
        list(light.white_rgb),
        light.uncertainty_deg,
    )
    if strip is None or bands is None:
        return row
    rng = np.random.default_rng(zlib.crc32(path.stem.encode()))
    views = list_views(strip, bands, light, truth, rng, extra)
    measured_views = [_measure_view(name, s, b, lamp, around, truth) for name, s, b, lamp in views]
    return replace(row, views=measured_views)


def recast_scene(around: Surroundings, truth: PhotoTruth, path: Path) -> dict[str, list[float]]:
    """Statistics of the same scene under another cast along the colours of lamps and daylight."""
    rng = np.random.default_rng(zlib.crc32(path.name.encode()))
    warm = rng.normal(0.1, 0.25)
    cast = np.exp([0.5 * warm + rng.normal(0, 0.03), 0.0, -1.0 * warm + rng.normal(0, 0.04)])
    cast /= max(cast)
    other = replace(around, linear_rgb=(around.linear_rgb * cast).astype(np.float32))
    white = np.array(truth.white_rgb) * cast
    return {"statistics": list(measure_scene(other).values()), "white_rgb": (white / white[1]).tolist()}


View = tuple[str, RimStrip, Bands, Light]


def list_views(
    strip: RimStrip, bands: Bands, light: Light, truth: PhotoTruth, rng: np.random.Generator, extra: bool
) -> list[View]:
    """The strip as read; and, for fitting only, a part of it and another balance of it."""
    views: list[View] = [("whole", strip, bands, light)]
    if not extra:
        return views
    jittered = log_chromaticity(truth.white_rgb) + rng.normal(0, LIGHT_JITTER, 2) * [1, 1.5]
    other = Light(
        (float(np.exp(jittered[0])), 1.0, float(np.exp(jittered[1]))), light.uncertainty_deg, light.evidence
    )
    views.append(("rebalanced", strip, bands, other))
    if visible_deg(strip) > 2 * SPAN_DEG[1]:
        span = rng.uniform(*SPAN_DEG) / 360
        width = strip.encoded.shape[1]
        first = int(rng.uniform(0, 1 - span) * width)
        cut = slice(first, first + max(64, int(span * width)))
        views.append(("part", cut_strip(strip, cut), cut_bands(bands, cut), light))
    return views


def cut_strip(strip: RimStrip, columns: slice) -> RimStrip:
    """The columns of a strip as an open strip."""
    return replace(
        strip,
        encoded=strip.encoded[:, columns],
        linear_rgb=strip.linear_rgb[:, columns],
        seen_mask=strip.seen_mask[:, columns],
        clipped_mask=strip.clipped_mask[:, columns],
        column_deg=strip.column_deg[columns],
        closed=False,
    )


def cut_bands(bands: Bands, columns: slice) -> Bands:
    """The columns of the bands."""
    return replace(
        bands,
        glaze_linear_rgb=bands.glaze_linear_rgb[:, columns],
        contrast=bands.contrast[:, columns],
        chroma_shift=bands.chroma_shift[:, columns],
        print_mask=bands.print_mask[:, columns],
    )


def _measure_view(
    name: str, strip: RimStrip, bands: Bands, light: Light, around: Surroundings, truth: PhotoTruth
) -> dict[str, Any]:
    regions = []
    found = find_print(strip, bands)
    for region in list_regions(strip, bands, found):
        wear = measure_wear(strip, [region])
        regions.append(
            {
                "kind": region.kind,
                "label": truth.label_of(region.kind),
                "features": measure_region(strip, found, light, around, region),
                "wear": {"expected": wear.expected.tolist(), "present": wear.present.tolist()},
            }
        )
    return {"name": name, "visible_deg": visible_deg(strip), "regions": regions}


def pooled_wear(regions: list[dict[str, Any]]) -> Wear | None:
    """Wear of several measured regions together."""
    if not regions:
        return None
    return Wear(
        np.sum([region["wear"]["expected"] for region in regions], axis=0),
        np.sum([region["wear"]["present"] for region in regions], axis=0),
    )


__all__ = ["PhotoRow", "TrimRegion", "build_table", "measure_photo", "pooled_wear"]
