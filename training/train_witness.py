"""Train the witness: ``python -m training.train_witness PACK... --out DIR --seconds 500``.

``--hold 0 --folds 3`` leaves a third of the scenes and motifs out and keeps what the network says of them in
``held_out_fold_0.npz``, ``--choose PACK`` what the final one says of others: calibrations rest on answers
about photos that the answering network never saw.
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

from model.strip_labels import MATERIALS, ROLES
from model.witness_input import MOST_WINDOWS
from training.intervals import area_under_curve
from training.network import MovingAverage
from training.witness_data import IGNORED, Labels, Photos, label_cells, lay_planes, load_photos, vary_photos
from training.witness_network import VERDICTS, WHOLE, Witness

SEED = 11
MATERIAL_WEIGHTS = (0.25, 1.0, 1.0, 0.8)  # most cells are bare
ROLE_WEIGHTS = (0.25, 1.0, 1.0, 1.0)
# Of the other parts of the loss beside the materials (own choice); label smoothing of the verdict.
ROLE_SHARE, BAND_SHARE, PHOTO_SHARE, WHOLE_SHARE, SMOOTHING = 0.7, 0.5, 0.6, 0.3, 0.04
WINDOWS_EACH = 4  # of a photo in training; asked, it shows all
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
    average = MovingAverage(network, 0.998 if (run.steps or 10**9) > 1000 else 0.9)
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
            batch = photos.take(index).draw_windows(WINDOWS_EACH, rng)
            planes, context, labels = vary_photos(batch, rng)
        loss, parts = measure_loss(network, planes, context, labels, batch, run.device)
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
    network: Witness, planes: Tensor, context: Tensor, labels: Labels, photos: Photos, device: str
) -> tuple[Tensor, dict[str, Tensor]]:
    """Cells and photos, each by cross-entropy."""
    cross_entropy = torch.nn.functional.cross_entropy
    with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
        verdict, whole, cells = network(planes, context)
    cells = cells.float()
    weights = [torch.tensor(w, device=cells.device) for w in (MATERIAL_WEIGHTS, ROLE_WEIGHTS)]
    materials, roles, row = cells.split([len(MATERIALS), len(ROLES), 1], dim=1)
    parts = {
        "materials": cross_entropy(materials, labels.material, weight=weights[0], ignore_index=IGNORED),
        "roles": cross_entropy(roles, labels.role, weight=weights[1], ignore_index=IGNORED),
        "band": _binary(row[:, 0], torch.where(labels.band == IGNORED, torch.nan, labels.band.float())),
        "photos": cross_entropy(verdict.float(), photos.verdict, label_smoothing=SMOOTHING),
        "whole": _binary(whole.float(), photos.whole),
    }
    parts = {name: torch.nan_to_num(value) for name, value in parts.items()}  # nothing may be known
    shares = {"materials": 1.0, "roles": ROLE_SHARE, "band": BAND_SHARE}
    shares |= {"photos": PHOTO_SHARE, "whole": WHOLE_SHARE}
    loss = sum((shares[name] * value for name, value in parts.items()), torch.zeros((), device=cells.device))
    return loss, {name: value.detach() for name, value in parts.items()}


def _binary(logits: Tensor, target: Tensor) -> Tensor:
    """Mean binary cross-entropy where the target is known (not nan)."""
    known = torch.isfinite(target)
    goal = torch.where(known, target, torch.zeros_like(target))
    each = torch.nn.functional.binary_cross_entropy_with_logits(logits, goal, reduction="none")
    return (each * known).sum() / known.sum().clamp(min=1)


@torch.no_grad()  # type: ignore[untyped-decorator]
def ask(network: Witness, photos: Photos, batch: int = 16) -> dict[str, np.ndarray]:
    """What the network says under the light as read: logits "verdict" (n, 3) and "whole" (n, 2), chances
    "cells" (n, k, 9, h/2, w/2) in 255ths; "materials" and "roles" (n, 4, 4) count cells as they are and as
    they are called."""
    answers: dict[str, list[np.ndarray]] = {}
    for first in range(0, len(photos), batch):
        part = photos.take(range(first, min(first + batch, len(photos))))
        verdict, whole, cells = network(lay_planes(part, part.white[:, 0]), part.context)
        materials, roles, row = cells.float().split([len(MATERIALS), len(ROLES), 1], dim=1)
        chances = torch.cat([materials.softmax(dim=1), roles.softmax(dim=1), row.sigmoid()], dim=1)
        chances = (chances * 255).round().to(torch.uint8).reshape(len(part), MOST_WINDOWS, *cells.shape[1:])
        truth = label_cells(part)
        told = {"verdict": verdict.float(), "whole": whole.float(), "cells": chances}
        told |= {"materials": _count(truth.material, materials, len(part))}
        told |= {"roles": _count(truth.role, roles, len(part))}
        for name, value in told.items():
            answers.setdefault(name, []).append(value.cpu().numpy())
    return {name: np.concatenate(values) for name, values in answers.items()}


def _count(truth: Tensor, logits: Tensor, photos: int) -> Tensor:
    """(photos, c, c) cells by what they are and what they are called."""
    kinds = logits.shape[1]
    both = torch.where(truth == IGNORED, -1, truth * kinds + logits.argmax(dim=1)).reshape(photos, -1)
    rows = [torch.bincount(b[b >= 0], minlength=kinds**2) for b in both]
    return torch.stack(rows).reshape(-1, kinds, kinds)


def score(told: dict[str, np.ndarray], photos: Photos) -> dict[str, Any]:
    """How well gold and platinum, and metal and none, part; how well cells are labelled."""
    verdict, whole = photos.verdict.cpu().numpy(), photos.whole.cpu().numpy()
    logits = told["verdict"]
    gold = logits[:, 0] - logits[:, 1]
    metal = np.logaddexp(logits[:, 0], logits[:, 1]) - logits[:, 2]
    is_metal, known = verdict < VERDICTS.index("no metal"), np.isfinite(whole[:, 0])
    left = 1 / (1 + np.exp(-told["whole"][known, WHOLE.index("remaining share")]))
    return {
        "photos": len(verdict),
        "gold AUROC": _part(gold[is_metal], verdict[is_metal] == 0),
        "metal AUROC": _part(metal, is_metal),
        "worn AUROC": _part(told["whole"][known, WHOLE.index("worn")], whole[known, 1] > 0.5),
        "error of remaining share": round(float(np.abs(left - whole[known, 0]).mean()), 4),
        "overlap of materials": _overlaps(told["materials"], MATERIALS),
        "overlap of roles": _overlaps(told["roles"], ROLES),
    }


def _overlaps(counts: np.ndarray, names: tuple[str, ...]) -> dict[str, float]:
    total = counts.sum(axis=0)
    hit, said, true = np.diag(total), total.sum(axis=0), total.sum(axis=1)
    overlap = hit / np.maximum(said + true - hit, 1)
    return {name: round(float(value), 4) for name, value in zip(names, overlap, strict=True)}


def _part(value: np.ndarray, positive: np.ndarray) -> float:
    """Area under the curve that parts positives from the others, (n,) each; nan with one kind only."""
    if positive.all() or not positive.any():
        return float("nan")
    return round(area_under_curve(value[positive], value[~positive]), 4)


def main() -> None:
    """One network, on all photos or on those outside a fold; all is written to ``--out``."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("packs", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--choose", type=Path, help="a pack to answer for, never trained on")
    parser.add_argument("--hold", type=int, help="the fold to leave out and answer for; none: train on all")
    parser.add_argument("--folds", type=int, default=3)
    parser.add_argument("--seconds", type=float, default=500.0)
    parser.add_argument("--steps", type=int, help="instead of seconds, for trials")
    parser.add_argument("--batch", type=int, default=48)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--limit", type=int)
    told = parser.parse_args()
    told.out.mkdir(parents=True, exist_ok=True)
    photos = load_photos(told.packs, told.device, told.limit)
    fold = split_folds([fact["group"] for fact in photos.facts], told.folds)
    seen = photos if told.hold is None else photos.take(np.flatnonzero(fold != told.hold).tolist())
    print(f"{len(seen)} of {len(photos)} photos to train on", flush=True)
    run = Run(told.seconds, told.batch, told.rate, told.device, told.steps)
    record: dict[str, Any] = {"photos": len(seen), "seed": SEED, "torch": torch.__version__}
    record["device"] = torch.cuda.get_device_name() if told.device == "cuda" else "cpu"
    name = "witness" if told.hold is None else f"fold_{told.hold}"
    network, record["log"] = train_network(seen, run, SEED + (100 if told.hold is None else told.hold))
    torch.save({k: v.cpu() for k, v in network.state_dict().items()}, told.out / f"{name}.pt")
    if told.hold is None:
        record["on its own photos"] = score(ask(network, photos), photos)
    others = _held_out(told, photos, fold)
    if others is not None:
        answers = ask(network, others)
        record["held out"] = score(answers, others)
        names = np.array([fact["name"] for fact in others.facts])
        np.savez(told.out / f"held_out_{name}.npz", names=names, **answers)
    print({k: v for k, v in record.items() if k != "log"}, flush=True)
    (told.out / f"{name}_run.json").write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")


def _held_out(told: argparse.Namespace, photos: Photos, fold: np.ndarray) -> Photos | None:
    """The photos to answer for: those of the fold, or those of the pack to choose by."""
    if told.hold is not None:
        return photos.take(np.flatnonzero(fold == told.hold).tolist())
    return None if told.choose is None else load_photos([told.choose], told.device, told.limit)


if __name__ == "__main__":
    main()
