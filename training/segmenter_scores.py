"""What a segmenter is worth on held-out scenes."""

from __future__ import annotations

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional as F  # noqa: N812 - the customary name

from training.piece_rendered import Rendered, look_at
from training.piece_scenes import Scenes, compose_scenes
from training.segmenter import TARGETS, Segmenter, pool_votes, reaches_of

HELD_OUT_SEED = 10_000_000
_NEAR = 0.1  # mean error of the reaches in the lip's least width that costs about a fifth of the overlap


@torch.no_grad()  # type: ignore[untyped-decorator]
def _judge(network: nn.Module, scenes: Scenes) -> tuple[Tensor, Tensor, Tensor]:
    """IoU (B, 2) of silhouette and lip area, error (B,) of the reaches in least widths, kind right (B,)."""
    logits, votes = network(scenes.pictures)
    guess, wanted = logits[:, :2] > 0, F.avg_pool2d(scenes.targets[:, :2], 2) > 0.5
    shared = (guess & wanted).sum(dim=(2, 3)).float()
    whole = (guess | wanted).sum(dim=(2, 3)).float()
    overlap = torch.where(wanted.sum(dim=(2, 3)) > 30, shared / whole.clamp(min=1), torch.nan)
    told, kind = pool_votes(logits, votes)
    truth = reaches_of(scenes.lips)
    half = truth.shape[1] // 2
    width = (truth[:, :half] + truth[:, half:]).amin(dim=1).clamp(min=1e-3)
    error = (told - truth).abs().mean(dim=1) / width
    error = torch.where(scenes.present > 0, error, torch.nan)
    return overlap, error, (kind.argmax(dim=1) == scenes.kind).float()


def _summarise(name: str, parts: list[tuple[Tensor, Tensor, Tensor]]) -> dict[str, float]:
    overlap, error, kind = (torch.cat([part[i] for part in parts]) for i in range(3))
    scores: dict[str, float] = {}
    for index, target in enumerate(TARGETS[:2]):
        values = overlap[:, index][~overlap[:, index].isnan()]
        scores |= {
            f"{name} {target} n": len(values),
            f"{name} {target} median IoU": round(float(values.median()), 4),
            f"{name} {target} IoU >= .8": round(float((values >= 0.8).float().mean()), 4),
            f"{name} {target} IoU >= .9": round(float((values >= 0.9).float().mean()), 4),
        }
    error = error[~error.isnan()]
    scores[f"{name} reach error median"] = round(float(error.median()), 4)
    scores[f"{name} reaches near"] = round(float((error < _NEAR).float().mean()), 4)
    scores[f"{name} kind right"] = round(float(kind.mean()), 4)
    return scores


def measure_composed(
    network: Segmenter, device: str, batch: int, batches: int, sizes: tuple[tuple[int, int], ...]
) -> dict[str, float]:
    """Scores on composed pictures never trained on."""
    parts = []
    for index in range(batches):
        height, width = sizes[index % len(sizes)]
        parts.append(_judge(network, compose_scenes(batch, height, width, HELD_OUT_SEED + index, device)))
    return _summarise("composed", parts)


def measure_rendered(
    network: Segmenter, held_out: Rendered, long: int = 288, short: int = 224
) -> dict[str, float]:
    """Scores on rendered pictures of held-out scenes, each seen whole."""
    parts = []
    for portrait in (True, False):
        index = torch.nonzero(held_out.portrait == portrait).flatten()
        height, width = (long, short) if portrait else (short, long)
        for part in index.split(32):
            matrix, shift = np.tile(np.eye(2), (len(part), 1, 1)), np.zeros((len(part), 2))
            parts.append(_judge(network, look_at(held_out, part, matrix, shift, height, width)))
    return _summarise("rendered", parts)


def rank_of(scores: dict[str, float]) -> float:
    """One number to choose weights by, on held-out rendered scenes; higher is better."""
    shares = [scores[f"rendered {name}"] for name in ("lip area IoU >= .8", "lip area IoU >= .9")]
    shares += [scores["rendered silhouette IoU >= .9"], 2 * scores["rendered reaches near"]]
    return sum(shares) - scores["rendered reach error median"]
