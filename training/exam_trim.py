"""Score the trim verdicts of readings: metal, paint, pairs, wear, lines, and plain rules beside them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from model.colour import GOLD_LINEAR_RGB, PLATINUM_LINEAR_RGB, log_chromaticity
from training.exam_light import light_of
from training.exam_readings import PhotoReading
from training.exam_tables import describe_calibration, describe_errors, upper_bound
from training.intervals import area_under_curve, describe_share

METALS = ("gold", "platinum")
LINE_METALS = (*METALS, "metal")  # which metal may be left open
CLASSES = ("gold", "platinum", "no metal")
COVERAGES = (0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 1.0)
HALF_WAY_BG = float(np.mean(log_chromaticity([GOLD_LINEAR_RGB, PLATINUM_LINEAR_RGB])[:, 1]))
SURE_RULE = 0.5
Readings = Sequence[PhotoReading]


def trim_of(reading: PhotoReading) -> dict[str, Any]:
    """The trim part; an unreadable photo cannot be told."""
    nothing = {"verdict": "cannot tell", "metal": None, "probabilities": None, "worn_probability": None}
    return (
        reading.reading["trim"] if reading.reading else nothing | {"remaining_share": None, "sectors": None}
    )


def named(reading: PhotoReading) -> str | None:
    """``gold``, ``platinum``, ``none`` as the reading names it; None where it cannot tell which."""
    trim = trim_of(reading)
    return "none" if trim["verdict"] == "no metal" else trim["metal"]


def is_metal(reading: PhotoReading) -> bool:
    """Whether metal was laid and some of it is in view."""
    return reading.truth["metal"] in METALS


def score_identity(readings: Readings) -> dict[str, Any]:
    """Gold against platinum: answered, wrong, by circumstance; the risk at each coverage."""
    metal = [r for r in readings if is_metal(r)]
    groups: dict[str, Callable[[PhotoReading], str]] = {
        "light": light_of,
        "glaze": lambda r: str(r.truth["glaze"]),
        "paper": lambda r: "paper" if r.truth.get("paper") else "no paper",
        "difficulty": lambda r: str(r.truth.get("difficulty")),
        "metal": lambda r: str(r.truth.get("alloy") or r.truth["metal"]),
        "wear": lambda r: str(r.truth["plan"]["wear"]),
        "shape": lambda r: str(r.truth["piece"]),
        "framing": lambda r: str(r.truth["plan"]["framing"]),
        "trim": lambda r: str(r.truth["trim"]),
    }
    return {
        **describe_answers(metal),
        "risk and coverage": risk_and_coverage(metal),
        "by": {name: _by(metal, key) for name, key in groups.items()},
        "steps named where it cannot tell": _count_steps(metal),
    }


def describe_answers(metal: Readings) -> dict[str, Any]:
    """Share answered; wrong among them, with the one-sided bound."""
    answers = [(named(r), r.truth["metal"]) for r in metal]
    wrong = [name != truth for name, truth in answers if name is not None]
    return {
        "answered": describe_share([name is not None for name, _ in answers]),
        "wrong among answered": describe_share(wrong),
        "one-sided 95 % bound": upper_bound(sum(wrong), len(wrong)),
        "wrong metal": describe_share([n != t for n, t in answers if n in METALS]),
        "metal called none": describe_share([n == "none" for n, _ in answers]),
    }


def _by(group: Readings, key: Callable[[PhotoReading], str]) -> dict[str, Any]:
    names = sorted({key(r) for r in group})
    tables = {name: describe_answers([r for r in group if key(r) == name]) for name in names}
    kept = ("answered", "wrong among answered")
    return {name: {part: table[part] for part in kept} for name, table in tables.items()}


def _count_steps(metal: Readings) -> dict[str, int]:
    unsure = [trim_of(r).get("retake") for r in metal if trim_of(r)["verdict"] == "cannot tell"]
    return dict(Counter(str((step or {}).get("step")) for step in unsure))


def _chances(reading: PhotoReading) -> list[float] | None:
    found = trim_of(reading)["probabilities"]
    return None if found is None else [float(found[name]) for name in CLASSES]


def risk_and_coverage(metal: Readings) -> list[dict[str, float]]:
    """Wrong metal if the surest share of the metal pieces is answered; not judged counts as least sure."""
    known = [(_chances(r) or [0.34, 0.33, 0.33], r.truth["metal"]) for r in metal]
    if not known:
        return []
    chances = np.array([c for c, _ in known])[:, :2]
    gold = chances[:, 0] / np.maximum(chances.sum(1), 1e-9)
    sure, names = np.maximum(gold, 1 - gold) * chances.sum(1), np.where(gold >= 0.5, "gold", "platinum")
    order = np.argsort(-sure, kind="stable")
    wrong = (names != np.array([truth for _, truth in known]))[order]
    counts = [max(1, round(share * len(wrong))) for share in COVERAGES]
    return [
        {"answered": share, "wrong": round(float(wrong[:count].mean()), 4)}
        for share, count in zip(COVERAGES, counts, strict=True)
    ]


def score_pairs(readings: Readings) -> dict[str, Any]:
    """The same scene in other surroundings: how often the named metal flips."""
    by_name = {r.name: r for r in readings}
    both, kept, shifts = [], [], []
    for other in (r for r in readings if r.truth.get("role") == "flip"):
        stem, _, number = other.name.rpartition("-")
        first = by_name.get(f"{stem}-{int(number) - 1:05d}")
        if first is None:
            continue
        names = named(first), named(other)
        kept.append(names)
        if None not in names:
            both.append(names[0] != names[1])
        one, two = _chances(first), _chances(other)
        if one is not None and two is not None:
            shifts.append(abs(one[0] - two[0]))
    return {
        "pairs": len(kept),
        "both answered": describe_share([None not in names for names in kept]),
        "flips among both answered": describe_share(both),
        "any change of what is named": describe_share([one != two for one, two in kept]),
        "shift of the gold probability": describe_errors(shifts),
    }


def score_paint(readings: Readings, grey: Readings) -> dict[str, Any]:
    """Metal against paint, as read and with all colour taken out of the photo."""
    bare = [r for r in readings if not is_metal(r)]
    paints = sorted({str(r.truth["paint"]) for r in bare if r.truth.get("paint")})
    return {
        "metal against paint AUROC": _metal_auroc(readings),
        "with hue removed AUROC": _metal_auroc(grey),
        "metal claimed without any": describe_share([named(r) in METALS for r in bare]),
        "no metal said without any": describe_share([named(r) == "none" for r in bare]),
        "metal claimed by paint of the border": {
            paint: describe_share([named(r) in METALS for r in bare if r.truth.get("paint") == paint])
            for paint in paints
        },
    }


def _metal_auroc(readings: Readings) -> dict[str, Any]:
    judged = [(r, chances) for r in readings if (chances := _chances(r)) is not None]
    metal = [1 - chances[2] for r, chances in judged if is_metal(r)]
    paint = [1 - chances[2] for r, chances in judged if r.truth["trim"] == "paint"]
    if not metal or not paint:
        return {"n": [len(metal), len(paint)]}
    rng = np.random.default_rng(0)
    one, other = np.array(metal), np.array(paint)
    drawn = [area_under_curve(rng.choice(one, len(one)), rng.choice(other, len(other))) for _ in range(200)]
    low, high = np.percentile(drawn, [2.5, 97.5])
    return {
        "auroc": round(area_under_curve(one, other), 4),
        "interval_95": [round(float(low), 4), round(float(high), 4)],
        "n": [len(metal), len(paint)],
    }


def score_calibration(readings: Readings) -> dict[str, Any]:
    """Gold, platinum, no metal: all photos that were judged."""
    judged = [(chances, r) for r in readings if (chances := _chances(r)) is not None]
    names = ["no metal" if r.truth["metal"] == "none" else r.truth["metal"] for _, r in judged]
    truth = np.array([CLASSES.index(name) for name in names], int)
    table = describe_calibration(np.array([chances for chances, _ in judged]).reshape(-1, 3), truth)
    return table | {"judged": describe_share([_chances(r) is not None for r in readings])}


def score_wear(readings: Readings) -> dict[str, Any]:
    """Remaining share and sectors in points, worn against sound, the verdict "worn lustre"."""
    metal = [r for r in readings if is_metal(r) and r.truth["remaining_share"] is not None]
    shares = [(trim_of(r)["remaining_share"], r.truth["remaining_share"]) for r in metal]
    sectors = [error for r in metal for error in _sector_errors(r)]
    chances = [(trim_of(r)["worn_probability"], r.truth["state"] == "worn") for r in metal]
    worn = [c > SURE_RULE for c, is_worn in chances if c is not None and is_worn]
    sound = [c <= SURE_RULE for c, is_worn in chances if c is not None and not is_worn]
    told = [
        (trim_of(r)["verdict"], r.truth["state"]) for r in metal if trim_of(r)["verdict"] != "cannot tell"
    ]
    return {
        "remaining share told": describe_share([a is not None for a, _ in shares]),
        "remaining share error": describe_errors([abs(a - b) for a, b in shares if a is not None]),
        "sector error": describe_errors(sectors),
        "worn found": describe_share(worn),
        "sound found": describe_share(sound),
        "balanced": round((np.mean(worn) + np.mean(sound)) / 2, 4) if worn and sound else None,
        "worn lustre said on worn": describe_share([v == "worn lustre" for v, s in told if s == "worn"]),
        "worn lustre said on sound": describe_share([v == "worn lustre" for v, s in told if s == "sound"]),
    }


def _sector_errors(reading: PhotoReading) -> list[float]:
    read, truth = trim_of(reading)["sectors"], reading.truth["sectors"]
    if not read or not truth or len(read) != len(truth):
        return []
    pairs = [(a["remaining_share"], b["remaining_share"]) for a, b in zip(read, truth, strict=True)]
    return [abs(a - b) for a, b in pairs if a is not None and b is not None]


def score_lines(readings: Readings) -> dict[str, Any]:
    """Edge and verge lines: present, metal or paint, colour name."""
    looked = [r for r in readings if r.reading and r.reading["lines"] is not None]
    out: dict[str, Any] = {"looked": describe_share([r in looked for r in readings]) if readings else None}
    kinds, colours = [], []
    for place in ("edge", "verge"):
        pairs = [
            (_line(r.reading["lines"], place), _line(r.truth["lines"], place)) for r in looked if r.reading
        ]
        found = [a is not None for a, b in pairs if b is not None]
        clear = [a is None for a, b in pairs if b is None]
        balanced = (np.mean(found) + np.mean(clear)) / 2 if found and clear else float("nan")
        out[place] = {"found": describe_share(found), "none where none is": describe_share(clear)}
        out[place]["balanced"] = round(float(balanced), 4)
        both = [(a, b) for a, b in pairs if a is not None and b is not None]
        kinds += [(a in LINE_METALS) == (b in METALS) for a, b in both]
        colours += [a == b for a, b in both if b not in METALS]
    return out | {
        "metal or paint right": describe_share(kinds),
        "paint's colour name right": describe_share(colours),
    }


def _line(lines: list[dict[str, Any]], place: str) -> str | None:
    return next((str(line["colour"]) for line in lines if line["place"] == place), None)


def score_plain_rules(readings: Readings) -> dict[str, Any]:
    """Gold or platinum by one threshold half way between their blue-to-green ratios in white light."""
    metal = [r for r in readings if is_metal(r)]
    rules = (
        "absolute hue",
        "metal divided by glaze",
        "metal divided by paper",
        "metal divided by the true light",
    )
    out = {}
    for rule in rules:
        told = [(blue, r.truth["metal"]) for r in metal if (blue := _plain_blue(r, rule)) is not None]
        out[rule] = describe_share([(blue > HALF_WAY_BG) == (truth != "gold") for blue, truth in told])
    return out


def _plain_blue(reading: PhotoReading, rule: str) -> float | None:
    """Log of blue to green of the likeliest metal print, by the rule."""
    regions = [region for region in reading.regions if region["features"]]
    if not regions or reading.reading is None or reading.reading["light"] is None:
        return None
    features = max(regions, key=lambda region: float(region["metal_log_odds"]))["features"]
    if rule == "metal divided by glaze":
        return float(features["bg_to_glaze_q50"])
    seen = features["bg_line"] + float(log_chromaticity(reading.reading["light"]["white_rgb"])[1])
    if rule == "absolute hue":
        return float(seen)
    white = reading.paper_white if rule == "metal divided by paper" else reading.truth["white_rgb"]
    return None if white is None else float(seen - log_chromaticity(white)[1])
