"""Train the segmenter on composed and rendered pictures: ``python -m training.train_segmenter --out DIR``.

Reads top to bottom. Composed batches are new; the held-out ones have seeds of their own, and rendered
scenes are held out by scene. Of the averaged weights measured in the second half, the best on held-out
rendered scenes are kept.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from pathlib import Path

import numpy as np
import torch

from training.config import BACKBONE_VARIABLE
from training.network import MovingAverage
from training.piece_rendered import Rendered, draw_rendered, load_rendered
from training.piece_scenes import Scenes, compose_scenes
from training.segmenter import Segmenter, segmentation_loss, voting_loss
from training.segmenter_scores import measure_composed, measure_rendered, rank_of

SIZES = ((224, 288), (288, 224), (256, 256), (192, 288), (256, 320), (320, 256), (352, 288), (288, 352))
AVERAGE_EVERY = 4  # steps: copying hundreds of small tensors takes as long as a step
POOL_BATCHES = 48
QUARTER_ODDS = (0.55, 0.15, 0.15, 0.15)  # of quarter turns: people hold phones upright, mostly


def main() -> None:  # noqa: C901 - a training loop reads best in one piece
    """Train for a time, measure, save."""
    told = _arguments()
    told.out.mkdir(parents=True, exist_ok=True)
    torch.manual_seed(told.seed)
    network = Segmenter()
    if told.start is not None:
        network.load_state_dict(torch.load(told.start, map_location="cpu", weights_only=True), strict=True)
    elif os.environ.get(BACKBONE_VARIABLE):
        network.start_from_imagenet(Path(os.environ[BACKBONE_VARIABLE]))
    network.to(told.device).train()  # channels last would cost minutes at the first steps of each size
    optimizer = torch.optim.AdamW(
        network.parameters(), lr=told.rate, weight_decay=1e-4, fused=told.device == "cuda"
    )
    average = MovingAverage(network, 0.99)
    rng = np.random.default_rng(told.seed)
    rendered = load_rendered(told.rendered, told.device, held_out=False) if told.rendered else None
    held_out = load_rendered(told.rendered, told.device, held_out=True) if told.rendered else None
    pool: dict[int, Scenes] = {}
    kept: tuple[float, dict[str, torch.Tensor]] | None = None
    started, step, composed, log, composing = time.monotonic(), 0, 0, [], 0.0
    next_look = 0.5 * told.seconds
    while (spent := time.monotonic() - started) < told.seconds:
        for group in optimizer.param_groups:
            group["lr"] = _rate(told.rate, spent / told.seconds, step)
        if rendered is not None and rng.random() < told.rendered_share:
            height, width = SIZES[int(rng.integers(len(SIZES)))]
            scenes = draw_rendered(rendered, told.batch, height, width, rng)
        else:
            if composed % told.uses == 0 or len(pool) < 2:
                place = len(pool) if len(pool) < POOL_BATCHES else int(rng.integers(POOL_BATCHES))
                height, width = SIZES[int(rng.integers(len(SIZES)))]
                seed = told.seed * 1_000_003 + step
                before = _clock(told.device)
                pool[place] = _halve(compose_scenes(told.batch, height, width, seed, told.device))
                composing += _clock(told.device) - before
            composed += 1
            scenes = pool[int(rng.integers(len(pool)))]
        scenes = vary(scenes, rng)
        with torch.autocast(told.device, dtype=torch.bfloat16, enabled=told.device == "cuda"):
            logits, votes = network(scenes.pictures.contiguous())
        loss = segmentation_loss(logits.float(), scenes.targets) + told.voting * voting_loss(
            votes.float(), scenes.targets, scenes.lips, scenes.kind, scenes.present
        )
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimizer.step()
        if step % AVERAGE_EVERY == 0:
            average.update(network)
        if step % 100 == 0:
            log.append({"step": step, "seconds": round(spent, 1), "loss": round(loss.item(), 4)})
            log[-1]["composing seconds"] = round(composing, 1)
            log[-1]["pictures per second"] = round(step * told.batch / max(spent, 1e-3))
            print(log[-1], flush=True)
        if spent > next_look and held_out is not None:
            kept = _keep_better(kept, average, held_out, told.device)
            _save(kept[1], told.out)  # a run that is cut short has lost little
            next_look += max(0.1 * told.seconds, 1.0)
        step += 1
    kept = _keep_better(kept, average, held_out, told.device)
    network.load_state_dict(kept[1])
    network.to(told.device).eval()
    scores = measure_composed(network, told.device, min(told.batch, 32), told.held_out, SIZES)
    if held_out is not None:
        scores |= measure_rendered(network, held_out)
    print(json.dumps(scores, indent=1))
    _save(kept[1], told.out)
    record = {
        "seed": told.seed,
        "steps": step,
        "batch": told.batch,
        "pictures": step * told.batch,
        "seconds": round(time.monotonic() - started),
        "composing_seconds": round(composing),
        "torch": torch.__version__,
        "device": torch.cuda.get_device_name() if told.device == "cuda" else "cpu",
        "scores": scores,
        "log": log[:: max(1, len(log) // 40)],
    }
    (told.out / "segmenter_run.json").write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=420.0)
    parser.add_argument("--batch", type=int, default=96)
    parser.add_argument("--uses", type=int, default=5, help="steps a composed batch is good for")
    parser.add_argument("--rendered", type=Path, nargs="+", help="packed rendered pictures to mix in")
    parser.add_argument("--rendered-share", type=float, default=0.35)
    parser.add_argument("--rate", type=float, default=2.5e-3)
    parser.add_argument("--voting", type=float, default=0.15, help="weight of the votes beside the maps")
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--held-out", type=int, default=16, help="held-out composed batches to measure on")
    parser.add_argument("--start", type=Path, help="state of an earlier run to go on from")
    return parser.parse_args()


def _clock(device: str) -> float:
    """Seconds, after all that the device was told is done."""
    if device == "cuda":
        torch.cuda.synchronize()
    return time.monotonic()


def _save(state: dict[str, torch.Tensor], folder: Path) -> None:
    torch.save({name: value.cpu() for name, value in state.items()}, folder / "segmenter.pt")


def _halve(scenes: Scenes) -> Scenes:
    """The same with pictures and targets at half precision, to lie in the pool."""
    return Scenes(scenes.pictures.half(), scenes.targets.half(), scenes.lips, scenes.kind, scenes.present)


def _keep_better(
    kept: tuple[float, dict[str, torch.Tensor]] | None,
    average: MovingAverage,
    held_out: Rendered | None,
    device: str,
) -> tuple[float, dict[str, torch.Tensor]]:
    """The better of the kept weights and the present average, on held-out rendered scenes."""
    state = {name: value.clone() for name, value in average.state.items()}
    if held_out is None:
        return 0.0, state
    network = Segmenter().to(device)
    network.load_state_dict(state)
    scores = measure_rendered(network.eval(), held_out)
    rank = rank_of(scores)
    print({"rank": round(rank, 4)} | scores, flush=True)
    return (rank, state) if kept is None or rank >= kept[0] else kept


def vary(scenes: Scenes, rng: np.random.Generator) -> Scenes:
    """A batch seen again: mirrored, turned by quarters, in other light, noisier."""
    pictures, targets, lips = scenes.pictures.float(), scenes.targets.float(), scenes.lips
    if rng.random() < 0.5:
        pictures, targets = pictures.flip(3), targets.flip(3)
        lips = lips * torch.tensor([-1.0, 1.0], device=lips.device)
    quarters = int(rng.choice(4, p=QUARTER_ODDS))
    for _ in range(quarters):
        lips = torch.stack([lips[..., 1], -lips[..., 0]], dim=-1)
    pictures, targets = (torch.rot90(t, quarters, (2, 3)) for t in (pictures, targets))
    shape = (len(pictures), 3, 1, 1)
    gain = torch.empty(shape, device=pictures.device).normal_(1, 0.08)
    gain = gain * torch.empty((len(pictures), 1, 1, 1), device=pictures.device).uniform_(0.7, 1.25)
    power = torch.empty((len(pictures), 1, 1, 1), device=pictures.device).uniform_(0.75, 1.35)
    noise = torch.randn_like(pictures) * 0.02 * float(rng.random())
    pictures = ((pictures * gain).clamp(0.001, 1) ** power + noise).clamp(0, 1)
    return Scenes(pictures, targets, lips, scenes.kind, scenes.present)


def _rate(peak: float, share: float, step: int) -> float:
    """Warm-up over 200 steps, then a cosine down to a hundredth."""
    return peak * min(1.0, (step + 1) / 200) * (0.01 + 0.99 * 0.5 * (1 + float(np.cos(np.pi * share))))


if __name__ == "__main__":
    main()
