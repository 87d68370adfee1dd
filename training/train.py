"""Train the embedder: ``python -m training.train --out DIR`` (``--tiny`` on a CPU in a test).

Reads from top to bottom: settings, data, network, steps, validation, files.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import os
import platform
import time
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch

from training.ablations import LEFT_OUT
from training.augment import augment_windows
from training.config import TINY, TrainingConfig, find_art, find_backbone
from training.dataset import SourceMaker
from training.export import export_embedder, find_commit
from training.losses import LOSSES
from training.network import EmbeddingNetwork, MovingAverage
from training.pool import WindowPool
from training.sources import make_training_source, make_validation_source
from training.validate import ValidationSet, draw_validation_set, find_recall

# Said aloud, so that a slow start shows at once.
EARLY_STEPS = (1, 2, 5, 20, 100)
VALIDATION_BATCH = 256


def train(
    config: TrainingConfig,
    out: Path,
    training_source: SourceMaker,
    validation_source: SourceMaker,
    validation: ValidationSet | None = None,
    export: bool = True,
) -> dict[str, Any]:
    """Train for the set time and write ``checkpoint.pt``, the exported model and ``train.json`` to ``out``.

    An existing checkpoint in ``out`` is continued with a fresh schedule. ``validation`` is drawn from its
    source where it is not given; without ``export`` the checkpoint and the record are all that is written.
    """
    out.mkdir(parents=True, exist_ok=True)
    torch.manual_seed(config.seed)
    device = torch.device(config.device)
    cuda = device.type == "cuda"
    if cuda:
        torch.backends.cuda.matmul.allow_tf32 = True

    pool = WindowPool(training_source, config, device)
    validation = draw_validation_set(validation_source, config) if validation is None else validation

    network = EmbeddingNetwork()
    checkpoint = out / "checkpoint.pt"
    history: list[dict[str, Any]] = []
    if checkpoint.exists():
        saved = torch.load(checkpoint, map_location="cpu", weights_only=True)
        network.load_state_dict(saved["network"], strict=True)
        history = saved["history"]
    else:
        network.start_from_imagenet(find_backbone(config.backbone))
    network = network.to(device, memory_format=torch.channels_last)
    average = MovingAverage(network, config.ema_decay)
    loss_of = LOSSES[config.loss]
    optimiser = torch.optim.AdamW(_group_parameters(network, config), lr=config.learning_rate, fused=cuda)

    step, losses = 0, []
    try:
        pool.wait()
        start = last_validation = time.monotonic()
        while (done := _done_share(config, step, time.monotonic() - start)) < 1:
            for group in optimiser.param_groups:
                group["lr"] = group["base_lr"] * _rate_share(done, config.warmup_share)
            windows, motifs, strips = pool.draw(config.windows_a_step)
            windows = augment_windows(windows, config.without != "blur").contiguous(
                memory_format=torch.channels_last
            )
            network.train()
            with torch.autocast(device.type, torch.bfloat16, enabled=cuda):
                maps = network.look(windows)
            loss = loss_of(network.describe(maps.float()), motifs, strips)
            optimiser.zero_grad(set_to_none=True)
            loss.backward()
            torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
            optimiser.step()
            average.update(network)
            losses.append(loss.detach())
            step += 1
            if step in EARLY_STEPS:
                print(json.dumps({"step": step, "seconds": round(time.monotonic() - start, 1)}), flush=True)
            if time.monotonic() - last_validation > config.validate_every_s:
                last_validation = time.monotonic()
                row = _validate(average, validation, device)
                row |= {"step": step, "seconds": round(last_validation - start, 1), "blocks": pool.made}
                row["loss"] = round(float(torch.stack(losses).mean()), 4)
                losses = []
                history.append(row)
                print(json.dumps(row), flush=True)
                _save(checkpoint, average, history)
        made = pool.made
    finally:
        pool.close()

    final = _validate(average, validation, device) | {"step": step, "blocks": made}
    history.append(final)
    print(json.dumps({"final": final}), flush=True)
    _save(checkpoint, average, history)
    record = {**describe_run(config), "history": history}
    (out / "train.json").write_text(json.dumps(record, indent=1), encoding="utf-8")
    if export:
        export_embedder(average.state, out / "export", training=record, half_stored=config.half_stored)
    return record


def describe_run(config: TrainingConfig) -> dict[str, Any]:
    """What it takes to run again: settings, commit, machine, hashes of art and starting weights."""
    settings = {name: value for name, value in asdict(config).items() if not isinstance(value, Path)}
    files = {"art": find_art(config.art), "backbone": find_backbone(config.backbone)}
    machine = torch.cuda.get_device_name() if config.device == "cuda" else platform.machine()
    return {
        "settings": settings,
        "commit": config.commit or find_commit(),
        "machine": f"{machine}, {os.cpu_count()} cores, torch {torch.__version__}",
        "data_sha256": {
            name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in files.items() if path
        },
    }


def _group_parameters(network: EmbeddingNetwork, config: TrainingConfig) -> list[dict[str, Any]]:
    """The new layer learns faster than the pretrained ones; norms and biases are not decayed."""
    groups: list[dict[str, Any]] = []
    for name, parameter in network.named_parameters():
        rate = config.learning_rate * (1.0 if name.startswith("backbone") else 3.0)
        decay = config.weight_decay if parameter.ndim > 1 else 0.0
        groups.append({"params": [parameter], "base_lr": rate, "lr": rate, "weight_decay": decay})
    return groups


def _done_share(config: TrainingConfig, step: int, elapsed_s: float) -> float:
    return step / config.steps if config.steps else elapsed_s / config.seconds


def _rate_share(done: float, warmup: float) -> float:
    """Learning rate as a share of its peak: linear warm-up, then half a cosine to 1 %."""
    if done < warmup:
        return max(0.01, done / warmup)
    return 0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * min(1.0, (done - warmup) / (1 - warmup))))


def _validate(average: MovingAverage, validation: ValidationSet, device: torch.device) -> dict[str, float]:
    return find_recall(embed_validation(average.state, validation, device), validation)


def embed_validation(
    state: Mapping[str, torch.Tensor], validation: ValidationSet, device: torch.device
) -> npt.NDArray[np.float32]:
    """Vectors (n, d) of a validation set's windows by the weights of ``state``."""
    network = EmbeddingNetwork().to(device)
    network.load_state_dict(state)
    network.eval()
    parts = []
    with torch.inference_mode():
        for first in range(0, len(validation.windows), VALIDATION_BATCH):
            part = torch.from_numpy(validation.windows[first : first + VALIDATION_BATCH])
            # Filled up to one shape, for the same reason as the training batches.
            filled = torch.zeros(VALIDATION_BATCH if device.type == "cuda" else len(part), *part.shape[1:])
            filled[: len(part)] = part.float() / 255
            parts.append(network(filled.to(device)).cpu().numpy()[: len(part)])
    return np.concatenate(parts)


def _save(path: Path, average: MovingAverage, history: list[dict[str, Any]]) -> None:
    state = {name: value.detach().cpu() for name, value in average.state.items()}
    torch.save({"network": state, "history": history}, path.with_suffix(".new"))
    path.with_suffix(".new").replace(path)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--tiny", action="store_true", help="a CPU run of seconds, to see that it runs")
    for name in ("seconds", "learning_rate", "rendered_share", "unrolling_share", "cloth_share"):
        parser.add_argument(f"--{name.replace('_', '-')}", type=float)
    for name in ("workers", "seed", "identities", "windows_a_step", "steps", "pool_blocks"):
        parser.add_argument(f"--{name.replace('_', '-')}", type=int)
    parser.add_argument("--without", choices=sorted(LEFT_OUT), help="leave a part of the simulation out")
    parser.add_argument("--loss", choices=sorted(LOSSES))
    parser.add_argument("--device", choices=("cpu", "cuda"))
    parser.add_argument("--commit", help="where the checkout is only a copy without its history")
    parser.add_argument("--art", type=Path)
    parser.add_argument("--backbone", type=Path)
    told = vars(parser.parse_args())
    out, tiny = told.pop("out"), told.pop("tiny")
    config = replace(
        TINY if tiny else TrainingConfig(),
        **{name: value for name, value in told.items() if value is not None},
    )
    train(config, out, make_training_source(config), make_validation_source(config))


if __name__ == "__main__":
    main()
