"""Blocks of training windows.

A block is one family of look-alikes: several strips of each sibling, several windows of each strip. The
split is by motif, never by picture: training and validation families come from different art sources.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
import numpy.typing as npt

from model.motif import CHANNELS, WINDOW_HEIGHT, WINDOW_WIDTH, Window, cut_windows
from training.config import TrainingConfig
from training.textures import Cloth, draw_cloth_windows

if TYPE_CHECKING:
    from model.bands import Bands
    from model.rim_band import RimStrip
    from training.art.motif_art import Motif

Windows = npt.NDArray[np.uint8]
Numbers = npt.NDArray[np.int64]

# Strips whose border cannot be read give no window; a draw is tried so often before the strip is left out.
MOST_DRAWS = 3


class StripSource(Protocol):
    """Where strips come from: families of motif numbers, and a strip of a motif with its bands."""

    def __len__(self) -> int:
        """Number of families."""

    def family(self, index: int) -> tuple[int, ...]:
        """Numbers of a family's look-alike motifs; each number belongs to one family."""

    def motif(self, number: int) -> Motif:
        """The motif of a number."""

    def draw_strip(self, motif: int, rng: np.random.Generator) -> tuple[RimStrip, Bands] | None:
        """One strip of the motif, or None where its border could not be told from the glaze."""


# A source is made inside the worker: it need not travel, only what makes it.
SourceMaker = Callable[[], StripSource]


@dataclass(frozen=True)
class Block:
    """Windows (n, 3, 96, 320) uint8, 255 for 1.0, with motif number and strip number of each, (n,) int64."""

    windows: Windows
    motifs: Numbers
    strips: Numbers


def encode_windows(windows: Sequence[Window]) -> Windows:
    """Windows to (n, 3, 96, 320) uint8."""
    if not windows:
        return np.empty((0, CHANNELS, WINDOW_HEIGHT, WINDOW_WIDTH), np.uint8)
    stacked = np.stack([window.pixels for window in windows])
    return np.rint(stacked * 255).astype(np.uint8)


def draw_windows(
    source: StripSource, motif: int, rng: np.random.Generator, limit: int, draws: int = MOST_DRAWS
) -> tuple[Window, ...]:
    """Windows of one new strip of a motif; () where no draw gave a readable border."""
    for _ in range(draws):
        drawn = source.draw_strip(motif, rng)
        if drawn is not None and (windows := cut_windows(drawn[0], drawn[1], limit=limit)):
            return windows
    return ()


def draw_block(
    source: StripSource, family: Sequence[int], config: TrainingConfig, rng: np.random.Generator
) -> Block:
    """Strips of a family's siblings. Windows are taken at random among a strip's, not the best ones.

    ``config.cloth_share`` of the blocks show cloths printed with the family instead.
    """
    if config.cloth_share and rng.random() < config.cloth_share:
        return _draw_cloth_block(source, family, config, rng)
    siblings = rng.permutation(np.array(family))[: config.siblings]
    parts: list[Windows] = []
    motifs: list[int] = []
    strips: list[int] = []
    for motif in siblings:
        for _ in range(config.strips_a_motif):
            windows = draw_windows(source, int(motif), rng, 12)
            kept = rng.permutation(len(windows))[: config.windows_a_strip]
            parts.append(encode_windows([windows[index] for index in kept]))
            motifs += [int(motif)] * len(kept)
            strips += [int(rng.integers(2**62))] * len(kept)
    return Block(np.concatenate(parts), np.array(motifs, np.int64), np.array(strips, np.int64))


def _draw_cloth_block(
    source: StripSource, family: Sequence[int], config: TrainingConfig, rng: np.random.Generator
) -> Block:
    """Photos of cloths that share a layout, one for each sibling; a cloth is no border of the same motif."""
    layout = rng.random(6)
    parts: list[Windows] = []
    motifs: list[int] = []
    strips: list[int] = []
    for motif in rng.permutation(np.array(family))[: config.siblings]:
        cloth, number = Cloth.print_with(source.motif(int(motif)), layout), int(rng.integers(2**62))
        for _ in range(config.strips_a_motif):
            windows = draw_cloth_windows(cloth, rng, config.windows_a_strip)
            parts.append(np.rint(windows * 255).astype(np.uint8))
            motifs += [number] * len(windows)
            strips += [int(rng.integers(2**62))] * len(windows)
    return Block(np.concatenate(parts), np.array(motifs, np.int64), np.array(strips, np.int64))
