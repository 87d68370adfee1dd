"""The newest blocks of windows, kept on the training device so that each serves a few steps."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch
from torch import Tensor

from model.motif import CHANNELS, WINDOW_HEIGHT, WINDOW_WIDTH
from training.config import TrainingConfig
from training.dataset import Block


class WindowPool:
    """A ring of blocks: the newest ``pool_blocks`` stay, the oldest are written over.

    Rendering is slower than the network, so a block is met more than once, each time beside other families
    and varied anew.
    """

    def __init__(self, config: TrainingConfig, device: torch.device) -> None:
        self._block_windows = config.siblings * config.strips_a_motif * config.windows_a_strip
        count = config.pool_blocks * self._block_windows
        shape = (count, CHANNELS, WINDOW_HEIGHT, WINDOW_WIDTH)
        self._windows = torch.empty(shape, dtype=torch.uint8, device=device)
        self._motifs = np.zeros(count, np.int64)
        self._strips = np.zeros(count, np.int64)
        self._lengths = np.zeros(config.pool_blocks, np.int64)
        self._added = 0
        self._rng = np.random.default_rng([config.seed, 20_002])

    def __len__(self) -> int:
        """Blocks in the pool."""
        return min(self._added, len(self._lengths))

    def add(self, blocks: Sequence[Block]) -> None:
        """Copy blocks in, over the oldest."""
        for block in blocks:
            slot = self._added % len(self._lengths)
            first, length = slot * self._block_windows, len(block.motifs)
            self._windows[first : first + length] = torch.from_numpy(block.windows).to(self._windows.device)
            self._motifs[first : first + length] = block.motifs
            self._strips[first : first + length] = block.strips
            self._lengths[slot] = length
            self._added += 1

    def draw(self, blocks: int) -> tuple[Tensor, Tensor, Tensor]:
        """Windows (n, 3, 96, 320) uint8, motif and strip numbers (n,) of so many blocks, at random."""
        slots = self._rng.permutation(len(self))[:blocks]
        rows = np.concatenate([slot * self._block_windows + np.arange(self._lengths[slot]) for slot in slots])
        device = self._windows.device
        windows = self._windows[torch.from_numpy(rows).to(device)]
        motifs = torch.from_numpy(self._motifs[rows]).to(device)
        return windows, motifs, torch.from_numpy(self._strips[rows]).to(device)
