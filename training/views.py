"""Views of motifs for exams and fits: one strip or photo each, as windows with a motif number."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from model.lookup import Gallery, GalleryItem
from training.dataset import StripSource, Windows, draw_windows, encode_windows

WINDOWS_A_VIEW = 12


@dataclass(frozen=True)
class View:
    """One strip: its motif, its windows (n, 3, 96, 320) uint8 with their weights (n,), best first.

    n = 0 where no border was found: such a view counts as a miss, not as absent.
    """

    motif: int
    windows: Windows
    weights: npt.NDArray[np.float32]


def draw_view(source: StripSource, motif: int, seed: int) -> View:
    """One view; the same seed gives the same one."""
    windows = draw_windows(source, motif, np.random.default_rng([seed, motif]), WINDOWS_A_VIEW, draws=1)
    return View(motif, encode_windows(windows), np.array([w.weight for w in windows], np.float32))


def _draw_views_of(task: tuple[Callable[[], StripSource], int, Sequence[int]]) -> list[View]:
    import cv2

    cv2.setNumThreads(0)
    maker, motif, seeds = task
    source = _remembered(maker)
    return [draw_view(source, motif, seed) for seed in seeds]


_SOURCES: dict[str, StripSource] = {}


def _remembered(maker: Callable[[], StripSource]) -> StripSource:
    """A worker makes its source once."""
    name = repr(maker)
    if name not in _SOURCES:
        _SOURCES[name] = maker()
    return _SOURCES[name]


def draw_views(
    maker: Callable[[], StripSource], motifs: Sequence[int], seeds: Sequence[int], workers: int = 0
) -> list[View]:
    """Views of every motif under every seed, motif by motif."""
    tasks = [(maker, motif, seeds) for motif in motifs]
    if workers == 0:
        parts = [_draw_views_of(task) for task in tasks]
    else:
        with multiprocessing.get_context("spawn").Pool(workers) as pool:
            parts = pool.map(_draw_views_of, tasks, chunksize=4)
    return [view for part in parts for view in part]


EmbedWindows = Callable[[Windows], npt.NDArray[np.float32]]


@dataclass(frozen=True)
class EmbeddedView:
    """A view as vectors (n, d) float32, unit rows, with weights (n,)."""

    motif: int
    vectors: npt.NDArray[np.float32]
    weights: npt.NDArray[np.float32]


def embed_views(views: Sequence[View], embed: EmbedWindows) -> list[EmbeddedView]:
    """All views through one embedding function, in one pass."""
    counts = [len(view.windows) for view in views]
    vectors = embed(np.concatenate([view.windows for view in views]))
    parts = np.split(vectors, np.cumsum(counts)[:-1])
    return [EmbeddedView(view.motif, part, view.weights) for view, part in zip(views, parts, strict=True)]


def gather_gallery(views: Sequence[EmbeddedView]) -> Gallery:
    """A gallery of views, one item each."""
    items = tuple(GalleryItem(str(k), str(view.motif), str(view.motif)) for k, view in enumerate(views))
    photo_index = np.repeat(np.arange(len(views)), [len(view.vectors) for view in views])
    return Gallery(np.concatenate([view.vectors for view in views]), photo_index.astype(np.int64), items)
