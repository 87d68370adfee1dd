"""What every exam's result file says: how it was made, shares and errors with intervals, one row a photo."""

from __future__ import annotations

import json
import os
import platform
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import beta  # type: ignore[import-untyped]

from training.exam_readings import hash_model
from training.json_lines import write_rows

SEED = 5
BOOTSTRAP_ROUNDS = 1000
BINS = 15


def describe_run(folder: Path, count: int) -> dict[str, Any]:
    """Set, n, seed, commit, hash of the model, machine, colour space."""
    git = ["git", "rev-parse", "--short=12", "HEAD"]
    found = subprocess.run(git, capture_output=True, text=True, check=False, cwd=Path(__file__).parent)
    return {
        "set": folder.name,
        "pictures": "rendered, phone pipeline simulated, JPEG in sRGB or Display P3",
        "n": count,
        "seed": SEED,
        "commit": found.stdout.strip() or "unknown",
        "model": hash_model(),
        "machine": f"{platform.machine()}, {os.cpu_count()} cores",
    }


def write_result(target: Path, result: dict[str, Any], photos: list[dict[str, Any]]) -> None:
    """Write the tables, and one line a photo into NAME.photos.jsonl.gz beside them."""
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(json.dumps(round_numbers(result), indent=1) + "\n", encoding="utf-8")
    write_rows(target.with_suffix(".photos.jsonl.gz"), [round_numbers(photo) for photo in photos])


def round_numbers(value: Any) -> Any:
    """Numbers to four places, numpy's as Python's, "not a number" as null."""
    if isinstance(value, dict):
        return {name: round_numbers(part) for name, part in value.items()}
    if isinstance(value, list | tuple):
        return [round_numbers(part) for part in value]
    if isinstance(value, float | np.floating):
        return round(float(value), 4) if np.isfinite(value) else None
    return int(value) if isinstance(value, np.integer) else value


def describe_errors(errors: npt.ArrayLike, seed: int = SEED) -> dict[str, Any]:
    """Median, mean and mean of the worst quarter, with 95 % bootstrap intervals."""
    values = np.asarray(errors, float)
    if values.size == 0:
        return {"n": 0}
    rng = np.random.default_rng(seed)
    drawn = values[rng.integers(values.size, size=(BOOTSTRAP_ROUNDS, values.size))]
    out: dict[str, Any] = {"n": int(values.size)}
    for name, measure in (("median", _median), ("mean", _mean), ("worst quarter", _worst_quarter)):
        low, high = np.percentile(measure(drawn), [2.5, 97.5])
        out[name] = round(float(measure(values[None])[0]), 4)
        out[f"{name} interval_95"] = [round(float(low), 4), round(float(high), 4)]
    return out


def _median(rows: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.asarray(np.median(rows, axis=1))


def _mean(rows: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.asarray(rows.mean(axis=1))


def _worst_quarter(rows: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    count = max(1, rows.shape[1] // 4)
    return np.asarray(np.partition(rows, -count, axis=1)[:, -count:].mean(axis=1))


def upper_bound(hits: int, total: int) -> float:
    """One-sided 95 % bound of a share (Clopper & Pearson 1934)."""
    return 1.0 if hits >= total else round(float(beta.ppf(0.95, hits + 1, total - hits)), 5)


def describe_calibration(
    chances: npt.NDArray[np.float64], truth: npt.NDArray[np.int_], seed: int = SEED
) -> dict[str, Any]:
    """Expected calibration error of the likeliest answer, its floor, Brier, log loss, reliability by bin.

    Parameters
    ----------
    chances : (n, k), rows sum to 1. truth : (n,) column of the right answer.

    The floor is what a perfectly calibrated model with the same chances scores, by simulation.
    """
    if len(truth) == 0:
        return {"n": 0}
    top, right = chances.max(1), chances.argmax(1) == truth
    rng = np.random.default_rng(seed)
    floor = [calibration_error(top, rng.random(len(top)) < top) for _ in range(200)]
    hit = chances[np.arange(len(truth)), truth]
    wanted = np.eye(chances.shape[1])[truth]
    return {
        "n": len(truth),
        "expected calibration error": round(calibration_error(top, right), 4),
        "of a perfectly calibrated model": round(float(np.mean(floor)), 4),
        "brier": round(float(((chances - wanted) ** 2).sum(1).mean()), 4),
        "log loss": round(float(-np.log(np.maximum(hit, 1e-9)).mean()), 4),
        "reliability": [
            {"said": round(float(top[part].mean()), 4), "right": round(float(right[part].mean()), 4)}
            for part in _equal_bins(top)
        ],
    }


def _equal_bins(top: npt.NDArray[np.float64]) -> list[npt.NDArray[np.intp]]:
    return [part for part in np.array_split(np.argsort(top, kind="stable"), BINS) if len(part)]


def calibration_error(top: npt.NDArray[np.float64], right: npt.NDArray[np.bool_]) -> float:
    """Expected calibration error over 15 bins of equal mass."""
    gaps = [abs(float(top[part].mean() - right[part].mean())) * len(part) for part in _equal_bins(top)]
    return float(np.sum(gaps) / len(top))
