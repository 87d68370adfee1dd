"""Train the segmenter on composed pictures and export it: ``python -m training.train_segmenter --out DIR``.

Reads top to bottom. Every batch is new; the held-out batches have seeds of their own.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from pathlib import Path

import numpy as np
import torch
from torch import Tensor

from training.config import BACKBONE_VARIABLE
from training.network import MovingAverage
from training.piece_scenes import compose_batch
from training.segmenter import STRIDE, TARGETS, Segmenter, segmentation_loss

SIZES = ((192, 256), (256, 192), (224, 288), (288, 224), (256, 256), (160, 288), (208, 288), (288, 208))
AVERAGE_EVERY = 5  # steps: copying hundreds of small tensors takes as long as a step
POOL_BATCHES = 60
HELD_OUT_SEED = 10_000_000


def main() -> None:
    """Train for a time, measure, export."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=420.0)
    parser.add_argument("--batch", type=int, default=64)
    parser.add_argument("--uses", type=int, default=8, help="steps a composed batch is good for")
    parser.add_argument("--rendered", type=Path, help="packed rendered pictures to mix in")
    parser.add_argument("--rendered-share", type=float, default=0.4)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--held-out", type=int, default=16, help="held-out batches to measure on")
    parser.add_argument("--start", type=Path, help="state of an earlier run to go on from")
    told = parser.parse_args()
    told.out.mkdir(parents=True, exist_ok=True)
    torch.manual_seed(told.seed)
    network = Segmenter()
    if told.start is not None:
        network.load_state_dict(torch.load(told.start, map_location="cpu", weights_only=True), strict=True)
    elif os.environ.get(BACKBONE_VARIABLE):
        network.start_from_imagenet(Path(os.environ[BACKBONE_VARIABLE]))
    network.to(told.device).train()
    optimizer = torch.optim.AdamW(network.parameters(), lr=told.rate, weight_decay=1e-4)
    average = MovingAverage(network, 0.98)
    rng = np.random.default_rng(told.seed)
    rendered = load_rendered(told.rendered, told.device) if told.rendered is not None else []
    pool: dict[int, tuple[Tensor, ...]] = {}
    started, step, log = time.monotonic(), 0, []
    while (spent := time.monotonic() - started) < told.seconds:
        for group in optimizer.param_groups:
            group["lr"] = _rate(told.rate, spent / told.seconds, step)
        if step % told.uses == 0 or len(pool) < 2:
            made = len(pool) if len(pool) < POOL_BATCHES else int(rng.integers(POOL_BATCHES))
            height, width = SIZES[int(rng.integers(len(SIZES)))]
            seed = told.seed * 1_000_003 + step
            pool[made] = tuple(t.half() for t in compose_batch(told.batch, height, width, seed, told.device))
        if rendered and rng.random() < told.rendered_share:
            pictures, targets = move_about(*draw_rendered(rendered, told.batch, rng), rng)
        else:
            pictures, targets = pool[int(rng.integers(len(pool)))]
        pictures, targets = vary(pictures, targets, rng)
        with torch.autocast(told.device, dtype=torch.bfloat16, enabled=told.device == "cuda"):
            logits = network(pictures)
        loss = segmentation_loss(logits.float(), targets)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimizer.step()
        if step % AVERAGE_EVERY == 0:
            average.update(network)
        if step % 100 == 0:
            log.append({"step": step, "seconds": round(spent, 1), "loss": round(loss.item(), 4)})
            print(log[-1], flush=True)
        step += 1
    network.load_state_dict(average.state)
    network.eval()
    scores = measure(network, told.device, min(told.batch, 32), told.held_out)
    print(scores)
    torch.save({k: v.cpu() for k, v in network.state_dict().items()}, told.out / "segmenter.pt")
    parity = export(network.cpu(), told.out / "segmenter.onnx")
    record = {
        "seed": told.seed,
        "steps": step,
        "batch": told.batch,
        "pictures": step * told.batch,
        "seconds": round(time.monotonic() - started),
        "torch": torch.__version__,
        "device": torch.cuda.get_device_name() if told.device == "cuda" else "cpu",
        "scores": scores,
        "parity": parity,
        "log": log[:: max(1, len(log) // 40)],
    }
    (told.out / "segmenter_run.json").write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")


def load_rendered(path: Path, device: str) -> list[tuple[Tensor, Tensor]]:
    """Packed pictures and targets, one pair of uint8 tensors (N, h, w, 3) for each picture size."""
    packed = np.load(path)
    names = sorted(name.removesuffix("_pictures") for name in packed.files if name.endswith("_pictures"))
    return [
        (
            torch.from_numpy(packed[f"{name}_pictures"]).to(device),
            torch.from_numpy(packed[f"{name}_targets"]).to(device),
        )
        for name in names
    ]


def draw_rendered(
    rendered: list[tuple[Tensor, Tensor]], count: int, rng: np.random.Generator
) -> tuple[Tensor, Tensor]:
    """A batch (count, 3, h, w) of rendered pictures of one size, 0..1, with their targets."""
    pictures, targets = rendered[int(rng.integers(len(rendered)))]
    index = torch.from_numpy(rng.integers(len(pictures), size=count)).to(pictures.device)
    one, two = (a[index].permute(0, 3, 1, 2).float() / 255 for a in (pictures, targets))
    return one, two


def move_about(pictures: Tensor, targets: Tensor, rng: np.random.Generator) -> tuple[Tensor, Tensor]:
    """Turn, zoom, shift and recolour each picture of a batch differently."""
    count, _, height, width = pictures.shape

    def some(low: float, high: float, *shape: int) -> Tensor:
        values = rng.uniform(low, high, size=(count, *shape)).astype(np.float32)
        return torch.from_numpy(values).to(pictures.device)

    turn, zoom = some(-0.2, 0.2), torch.exp(some(-0.6, 0.05))
    squash = torch.exp(some(-0.12, 0.12))
    ratio, slack = height / width, (1.05 - zoom).clamp(min=0)
    rows = [
        torch.stack([zoom * turn.cos() * squash, -zoom * turn.sin() * ratio, slack * some(-1, 1)], 1),
        torch.stack([zoom * turn.sin() / ratio * squash, zoom * turn.cos(), slack * some(-1, 1)], 1),
    ]
    shape = [count, 3, height, width]
    grid = torch.nn.functional.affine_grid(torch.stack(rows, 1), shape, align_corners=False)
    moved = torch.nn.functional.grid_sample(pictures, grid, padding_mode="border", align_corners=False)
    marks = torch.nn.functional.grid_sample(targets, grid, padding_mode="border", align_corners=False)
    mix = torch.eye(3, device=pictures.device) + some(-0.22, 0.22, 3, 3)
    return torch.einsum("nij,njhw->nihw", mix, moved).clamp(0, 1), marks


def vary(pictures: Tensor, targets: Tensor, rng: np.random.Generator) -> tuple[Tensor, Tensor]:
    """A batch seen again: mirrored, in other light, noisier."""
    axes = [axis for axis in (2, 3) if rng.random() < (0.5 if axis == 3 else 0.15)]
    pictures, targets = pictures.float().flip(axes), targets.float().flip(axes)
    shape = (len(pictures), 3, 1, 1)
    gain = torch.empty(shape, device=pictures.device).normal_(1, 0.08)
    power = torch.empty((len(pictures), 1, 1, 1), device=pictures.device).uniform_(0.75, 1.35)
    noise = torch.randn_like(pictures) * 0.015 * float(rng.random())
    return ((pictures * gain).clamp(0.001, 1) ** power + noise).clamp(0, 1), targets


def _rate(peak: float, share: float, step: int) -> float:
    """Warm-up over 200 steps, then a cosine down to a hundredth."""
    return peak * min(1.0, (step + 1) / 200) * (0.01 + 0.99 * 0.5 * (1 + float(np.cos(np.pi * share))))


@torch.no_grad()  # type: ignore[untyped-decorator]
def measure(network: Segmenter, device: str, batch: int, batches: int) -> dict[str, float]:
    """IoU of silhouette and lip area on held-out composed pictures: median and share over .8 and .9."""
    overlaps: list[Tensor] = []
    for index in range(batches):
        height, width = SIZES[index % len(SIZES)]
        pictures, targets = compose_batch(batch, height, width, HELD_OUT_SEED + index, device)
        guess = network(pictures)[:, :2] > 0
        wanted = torch.nn.functional.avg_pool2d(targets[:, :2], 2) > 0.5
        shared = (guess & wanted).sum(dim=(2, 3)).float()
        whole = (guess | wanted).sum(dim=(2, 3)).float()
        overlaps.append(torch.where(wanted.sum(dim=(2, 3)) > 50, shared / whole.clamp(min=1), torch.nan))
    scores: dict[str, float] = {}
    for index, name in enumerate(TARGETS[:2]):
        values = torch.cat(overlaps)[:, index]
        values = values[~values.isnan()]
        scores |= {
            f"{name} n": len(values),
            f"{name} median IoU": round(float(values.median()), 4),
            f"{name} IoU >= .8": round(float((values >= 0.8).float().mean()), 4),
            f"{name} IoU >= .9": round(float((values >= 0.9).float().mean()), 4),
        }
    return scores


def export(network: Segmenter, path: Path) -> float:
    """Write the ONNX file and return the largest difference of its answer from the network's.

    Raises
    ------
    ValueError
        The exported file answers otherwise.
    """
    import onnxruntime

    example = torch.rand(1, 3, 14 * STRIDE, 18 * STRIDE)
    axes = {"pictures": {2: "height", 3: "width"}, "logits": {2: "half_height", 3: "half_width"}}
    torch.onnx.export(
        network,
        (example,),
        str(path),
        input_names=["pictures"],
        output_names=["logits"],
        opset_version=17,
        dynamic_axes=axes,
        dynamo=False,
    )
    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    worst = 0.0
    for height, width in SIZES[:3]:
        pictures = torch.rand(1, 3, height, width)
        with torch.no_grad():
            wanted = network(pictures).numpy()
        given = session.run(None, {"pictures": pictures.numpy()})[0]
        worst = max(worst, float(np.abs(given - wanted).max()))
    if worst > 1e-3:
        raise ValueError(f"the exported segmenter differs by {worst:g} from the trained one")
    return worst


if __name__ == "__main__":
    main()
