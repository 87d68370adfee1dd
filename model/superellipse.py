"""Superellipses: one family for round, oval and rounded-square lips, fitted to a part of the outline."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from model.ellipse import fit_ellipse

FloatArray = npt.NDArray[np.float64]

_POWERS = (2.0, 3.5, 6.0)  # starts: ellipse, soft square, square with rounded corners
_TURNS_DEG = (0.0, 45.0)  # starts: the fitted ellipse's own axes, and between them
_POWER_RANGE = (1.6, 12.0)
_ROUNDS = 25


@dataclass(frozen=True)
class Superellipse:
    """``|x/a|**power + |y/b|**power = 1`` about (cx, cy), turned by ``angle`` radians clockwise as seen."""

    cx: float
    cy: float
    a: float
    b: float
    angle: float
    power: float

    def sample(self, count: int = 256) -> FloatArray:
        """(count, 2) points, clockwise as seen."""
        t = np.linspace(0, 2 * np.pi, count, endpoint=False)
        x, y = self.a * np.cos(t), self.b * np.sin(t)
        size = (np.abs(x / self.a) ** self.power + np.abs(y / self.b) ** self.power) ** (1 / self.power)
        x, y = x / size, y / size
        sin, cos = np.sin(self.angle), np.cos(self.angle)
        return np.stack([self.cx + x * cos - y * sin, self.cy + x * sin + y * cos], axis=1)


def _residuals(values: FloatArray, points: FloatArray) -> FloatArray:
    """Distances along the rays from the centre, positive outside."""
    cx, cy, a, b, angle, power = values
    x, y = points[:, 0] - cx, points[:, 1] - cy
    sin, cos = np.sin(angle), np.cos(angle)
    u, v = np.abs(x * cos + y * sin) / a, np.abs(y * cos - x * sin) / b
    size = (u**power + v**power + 1e-12) ** (1 / power)
    return np.asarray(np.hypot(x, y) * (1 - 1 / np.maximum(size, 1e-6)))


def fit_superellipse(points: FloatArray) -> tuple[Superellipse, float] | None:
    """Fit (N, 2) points of an outline, also an open part of it; returns it with the rms distance in px.

    Levenberg-Marquardt on the distances along rays, from several starts, with weights that fade for
    points far off. None where the points give no ellipse to start from.

    References
    ----------
    Family: G. Lamé's curves. Method: Marquardt, J. Soc. Indust. Appl. Math. 11, 1963.
    """
    start = fit_ellipse(points)
    if start is None or start.semi_minor < 2:
        return None
    best: tuple[FloatArray, float] | None = None
    for power in _POWERS:
        for turn in _TURNS_DEG:
            a, b = start.semi_major, start.semi_minor
            if turn:
                a = b = float(np.sqrt(a * b))
            values = np.array([start.cx, start.cy, a, b, np.radians(start.angle_deg + turn), power])
            fitted, cost = _descend(values, points)
            if best is None or cost < best[1]:
                best = (fitted, cost)
    if best is None:
        return None
    cx, cy, a, b, angle, power = best[0]
    return Superellipse(cx, cy, a, b, angle, power), float(np.sqrt(best[1]))


def _descend(values: FloatArray, points: FloatArray) -> tuple[FloatArray, float]:
    size = float(np.sqrt(values[2] * values[3]))
    steps = np.array([1e-3 * size] * 4 + [1e-3, 1e-2])
    damping, cost = 1e-2, np.inf
    for _ in range(_ROUNDS):
        off = _residuals(values, points)
        weight = 1 / (1 + (off / (0.03 * size)) ** 2) ** 2
        cost = float((weight * off**2).sum() / weight.sum())
        slopes = np.stack(
            [(_residuals(values + _axis(k, steps), points) - off) / steps[k] for k in range(6)], 1
        )
        normal = (slopes * weight[:, None]).T @ slopes
        scale = np.diag(np.maximum(np.diag(normal), 1e-9))
        change = np.linalg.solve(normal + damping * scale + 1e-9 * np.eye(6), slopes.T @ (weight * off))
        trial = values - change
        trial[2:4] = np.clip(trial[2:4], 0.4 * size, 4 * size)
        trial[5] = np.clip(trial[5], *_POWER_RANGE)
        after = _residuals(trial, points)
        trial_cost = float((weight * after**2).sum() / weight.sum())
        if trial_cost < cost:
            values, damping = trial, damping * 0.4
            if cost - trial_cost < 1e-6 * cost:
                break
        else:
            damping *= 5
    return values, cost


def _axis(index: int, steps: FloatArray) -> FloatArray:
    change = np.zeros(6)
    change[index] = steps[index]
    return change
