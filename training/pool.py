"""The newest blocks of windows: written by rendering processes, kept on the training device.

Rendering is slower than the network, so a block is met several times, each time beside other families and
varied anew. Workers write straight into a ring in shared memory, and a step copies only what is new since the
last one to the device.
"""

from __future__ import annotations

import multiprocessing
import os
import shutil
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor

from model.motif import CHANNELS, WINDOW_HEIGHT, WINDOW_WIDTH
from training.config import TrainingConfig
from training.dataset import Block, SourceMaker, draw_block

SHARED_MEMORY = Path("/dev/shm")  # where Linux keeps files in memory; elsewhere the temporary folder serves


class SharedRing:
    """Blocks in a file mapped by every process.

    ``state[slot]`` counts writes: odd while one is under way, 0 before the first. A reader that finds another
    count after copying than before leaves the block out.
    """

    def __init__(self, folder: Path, config: TrainingConfig, mode: Any = "r+") -> None:
        slots, size = config.pool_blocks, config.siblings * config.strips_a_motif * config.windows_a_strip
        shape = (slots, size, CHANNELS, WINDOW_HEIGHT, WINDOW_WIDTH)
        self.windows = np.memmap(folder / "windows", np.uint8, mode, shape=shape)
        self.numbers = np.memmap(folder / "numbers", np.int64, mode, shape=(slots, 2, size))
        self.lengths = np.memmap(folder / "lengths", np.int64, mode, shape=(slots,))
        self.state = np.memmap(folder / "state", np.int64, mode, shape=(slots,))

    def write(self, slot: int, block: Block) -> None:
        """Put a block in its slot, over what was there."""
        count = len(block.motifs)
        self.state[slot] += 1
        self.windows[slot, :count] = block.windows
        self.numbers[slot, 0, :count] = block.motifs
        self.numbers[slot, 1, :count] = block.strips
        self.lengths[slot] = count
        self.state[slot] += 1

    def read(self, slot: int) -> Block | None:
        """A copy of a slot's block; None where none is whole."""
        before = int(self.state[slot])
        if before == 0 or before % 2:
            return None
        count = int(self.lengths[slot])
        windows = self.windows[slot, :count].copy()
        motifs, strips = self.numbers[slot, :, :count].copy()
        return Block(windows, motifs, strips) if int(self.state[slot]) == before else None


def _work(
    maker: SourceMaker, config: TrainingConfig, number: int, folder: Path, stop: Any
) -> None:  # pragma: no cover - runs in worker processes
    """Fill every ``workers``-th slot, round and round, until told to stop."""
    import cv2

    cv2.setNumThreads(0)
    if hasattr(os, "nice"):
        os.nice(5)  # the step that feeds the GPU goes first where cores are short
    source = maker()
    rng = np.random.default_rng([config.seed, number])
    ring = SharedRing(folder, config)
    while True:
        for slot in range(number, config.pool_blocks, config.workers):
            block = draw_block(source, source.family(int(rng.integers(len(source)))), config, rng)
            if stop.is_set():
                return
            if len(block.motifs):
                ring.write(slot, block)


def _roomy_place(config: TrainingConfig) -> Path | None:
    """Shared memory where it can hold the ring (a write beyond its limit would kill the process)."""
    windows = config.pool_blocks * config.siblings * config.strips_a_motif * config.windows_a_strip
    needed = 1.1 * windows * CHANNELS * WINDOW_HEIGHT * WINDOW_WIDTH
    if SHARED_MEMORY.is_dir() and shutil.disk_usage(SHARED_MEMORY).free > needed:
        return SHARED_MEMORY
    return None


CPU = torch.device("cpu")


class WindowPool:
    """Blocks as worker processes finish them; with ``workers=0`` one is rendered here at each draw."""

    def __init__(self, maker: SourceMaker, config: TrainingConfig, device: torch.device = CPU) -> None:
        self.config = config
        self._workers: list[Any] = []
        self._rng = np.random.default_rng([config.seed, 20_002])
        self._folder = tempfile.TemporaryDirectory(prefix="rimlight-", dir=_roomy_place(config))
        self._ring = SharedRing(Path(self._folder.name), config, "w+")
        self._windows = torch.empty(self._ring.windows.shape, dtype=torch.uint8, device=device)
        self._numbers = np.zeros(self._ring.numbers.shape, np.int64)
        self._lengths = np.zeros(config.pool_blocks, np.int64)
        self._taken = np.zeros(config.pool_blocks, np.int64)
        if config.workers:
            self._start_workers(maker)
        else:
            self._source, self._next = maker(), 0

    def _start_workers(self, maker: SourceMaker) -> None:
        context = multiprocessing.get_context("spawn")
        self._stop: Any = context.Event()
        for number in range(self.config.workers):
            work = (maker, self.config, number, Path(self._folder.name), self._stop)
            worker = context.Process(target=_work, args=work, daemon=True)
            worker.start()
            self._workers.append(worker)

    @property
    def made(self) -> int:
        """Blocks written so far."""
        return int((self._ring.state // 2).sum())

    def __len__(self) -> int:
        """Blocks that can be drawn."""
        return int((self._lengths > 0).sum())

    def wait(self) -> None:
        """Wait until ``pool_reserve`` blocks are there.

        Raises
        ------
        RuntimeError
            Every worker has ended.
        """
        self._take_new()
        while len(self) < self.config.pool_reserve:
            if self._workers and not any(worker.is_alive() for worker in self._workers):
                raise RuntimeError("every rendering worker has ended; see its error above")
            if self._workers:
                time.sleep(0.2)
            self._take_new()

    def _take_new(self) -> None:
        """Copy the blocks written since the last call to the device."""
        if not self._workers:
            self._render_here()
        for slot in np.flatnonzero(self._ring.state > self._taken):
            state = int(self._ring.state[slot])
            block = self._ring.read(int(slot))
            if block is None:
                continue
            count = len(block.motifs)
            self._windows[slot, :count] = torch.from_numpy(block.windows).to(self._windows.device)
            self._numbers[slot, 0, :count], self._numbers[slot, 1, :count] = block.motifs, block.strips
            self._lengths[slot], self._taken[slot] = count, state

    def draw(self, count: int) -> tuple[Tensor, Tensor, Tensor]:
        """Windows (count, 3, 96, 320) uint8, motif and strip numbers (count,) of whole blocks at random.

        Always the same count (the last block is cut): convolutions are tuned anew for every new shape, which
        takes longer than hundreds of steps.

        Raises
        ------
        ValueError
            The pool holds fewer windows.
        """
        self._take_new()
        slots = self._rng.permutation(np.flatnonzero(self._lengths))
        ends = np.cumsum(self._lengths[slots])
        if not len(ends) or ends[-1] < count:
            raise ValueError(f"the pool holds {ends[-1] if len(ends) else 0} windows, fewer than {count}")
        slots = slots[: int(np.searchsorted(ends, count)) + 1]
        slot_of = np.repeat(slots, self._lengths[slots])[:count]
        place = np.concatenate([np.arange(self._lengths[slot]) for slot in slots])[:count]
        device = self._windows.device
        windows = self._windows[torch.from_numpy(slot_of).to(device), torch.from_numpy(place).to(device)]
        motifs, strips = torch.from_numpy(self._numbers[slot_of, :, place].T.copy()).to(device)
        return windows, motifs, strips

    def _render_here(self) -> None:
        family = self._source.family(int(self._rng.integers(len(self._source))))
        block = draw_block(self._source, family, self.config, self._rng)
        if len(block.motifs):
            self._ring.write(self._next % self.config.pool_blocks, block)
            self._next += 1

    def close(self) -> None:
        """Stop the workers and give the memory back."""
        if self._workers:
            self._stop.set()
        for worker in self._workers:
            worker.terminate()
            worker.join()
        del self._ring
        self._folder.cleanup()
