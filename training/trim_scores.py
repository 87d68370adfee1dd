"""Score light, metal and wear against the truth, with intervals, by light and glaze, beside naive rules."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import beta  # type: ignore[import-untyped]
from sklearn.metrics import roc_auc_score

from model.colour import GOLD_LINEAR_RGB, PLATINUM_LINEAR_RGB, log_chromaticity
from model.scene_statistics import STATISTICS
from training.fit_light import offset_of, true_white, white_error_deg
from training.judged_photo import Judged, is_answered, is_wrong
from training.trim_features_table import PhotoRow

Array = npt.NDArray[np.float64]

BINS = 15
KINDS = ("paper", "paper:looked for", "highlights", "highlights:tinted glaze", "glaze")
HALF_WAY_BG = float(np.mean(log_chromaticity([GOLD_LINEAR_RGB, PLATINUM_LINEAR_RGB])[:, 1]))


def interval(hits: int, n: int) -> list[float]:
    """Exact two-sided 95 % binomial interval (Clopper & Pearson 1934)."""
    if n == 0:
        return [0.0, 1.0]
    low = 0.0 if hits == 0 else float(beta.ppf(0.025, hits, n - hits + 1))
    high = 1.0 if hits == n else float(beta.ppf(0.975, hits + 1, n - hits))
    return [round(low, 4), round(high, 4)]


def share(flags: list[bool]) -> dict[str, Any]:
    """A share with its n and interval."""
    hits, n = int(np.sum(flags)), len(flags)
    return {"share": round(hits / n, 4) if n else None, "n": n, "interval95": interval(hits, n)}


def score_light(rows: list[PhotoRow]) -> dict[str, Any]:
    """Angular error of the white point, with and without paper in the frame, and of naive rules."""
    groups = {
        "all": rows,
        "paper in the frame": [row for row in rows if row.truth["paper"]],
        "no paper": [row for row in rows if not row.truth["paper"]],
    }
    out: dict[str, Any] = {}
    for name, members in groups.items():
        out[name] = {
            "fused": _angles([white_error_deg(row.white, row) for row in members]),
            "covered": share([white_error_deg(row.white, row) <= row.uncertainty_deg for row in members]),
            "stated median deg": _median([row.uncertainty_deg for row in members]),
            "camera's balance trusted": _angles([white_error_deg([1, 1, 1], row) for row in members]),
            "grey world": _angles(_by_statistic(members, "scene_mean")),
            "greyest pixels": _angles(_by_statistic(members, "greyest")),
            **{kind: _angles(_by_kind(members, kind)) for kind in KINDS},
        }
    return out


def _by_kind(rows: list[PhotoRow], kind: str) -> list[float]:
    colours = [(offset_of(row, kind) + true_white(row), row) for row in rows if kind in row.evidence]
    return [white_error_deg(np.exp([colour[0], 0.0, colour[1]]), row) for colour, row in colours]


def _by_statistic(rows: list[PhotoRow], name: str) -> list[float]:
    first = STATISTICS.index(f"{name}_rg")
    colours = [(row.evidence["scene"][first], row.evidence["scene"][first + 1], row) for row in rows]
    return [white_error_deg(np.exp([red, 0.0, blue]), row) for red, blue, row in colours if np.isfinite(red)]


def _angles(errors: list[float]) -> dict[str, Any]:
    if not errors:
        return {"n": 0}
    ordered = np.sort(errors)
    worst = ordered[-max(1, len(ordered) // 4) :]
    return {
        "median": round(float(np.median(ordered)), 2),
        "mean": round(float(ordered.mean()), 2),
        "worst quarter": round(float(worst.mean()), 2),
        "n": len(errors),
    }


def _median(values: list[float]) -> float | None:
    return round(float(np.median(values)), 2) if values else None


def score_trim(judged: list[Judged]) -> dict[str, Any]:
    """Wrong among answered, share answered, by light and by glaze; paint; calibration; wear."""
    metal = [j for j in judged if j.row.truth["metal"] != "none"]
    answered = [j for j in metal if is_answered(j)]
    return {
        "n": len(judged),
        "metal pieces answered": share([is_answered(j) for j in metal]),
        "wrong metal among answered": share([is_wrong(j) for j in answered]),
        "unmetalled pieces answered": share([j.verdict == "no metal" for j in _without(judged)]),
        "metal claimed on unmetalled": share(
            [j.verdict not in ("no metal", "cannot tell") for j in _without(judged)]
        ),
        "by light": _by(metal, lambda j: j.row.truth["light"]),
        "by glaze": _by(metal, lambda j: j.row.truth["glaze"]),
        "by paper": _by(metal, lambda j: "paper" if j.row.truth["paper"] else "no paper"),
        "by difficulty": _by(metal, lambda j: str(j.row.truth.get("difficulty"))),
        "metal against no metal AUROC": _auroc(judged, lambda j: 1 - j.chances["no metal"], _is_metal),
        "gold against platinum AUROC": _auroc(
            metal, lambda j: _gold_part(j), lambda j: j.row.truth["metal"] == "gold"
        ),
        "calibration": score_calibration(judged),
        "risk and coverage": risk_coverage(metal),
        "wear": score_wear(metal),
    }


def _without(judged: list[Judged]) -> list[Judged]:
    return [j for j in judged if not _is_metal(j)]


def _is_metal(judged: Judged) -> bool:
    return bool(judged.row.truth["metal"] != "none")


def _gold_part(judged: Judged) -> float:
    return judged.chances["gold"] / (judged.chances["gold"] + judged.chances["platinum"] + 1e-12)


def _by(judged: list[Judged], key: Callable[[Judged], str]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for name in sorted({key(j) for j in judged}):
        members = [j for j in judged if key(j) == name]
        answered = [j for j in members if is_answered(j)]
        out[name] = {
            "answered": share([is_answered(j) for j in members]),
            "wrong": share([is_wrong(j) for j in answered]),
        }
    return out


def _auroc(
    judged: list[Judged], score: Callable[[Judged], float], truth: Callable[[Judged], bool]
) -> float | None:
    flags = [truth(j) for j in judged]
    if len(set(flags)) < 2:
        return None
    return round(float(roc_auc_score(flags, [score(j) for j in judged])), 4)


def score_calibration(judged: list[Judged]) -> dict[str, Any]:
    """Expected calibration error of the likeliest answer (equal-mass bins), its floor, Brier, log loss."""
    names = ("gold", "platinum", "no metal")
    chances = np.array([[j.chances[name] for name in names] for j in judged])
    truth = np.array([names.index(_truth_name(j)) for j in judged])
    top, right = chances.max(1), chances.argmax(1) == truth
    rng = np.random.default_rng(3)
    floor = np.mean([_ece(top, rng.random(len(top)) < top) for _ in range(200)])
    hit = chances[np.arange(len(truth)), truth]
    return {
        "n": len(judged),
        "expected calibration error": round(_ece(top, right), 4),
        "of a perfectly calibrated model": round(float(floor), 4),
        "brier": round(float(((chances - np.eye(3)[truth]) ** 2).sum(1).mean()), 4),
        "log loss": round(float(-np.log(np.maximum(hit, 1e-9)).mean()), 4),
    }


def _truth_name(judged: Judged) -> str:
    metal = str(judged.row.truth["metal"])
    return "no metal" if metal == "none" else metal


def _ece(top: Array, right: npt.NDArray[np.bool_]) -> float:
    parts = np.array_split(np.argsort(top, kind="stable"), BINS)
    gaps = [abs(top[part].mean() - right[part].mean()) * len(part) for part in parts if len(part)]
    return float(np.sum(gaps) / len(top))


def risk_coverage(metal: list[Judged]) -> list[dict[str, float]]:
    """Wrong among answered if the surest share of the metal pieces is answered, whatever the threshold."""
    if not metal:
        return []
    sure = np.array([max(j.chances.values()) for j in metal])
    names = [max(j.chances, key=lambda name: j.chances[name]) for j in metal]
    wrong = np.array([name != _truth_name(j) for name, j in zip(names, metal, strict=True)])
    order = np.argsort(-sure, kind="stable")
    out = []
    for covered in (0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 1.0):
        count = max(1, round(covered * len(metal)))
        out.append({"answered": covered, "wrong": round(float(wrong[order[:count]].mean()), 4)})
    return out


def score_wear(metal: list[Judged]) -> dict[str, Any]:
    """How often the remaining share is told, errors of it and of the sectors; worn against sound."""
    known = [j for j in metal if j.row.truth["remaining_share"] is not None]
    told = [(j.wear, j.row.truth) for j in known if j.wear is not None]
    shares = [abs(wear.remaining_share - truth["remaining_share"]) for wear, truth in told]
    sectors = [
        abs(float(a) - b)
        for wear, truth in told
        for a, b in zip(wear.sector_shares, truth["sectors"], strict=True)
        if np.isfinite(a) and b is not None
    ]
    chances = [(wear.worn_chance, truth["worn"]) for wear, truth in told]
    worn = [chance > 0.5 for chance, is_worn in chances if is_worn]
    sound = [chance <= 0.5 for chance, is_worn in chances if not is_worn]
    said = [(j.verdict == "worn lustre", j.row.truth["worn"]) for j in known]
    return {
        "told": share([j.wear is not None for j in known]),
        "remaining share mean absolute error": round(float(np.mean(shares)), 4) if shares else None,
        "sector mean absolute error": round(float(np.mean(sectors)), 4) if sectors else None,
        "worn found": share(worn),
        "sound found": share(sound),
        "worn lustre said on worn": share([s for s, is_worn in said if is_worn]),
        "worn lustre said on sound": share([s for s, is_worn in said if not is_worn]),
    }


def score_naive(rows: list[PhotoRow]) -> dict[str, Any]:
    """Gold or platinum by one threshold half way between their blue-to-green ratios in white light."""
    out: dict[str, Any] = {}
    for name in (
        "absolute hue",
        "metal divided by glaze",
        "metal divided by paper",
        "metal divided by the true light",
    ):
        flags = [flag for row in rows if (flag := _naive_right(row, name)) is not None]
        out[name] = {"right": share(flags)}
    return out


def _naive_right(row: PhotoRow, rule: str) -> bool | None:
    if row.truth["metal"] == "none":
        return None
    regions = [r for r in row.regions if r["features"] and r["label"] == row.truth["metal"]]
    if not regions:
        return None
    features = max(regions, key=lambda r: r["features"]["core_count_log"])["features"]
    absolute = features["bg_line"] + float(log_chromaticity(row.white)[1])
    if rule == "absolute hue":
        blue = absolute
    elif rule == "metal divided by glaze":
        blue = features["bg_to_glaze_q50"]
    elif rule == "metal divided by paper":
        sheet = row.evidence.get("paper", row.evidence.get("paper:looked for"))
        if sheet is None or not row.truth["paper"]:
            return None
        kind = "paper" if "paper" in row.evidence else "paper:looked for"
        blue = absolute - float((offset_of(row, kind) + true_white(row))[1])
    else:
        blue = absolute - float(log_chromaticity(row.truth["white_rgb"])[1])
    return bool((blue < HALF_WAY_BG) == (row.truth["metal"] == "gold"))
