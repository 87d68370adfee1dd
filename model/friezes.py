"""The frieze group of a border's repeat: which reflections, turns and glides leave it as it is."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from model.facts import Symmetry

Map = npt.NDArray[np.float32]

ROWS, COLUMNS = 48, 96
FINE_PX, COARSE_PX = 0.6, 4.0
# Log odds that vertical mirror, level mirror, half-turn and glide hold: weights of the likeness, its fourth
# power, the logarithm of the worst part's difference, the tile's reliability, and 1. Fitted by ridge logistic
# regression on 255 strips of rendered photos with their true rows; the shares are those of the strips.
ODDS_WEIGHTS = (
    (2.206, 2.001, -1.126, -1.969, -2.475),
    (1.075, 1.183, -1.587, 1.203, -3.376),
    (1.652, 1.231, -1.446, 1.471, -4.476),
    (2.183, 3.681, -1.220, -0.112, -3.727),
)
HOLDING_SHARES = (0.286, 0.102, 0.118, 0.075)
MOST_LOG_ODDS = 6.9
# Which of the four hold in each group (a level mirror makes every whole shift a glide: not asked), and how
# often each group was drawn.
GROUPS: dict[Symmetry, tuple[tuple[int, int, int, int], float]] = {
    "p2mm": ((1, 1, 1, 0), 0.051),
    "p2mg": ((1, 0, 1, 1), 0.027),
    "p1m1": ((1, 0, 0, 0), 0.208),
    "p11m": ((0, 1, 0, 0), 0.051),
    "p2": ((0, 0, 1, 0), 0.039),
    "p11g": ((0, 0, 0, 1), 0.047),
    "p1": ((0, 0, 0, 0), 0.576),
}
# Part of a tile, rows and columns, that may not differ alone; energy below which nothing differs.
PART_ROWS, PART_COLUMNS, QUIET = 12, 16, 0.3
# Noise is allowed for down to this reliability, and up to this likeness.
LEAST_RELIABILITY, MOST_LIKENESS = 0.5, 1.05
# Border rows may be cut a little off: up to this share of the height a mirror line may lie off the middle.
ROW_SLACK_SHARE = 0.10


def frieze_group(tile: npt.NDArray[np.floating], reliability: float = 1.0) -> tuple[Symmetry, float]:
    """Name the frieze group of the smallest repeat.

    Parameters
    ----------
    tile
        (h, w) print strength of one repeat; joins itself left to right.
    reliability
        Share of the tile's variance that is print and not noise, 0..1.

    Returns
    -------
    (group, fit)
        ``fit`` 0..1: chance that the group is right. The caller withholds it where that is poor.

    References
    ----------
    International Tables for Crystallography, vol. E: the seven frieze groups and what holds in each.
    """
    odds = np.array(
        [
            np.dot(weights, (likeness, likeness**4, np.log(worst + 0.05), reliability, 1.0))
            for weights, (likeness, worst) in zip(
                ODDS_WEIGHTS, measure_symmetries(tile, reliability), strict=True
            )
        ]
    )
    shares = np.array(HOLDING_SHARES)
    evidence = np.clip(odds, -MOST_LOG_ODDS, MOST_LOG_ODDS) - np.log(shares / (1 - shares))
    scores = {
        group: float(np.dot(evidence, holds) + np.log(share)) for group, (holds, share) in GROUPS.items()
    }
    best = max(scores, key=lambda group: scores[group])
    return best, float(1 / sum(np.exp(score - scores[best]) for score in scores.values()))


def measure_symmetries(tile: npt.NDArray[np.floating], reliability: float = 1.0) -> list[tuple[float, float]]:
    """Likeness of a tile to its image under vertical mirror, level mirror, half-turn and glide.

    Each as a share of what noise leaves possible, and with the greatest difference of any part of the tile,
    as a share of that part's energy: a border that is mirrored but for one leaf is not mirrored.
    """
    small = prepare_tile(tile)
    over, across = small[::-1], small[:, ::-1]
    found = [
        _lay_on(small, across, any_shift=True),
        _lay_on(small, over, any_shift=False),
        _lay_on(small, over[:, ::-1], any_shift=True),
        _lay_on(small, np.roll(over, COLUMNS // 2, axis=1), any_shift=False),
    ]
    noise = max(reliability, LEAST_RELIABILITY)
    return [
        (float(np.clip(likeness / noise, 0, MOST_LIKENESS)), _worst_part(one, other))
        for likeness, one, other in found
    ]


def prepare_tile(tile: npt.NDArray[np.floating]) -> Map:
    """Fixed size (48, 96), its slow parts taken off: shapes decide, not where much of the ink lies."""
    image = np.asarray(tile, np.float32)
    shrink = image.shape[1] > COLUMNS
    small = cv2.resize(image, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA if shrink else cv2.INTER_LINEAR)
    ring = cv2.copyMakeBorder(small, 0, 0, 16, 16, cv2.BORDER_WRAP)
    fine = cv2.GaussianBlur(ring, (0, 0), FINE_PX) - cv2.GaussianBlur(ring, (0, 0), COARSE_PX)
    return np.asarray(fine[:, 16:-16], np.float32)


def correlate(a: Map, b: Map) -> float:
    """Correlation of two maps of one shape, 0 where it is negative."""
    x, y = a - a.mean(), b - b.mean()
    return max(0.0, float((x * y).sum() / np.sqrt(max(float((x * x).sum() * (y * y).sum()), 1e-9))))


def correlate_shifted(a: npt.NDArray[np.floating], b: npt.NDArray[np.floating]) -> float:
    """Greatest correlation of two tiles over small shifts along the border, both made ready as one is."""
    x, y = prepare_tile(a), prepare_tile(b)
    reach = COLUMNS // 10
    return max(correlate(x, np.roll(y, shift, axis=1)) for shift in range(-reach, reach + 1))


def _lay_on(a: Map, b: Map, any_shift: bool) -> tuple[float, Map, Map]:
    """Greatest correlation of two tiles over small row shifts and, where told, all column shifts.

    With both as they then lie on each other, their energy 1.
    """
    slack = max(1, round(ROW_SLACK_SHARE * ROWS))
    best = (-2.0, a, b)
    for shift in range(-slack, slack + 1):
        x = _to_unit(a[max(0, shift) : ROWS + min(0, shift)])
        y = _to_unit(b[max(0, -shift) : ROWS + min(0, -shift)])
        if any_shift:
            spectrum = (np.fft.rfft(x, axis=1) * np.fft.rfft(y, axis=1).conj()).sum(axis=0)
            products = np.fft.irfft(spectrum, COLUMNS) / x.size
            along = int(products.argmax())
            likeness = float(products[along])
        else:
            near = [float((x * np.roll(y, k, axis=1)).mean()) for k in (-1, 0, 1)]
            along = int(np.argmax(near)) - 1
            likeness = near[along + 1]
        if likeness > best[0]:
            best = (likeness, x, np.roll(y, along, axis=1))
    return best


def _to_unit(part: Map) -> Map:
    part = part - part.mean()
    return part / np.float32(max(float(np.sqrt((part * part).mean())), 1e-6))


def _worst_part(one: Map, other: Map) -> float:
    """Greatest difference of any part (12, 16), cyclic along the tile, as a share of its energy."""

    def spread(plane: Map) -> Map:
        ring = np.concatenate([plane, plane, plane], axis=1)
        return np.asarray(cv2.blur(ring, (PART_COLUMNS, PART_ROWS))[:, COLUMNS : 2 * COLUMNS], np.float32)

    return float((spread((one - other) ** 2) / (spread(0.5 * (one**2 + other**2)) + QUIET)).max())
