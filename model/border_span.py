"""The rows of a stamped border: the one span that the labels of all columns in view speak for most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from model.strip_labels import ROLES, StripLabels

Profile = npt.NDArray[np.float64]

SUREST = 4.0  # log-odds: no row of labels is surer than that, however equal they are
LEAST_ROWS = 3  # cells; lower is a line, or nothing
# A network in doubt says less of every row: the border ends where its chance falls under this share of what
# its surest rows have (of .25 to .6 the best on 210 and 214 borders of path-traced pictures).
EDGE_SHARE, SUREST_ROWS, HIGHEST_CUT = 0.4, 6, 0.6
LEAST_SEEN = 0.15  # of the columns that the row seen most is seen in


@dataclass(frozen=True)
class BorderSpan:
    """First and last cell row (half-open, finer than cells), and facts about them by name."""

    first: float
    last: float
    facts: dict[str, float]


def find_border_span(labels: StripLabels) -> BorderSpan | None:
    """The likeliest rows of a border; None where too little is seen to ask."""
    rows = weigh_rows(labels)
    if rows is None or len(rows[0]) < LEAST_ROWS:
        return None
    odds, band, role = rows
    first, last, gain = find_gain(odds)
    rest = np.concatenate([band[:first], band[last:]])
    facts = {
        "gain": gain / (last - first),
        "band": float(band[first:last].mean()),
        "highest": float(np.sort(band)[-LEAST_ROWS:].mean()),
        "role": float(role[first:last].mean()),
        "rest": float(rest.mean()) if rest.size else 0.0,
        "rows": float(np.log(last - first)),
    }
    return BorderSpan(find_crossing(odds, first), find_crossing(odds, last), facts)


def find_gain(odds: Profile) -> tuple[int, int, float]:
    """The span of rows (half-open) whose log-odds (h,) sum to most, and that sum."""
    total = np.concatenate([[0.0], np.cumsum(odds)])
    gain = total[None, :] - total[:, None]
    starts, ends = np.indices(gain.shape)
    gain[ends - starts < LEAST_ROWS] = -np.inf
    first, last = (int(v) for v in np.unravel_index(int(gain.argmax()), gain.shape))
    return first, last, float(gain[first, last])


def weigh_rows(labels: StripLabels) -> tuple[Profile, Profile, Profile] | None:
    """(h,) log-odds that a row of cells is the border's, mean chance of it, mean share of border print."""
    counts = labels.seen.sum(axis=1)
    if counts.max(initial=0.0) <= 0:
        return None
    known = counts > LEAST_SEEN * counts.max()
    weight = labels.seen / np.maximum(counts, 1e-6)[:, None]
    band = np.where(known, (labels.band * weight).sum(axis=1), 0.0).astype(np.float64)
    role = np.where(known, (labels.roles[ROLES.index("border")] * weight).sum(axis=1), 0.0)
    return weigh_chances(band, find_cut(band)), band, role.astype(np.float64)


def find_cut(chances: Profile) -> float:
    """The chance (h,) from which a row is rather the border's than not."""
    surest = float(np.sort(chances)[-SUREST_ROWS:].mean())
    return float(np.clip(EDGE_SHARE * surest, 0.05, HIGHEST_CUT))


def weigh_chances(chances: Profile, cut: float) -> Profile:
    """Log-odds (h,), 0 at the cut."""
    held = np.clip(chances, 1e-6, 1 - 1e-6)
    odds = np.clip(np.log(held / (1 - held)), -SUREST, SUREST)
    return np.asarray(odds - np.log(cut / (1 - cut)))


def find_crossing(odds: Profile, edge: int) -> float:
    """Where the log-odds change sign beside the edge between cells ``edge - 1`` and ``edge``."""
    if edge <= 0 or edge >= len(odds):
        return float(edge)
    before, after = odds[edge - 1], odds[edge]
    if before * after > 0 or before == after:
        return float(edge)
    return float(edge - 0.5 + before / (before - after))
