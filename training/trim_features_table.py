"""What the trim fits see of each photo: evidence of the light, features of the print, the truth."""

from __future__ import annotations

import zlib
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np

from model.bands import Bands
from model.colour import log_chromaticity
from model.facts import Light
from model.rim_band import RimStrip
from model.trim import visible_deg
from model.trim_features import measure_region
from model.trim_print import find_print, list_regions
from model.wear import Wear, measure_wear
from training.photo_strips import MeasuredPhoto
from training.trim_truth import PhotoTruth

SPAN_DEG = (50.0, 140.0)  # part views cut from whole ones, so that close-ups are known too
LIGHT_JITTER = 0.10  # ln units: other balances of the same photo


@dataclass(frozen=True)
class PhotoRow:
    """What the chain measured of one photo beside its truth.

    ``views`` holds, for each view of the strip (``whole`` first, then cut or rebalanced ones), the
    regions with their label, features and seen wear; empty where there was no strip.
    """

    file: str
    truth: dict[str, Any]
    evidence: dict[str, list[Any]] = field(default_factory=dict)
    recast: list[dict[str, list[float]]] = field(default_factory=list)
    white: list[float] = field(default_factory=list)
    uncertainty_deg: float = 0.0
    views: list[dict[str, Any]] = field(default_factory=list)


def row_of_light(photo: MeasuredPhoto) -> PhotoRow:
    """The row as the light fit needs it: evidence only."""
    evidence = {kind: colour.tolist() for kind, colour in photo.evidence.items()}
    return PhotoRow(photo.file, asdict(photo.truth), evidence, photo.recast)


def row_of_trim(photo: MeasuredPhoto, light: Light, extra: bool) -> PhotoRow:
    """The row with its regions measured under that light; ``extra`` adds the views that only fits need."""
    row = replace(row_of_light(photo), white=list(light.white_rgb), uncertainty_deg=light.uncertainty_deg)
    if photo.strip is None or photo.bands is None:
        return row
    rng = np.random.default_rng(zlib.crc32(photo.file.encode()))
    views = list_views(photo.strip, photo.bands, light, photo.truth, rng, extra)
    return replace(row, views=[_measure_view(*view, photo) for view in views])


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
        print_mask=bands.print_mask[:, columns],
    )


def _measure_view(
    name: str, strip: RimStrip, bands: Bands, light: Light, photo: MeasuredPhoto
) -> dict[str, Any]:
    regions = []
    found = find_print(strip, bands)
    for region in list_regions(strip, bands, found):
        wear = measure_wear(strip, [region], photo.repeats)
        regions.append(
            {
                "kind": region.kind,
                "label": photo.truth.label_of(region.kind),
                "features": measure_region(strip, found, light, photo.colours, region),
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
