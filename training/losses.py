"""Losses that pull windows of one motif together and push others away.

All take unit embeddings (n, d) and motif numbers (n,), and return a scalar.
"""

from __future__ import annotations

from collections.abc import Callable

import torch
from torch import Tensor

MetricLoss = Callable[[Tensor, Tensor, Tensor], Tensor]

# From Wang et al. 2019, section 4 (their settings for 512 numbers), kept as they are.
PULL, PUSH, MIDDLE, MARGIN = 2.0, 50.0, 0.5, 0.1
TEMPERATURE = 0.07


def multi_similarity(embeddings: Tensor, motifs: Tensor, strips: Tensor) -> Tensor:
    """Multi-similarity loss with its mining of hard pairs.

    Windows of one strip do not count as a positive pair: they share light, wear and blur, and would be easy.

    References
    ----------
    X. Wang et al., "Multi-Similarity Loss with General Pair Weighting for Deep Metric Learning",
    CVPR 2019, eq. 11 and 12 (mining), 15 (loss).
    """
    similarity = embeddings @ embeddings.T
    same = motifs[:, None] == motifs[None, :]
    positive = same & (strips[:, None] != strips[None, :])
    negative = ~same
    least_positive = similarity.masked_fill(~positive, 2.0).amin(dim=1, keepdim=True)
    most_negative = similarity.masked_fill(~negative, -2.0).amax(dim=1, keepdim=True)
    hard_positive = positive & (similarity - MARGIN < most_negative)
    hard_negative = negative & (similarity + MARGIN > least_positive)
    pull = (torch.exp(-PULL * (similarity - MIDDLE)) * hard_positive).sum(dim=1)
    push = (torch.exp(PUSH * (similarity - MIDDLE)) * hard_negative).sum(dim=1)
    return (torch.log1p(pull) / PULL + torch.log1p(push) / PUSH).mean()


def supervised_contrastive(embeddings: Tensor, motifs: Tensor, strips: Tensor) -> Tensor:
    """Supervised contrastive loss, positives from other strips only.

    References
    ----------
    P. Khosla et al., "Supervised Contrastive Learning", NeurIPS 2020, eq. 2.
    """
    logits = embeddings @ embeddings.T / TEMPERATURE
    same_strip = strips[:, None] == strips[None, :]
    positive = (motifs[:, None] == motifs[None, :]) & ~same_strip
    log_share = logits - torch.logsumexp(logits.masked_fill(same_strip, -torch.inf), dim=1, keepdim=True)
    counted = positive.any(dim=1)
    mean_log_share = (log_share * positive).sum(dim=1) / positive.sum(dim=1).clamp(min=1)
    return -mean_log_share[counted].mean() if bool(counted.any()) else embeddings.sum() * 0


LOSSES: dict[str, MetricLoss] = {
    "multi-similarity": multi_similarity,
    "supervised contrastive": supervised_contrastive,
}
