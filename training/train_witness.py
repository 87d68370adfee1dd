"""Train the trim witness: ``python -m training.train_witness PACK... --out DIR --folds 4 --seconds-each 70``.

First the network on all photos; then one for each fold, which says what it thinks of the photos that it
never saw (kept in ``held_out.npz``; the calibration rests on them). Scenes and motifs are never split.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor

from training.network import MovingAverage
from training.witness_data import IGNORED, Photos, label_cells, lay_planes, load_photos, vary_photos
from training.witness_network import LABELS, VERDICTS, Witness

SEED = 11
LABEL_WEIGHTS = (0.25, 1.0, 1.0, 0.8)  # most cells are bare
PHOTO_WEIGHT, SMOOTHING = 0.6, 0.04
WARM_STEPS = 60


@dataclass(frozen=True)
class Run:
    """How long and how a network is trained."""

    seconds: float
    batch: int
    rate: float
    device: str
    steps: int | None = None


def split_folds(groups: list[str], folds: int) -> np.ndarray:
    """Fold (n,) of each photo; photos of a group share it."""
    names = sorted(set(groups))
    order = np.random.default_rng(SEED).permutation(len(names))
    fold = {names[i]: k % folds for k, i in enumerate(order)}
    return np.array([fold[group] for group in groups])


def train_network(photos: Photos, run: Run, seed: int) -> tuple[Witness, list[dict[str, float]]]:
    """Train on photos until the time (or the number of steps) is up; the averaged weights are returned."""
    torch.manual_seed(seed)
    rng = torch.Generator(device=run.device).manual_seed(seed)
    network = Witness().to(run.device).train()
    average = MovingAverage(network, 0.998 if run.steps is None else 0.9)
    optimiser = torch.optim.AdamW(network.parameters(), lr=run.rate, weight_decay=0.02)
    started, log = time.monotonic(), []
    for step, index in enumerate(_batches(len(photos), run.batch, rng, run.device)):
        share = (time.monotonic() - started) / run.seconds if run.steps is None else step / run.steps
        if share >= 1:
            break
        warm = min(1.0, (step + 1) / WARM_STEPS)
        for group in optimiser.param_groups:
            group["lr"] = run.rate * warm * (0.01 + 0.99 * 0.5 * (1 + np.cos(np.pi * share)))
        with torch.no_grad():
            planes, context, labels = vary_photos(photos.take(index), rng)
        loss, parts = measure_loss(network, planes, context, labels, photos.verdict[index], run.device)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimiser.step()
        average.update(network)
        if step % 50 == 0:
            log.append(
                {"step": step, "share": round(share, 3)} | {k: round(float(v), 4) for k, v in parts.items()}
            )
            print(log[-1], flush=True)
    final = Witness().to(run.device)
    final.load_state_dict(average.state)
    return final.eval(), log


def _batches(count: int, size: int, rng: torch.Generator, device: str) -> Iterator[Tensor]:
    """Index tensors, each photo once a round, without end."""
    size = min(size, count)
    while True:
        order = torch.randperm(count, generator=rng, device=device)
        for first in range(0, count - size + 1, size):
            yield order[first : first + size]


def measure_loss(
    network: Witness, planes: Tensor, context: Tensor, labels: Tensor, verdict: Tensor, device: str
) -> tuple[Tensor, dict[str, Tensor]]:
    """Cells and photos, each by cross-entropy."""
    with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
        photo, cells = network(planes, context)
    weight = torch.tensor(LABEL_WEIGHTS, device=labels.device)
    by_cell = torch.nn.functional.cross_entropy(cells.float(), labels, weight=weight, ignore_index=IGNORED)
    by_cell = torch.nan_to_num(by_cell)  # a batch may have no known cell
    by_photo = torch.nn.functional.cross_entropy(photo.float(), verdict, label_smoothing=SMOOTHING)
    return by_cell + PHOTO_WEIGHT * by_photo, {"cells": by_cell.detach(), "photos": by_photo.detach()}


@torch.no_grad()  # type: ignore[untyped-decorator]
def ask(network: Witness, photos: Photos, batch: int = 32) -> dict[str, np.ndarray]:
    """Photo logits (n, 3) under the light as read; chances of gold, platinum and paint, (n, k, 3, h, w) in
    255ths; how the cells were labelled, counts (n, 4, 4)."""
    logits, counts, chances = [], [], []
    for first in range(0, len(photos), batch):
        part = photos.take(range(first, min(first + batch, len(photos))))
        photo, cells = network(lay_planes(part, part.white[:, 0]), part.context)
        logits.append(photo.float().cpu().numpy())
        chance = (torch.softmax(cells.float(), dim=1)[:, 1:] * 255).round().to(torch.uint8)
        chances.append(chance.reshape(len(part), -1, *chance.shape[1:]).cpu().numpy())
        truth, said = label_cells(part), cells.argmax(dim=1)
        both = torch.where(truth == IGNORED, -1, truth * len(LABELS) + said).reshape(len(part), -1)
        counts += [torch.bincount(b[b >= 0], minlength=len(LABELS) ** 2).cpu().numpy() for b in both]
    return {
        "logits": np.concatenate(logits),
        "cells": np.stack(counts).reshape(-1, len(LABELS), len(LABELS)),
        "chances": np.concatenate(chances),
    }


def score(told: dict[str, np.ndarray], photos: Photos) -> dict[str, Any]:
    """How well gold and platinum, and metal and none, part; how well cells are labelled."""
    verdict = photos.verdict.cpu().numpy()
    gold = told["logits"][:, 0] - told["logits"][:, 1]
    metal = np.logaddexp(told["logits"][:, 0], told["logits"][:, 1]) - told["logits"][:, 2]
    counts = told["cells"].sum(axis=0)
    hit, said, true = np.diag(counts), counts.sum(axis=0), counts.sum(axis=1)
    overlap = hit / np.maximum(said + true - hit, 1)
    is_metal = verdict < VERDICTS.index("no metal")
    return {
        "photos": len(verdict),
        "gold AUROC": area_under_curve(gold[is_metal], verdict[is_metal] == 0),
        "metal AUROC": area_under_curve(metal, is_metal),
        "overlap of labels": {n: round(float(v), 4) for n, v in zip(LABELS, overlap, strict=True)},
    }


def area_under_curve(value: np.ndarray, positive: np.ndarray) -> float:
    """Chance that a positive's value lies over a negative's (no ties expected); nan with one kind only."""
    rank = np.argsort(np.argsort(value)) + 1.0
    ups, downs = int(positive.sum()), int((~positive).sum())
    if min(ups, downs) == 0:
        return float("nan")
    return round(float((rank[positive].sum() - ups * (ups + 1) / 2) / (ups * downs)), 4)


def run_folds(photos: Photos, run: Run, folds: int) -> tuple[dict[str, np.ndarray], dict[str, Any]]:
    """What networks say of photos that each never saw."""
    fold = split_folds([fact["group"] for fact in photos.facts], folds)
    told: dict[str, np.ndarray] = {}
    for k in range(folds):
        network, _ = train_network(photos.take(np.flatnonzero(fold != k).tolist()), run, SEED + k)
        hold = np.flatnonzero(fold == k)
        for name, values in ask(network, photos.take(hold.tolist())).items():
            told.setdefault(name, np.zeros((len(photos), *values.shape[1:]), values.dtype))[hold] = values
        print(
            {"fold": k} | score({n: v[hold] for n, v in told.items()}, photos.take(hold.tolist())), flush=True
        )
    return told | {"fold": fold}, score(told, photos)


def keep_answers(asked: list[tuple[list[dict[str, Any]], dict[str, np.ndarray]]], path: Path) -> None:
    """All answers about photos that the answering network never saw, in one file."""
    if asked:
        names = np.array([fact["name"] for facts, _ in asked for fact in facts])
        joined: dict[str, Any] = {
            key: np.concatenate([answers[key] for _, answers in asked]) for key in asked[0][1]
        }
        np.savez(path, names=names, **joined)


def main() -> None:
    """The final network, then the folds; all is written to ``--out``."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("packs", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--choose", type=Path, nargs="+", help="packs to answer for, never trained on")
    parser.add_argument("--folds", type=int, default=4, help="0: the final network only")
    parser.add_argument("--seconds-each", type=float, default=70.0)
    parser.add_argument("--steps", type=int, help="instead of seconds, for trials")
    parser.add_argument("--batch", type=int, default=48)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--limit", type=int)
    told = parser.parse_args()
    told.out.mkdir(parents=True, exist_ok=True)
    photos = load_photos(told.packs, told.device, told.limit)
    print(f"{len(photos)} photos", flush=True)
    run = Run(told.seconds_each, told.batch, told.rate, told.device, told.steps)
    record: dict[str, Any] = {"photos": len(photos), "seed": SEED, "torch": torch.__version__}
    record["device"] = torch.cuda.get_device_name() if told.device == "cuda" else "cpu"
    asked: list[tuple[list[dict[str, Any]], dict[str, np.ndarray]]] = []
    network, record["log"] = train_network(photos, run, SEED + 100)
    state = {name: value.cpu() for name, value in network.state_dict().items()}
    torch.save(state, told.out / "witness.pt")
    record["on its own photos"] = score(ask(network, photos), photos)
    if told.choose:
        others = load_photos(told.choose, told.device, told.limit)
        answers = ask(network, others)
        record["photos to choose by"] = score(answers, others)
        print(record["photos to choose by"], flush=True)
        asked.append((others.facts, answers | {"fold": np.full(len(others), -1)}))
    if told.folds:
        held_out, record["held out"] = run_folds(photos, run, told.folds)
        print(record["held out"], flush=True)
        asked.append((photos.facts, held_out))
    keep_answers(asked, told.out / "held_out.npz")
    (told.out / "witness_run.json").write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
