"""Seriation: an order of rows by what they share, with how sure each step of it is.

Correspondence analysis puts rows with like proportions side by side on its first axis. The axis has no
direction: which end is early has to come from dates. How sure the order is comes from drawing the table
anew: the share of draws in which a row stays before another. That is doubt from chance alone: rows may
differ for another reason than time, and the draws cannot know it.

References
----------
M. Greenacre, Correspondence Analysis in Practice, 2nd ed. 2007, appendix A: the singular value
decomposition of standardised residuals. Bootstrap of contingency tables: L. Lebart, 1976 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

DRAWS = 400
# A step of the order is called sure where it holds in at least this share of draws; common practice.
SURE_SHARE = 0.95


@dataclass(frozen=True)
class Seriation:
    """Rows in order along the first axis.

    Attributes
    ----------
    order : row numbers from one end to the other; which end is early is not known from the table.
    scores : for each row by number, its place on the axis.
    eigenvalue : inertia of the first axis, 0 to 1. inertia_share : of the whole table's.
    before_share : [i][j], share of draws in which row i stands before row j (ties count half).
    chance_share : share of tables with the rows' likeness shuffled away whose first axis is as strong.
    """

    order: tuple[int, ...]
    scores: tuple[float, ...]
    eigenvalue: float
    inertia_share: float
    before_share: tuple[tuple[float, ...], ...]
    chance_share: float

    @property
    def sure_steps(self) -> tuple[bool, ...]:
        """For each neighbour pair of the order, whether its order is sure."""
        return tuple(
            self.before_share[a][b] >= SURE_SHARE for a, b in zip(self.order, self.order[1:], strict=False)
        )


def seriate(
    counts: Sequence[Sequence[float]] | np.ndarray, seed: int = 1, draws: int = DRAWS
) -> Seriation | None:
    """Order the rows of a table of counts.

    Parameters
    ----------
    counts : (n, m) finds by row and kind, not negative.
    seed, draws : of the random draws that tell how sure the order is.

    Returns
    -------
    The order, or None where there is nothing to order: fewer than three rows or two columns with counts.

    Raises
    ------
    ValueError
        A count is negative, or the table is not one of two dimensions.
    """
    table = np.asarray(counts, float)
    if table.ndim != 2 or (table < 0).any():
        raise ValueError("expected a table of counts, none of them negative")
    if table.shape[0] < 3 or (table.sum(axis=1) == 0).any() or (table.sum(axis=0) > 0).sum() < 2:
        return None
    scores, eigenvalue, total = _place_rows(table)
    if eigenvalue <= 1e-12:
        return None
    random = np.random.default_rng(seed)
    before, as_strong = _draw_again(table, scores, eigenvalue, random, draws)
    order = np.argsort(scores, kind="stable")
    return Seriation(
        tuple(int(row) for row in order),
        tuple(float(score) for score in scores),
        float(eigenvalue),
        float(eigenvalue / total),
        tuple(tuple(float(share) for share in row) for row in before),
        as_strong,
    )


def _place_rows(table: np.ndarray) -> tuple[np.ndarray, float, float]:
    """Principal coordinates of the rows on the first axis, its eigenvalue, and the whole inertia."""
    share = table[:, table.sum(axis=0) > 0] / table.sum()
    row_mass, column_mass = share.sum(axis=1), share.sum(axis=0)
    expected = np.outer(row_mass, column_mass)
    left, singular, _ = np.linalg.svd((share - expected) / np.sqrt(expected), full_matrices=False)
    scores = left[:, 0] * singular[0] / np.sqrt(row_mass)
    if scores[int(np.argmax(np.abs(scores)))] < 0:
        scores = -scores  # the sign is free; fixed, so that one table has one answer
    return scores, float(singular[0] ** 2), float((singular**2).sum())


def _draw_again(
    table: np.ndarray, scores: np.ndarray, eigenvalue: float, random: np.random.Generator, draws: int
) -> tuple[np.ndarray, float]:
    sizes = table.sum(axis=1)
    own = table / sizes[:, None]
    pooled = table.sum(axis=0) / table.sum()
    before = np.zeros((len(table), len(table)))
    as_strong = 0
    for _ in range(draws):
        drawn = np.stack([random.multinomial(int(n), p) for n, p in zip(sizes, own, strict=True)])
        places, _, _ = _place_rows(drawn)
        if np.dot(places * sizes, scores) < 0:
            places = -places
        before += (places[:, None] < places) + 0.5 * (places[:, None] == places)
        flat = np.stack([random.multinomial(int(n), pooled) for n in sizes])
        as_strong += _place_rows(flat)[1] >= eigenvalue
    # One is added to both, so that a share of chance is never called nought (Davison & Hinkley 1997, 4.2).
    return before / draws, (as_strong + 1) / (draws + 1)
