"""Strip sources on the motif library: families of look-alikes, drawn quickly or rendered in full."""

from __future__ import annotations

import zlib
from collections import OrderedDict
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Literal

import numpy as np

from training.ablations import rendered_without
from training.art.family import family_of
from training.art.glyphs import load_glyphs
from training.art.library import load_motifs
from training.art.motif_art import Motif
from training.config import TrainingConfig, find_art
from training.dataset import SourceMaker
from training.quick_strip import draw_quick_strip
from training.real_strip import draw_real_strip, draw_strip_as_read

if TYPE_CHECKING:
    from model.bands import Bands
    from model.rim_band import RimStrip

Split = Literal["train", "validation", "exam"]

# A motif number is its family's number times this, plus its place in the family.
LARGEST_FAMILY = 16
# A border and the same one mirrored or turned over are one motif to the embedder (the re-check and the
# variant tell them apart), so they must not be pushed apart.
SAME_MOTIF_CHANGES = ("mirrored", "turned")
REMEMBERED_FAMILIES = 256


@dataclass
class LibrarySource:
    """Strips of one split of the library.

    ``rendered_share`` of the strips come through the full renderer and the real separation of the bands.
    ``siblings`` of each motif are drawn beside it; 0 gives families of one. ``as_read``: every strip comes
    the full way, and its bands are what the separation finds, right or wrong. ``without`` and
    ``unrolling_share`` as in `TrainingConfig`.
    """

    split: Split
    count: int
    siblings: int
    rendered_share: float
    art: str | None = None
    as_read: bool = False
    without: str = ""
    unrolling_share: float = 0.0

    def __post_init__(self) -> None:
        self._glyphs = load_glyphs(self.art)
        self._motifs = load_motifs(self.split, limit=self.count, cache=self.art)
        self._families: OrderedDict[int, list[Motif]] = OrderedDict()

    def __len__(self) -> int:
        return len(self._motifs)

    def family(self, index: int) -> tuple[int, ...]:
        """Numbers of the motifs of one family."""
        return tuple(index * LARGEST_FAMILY + place for place in range(len(self._draw_family(index))))

    def motif(self, number: int) -> Motif:
        """The motif of a number."""
        index, place = divmod(number, LARGEST_FAMILY)
        return self._draw_family(index)[place]

    def draw_strip(self, number: int, rng: np.random.Generator) -> tuple[RimStrip, Bands] | None:
        """One strip of a motif with its bands; None where the full way found no border."""
        motif = self.motif(number)
        if self.as_read:
            return draw_strip_as_read(motif, rng)
        if rng.random() < self.rendered_share:
            return draw_real_strip(motif, rng, **rendered_without(self.without))
        return draw_quick_strip(motif, rng, self.without, self.unrolling_share)

    def _draw_family(self, index: int) -> list[Motif]:
        if index in self._families:
            return self._families[index]
        motif = self._motifs[index]
        family = [motif]
        if self.siblings:
            rng = np.random.default_rng(zlib.crc32(motif.id.encode()))
            drawn = family_of(motif, rng, limit=self.siblings + len(SAME_MOTIF_CHANGES), glyphs=self._glyphs)
            family += [m for m in drawn if not m.id.endswith(SAME_MOTIF_CHANGES)][: self.siblings]
        self._families[index] = family
        while len(self._families) > REMEMBERED_FAMILIES:
            self._families.popitem(last=False)
        return family


def make_training_source(config: TrainingConfig) -> SourceMaker:
    """The training split with its look-alikes."""
    return partial(
        LibrarySource,
        "train",
        config.identities,
        config.siblings - 1,
        config.rendered_share,
        _art(config),
        without=config.without,
        unrolling_share=config.unrolling_share,
    )


def make_validation_source(config: TrainingConfig) -> SourceMaker:
    """The validation split, drawn from art that no training motif uses; the same mix of strips."""
    return partial(
        LibrarySource, "validation", config.validation_motifs, 0, config.rendered_share, _art(config)
    )


def _art(config: TrainingConfig) -> str | None:
    art = find_art(config.art)
    return None if art is None else str(art)
