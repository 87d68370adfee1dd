"""Ellipses in the photo: fit, sample, measure."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from model.facts import Ellipse

FloatArray = npt.NDArray[np.float64]


def fit_ellipse(points: FloatArray, weights: FloatArray | None = None) -> Ellipse | None:
    """Fit an ellipse to (N, 2) points by direct least squares; None where the points give none.

    Parameters
    ----------
    points
        (N, 2) float64, N >= 6.
    weights
        (N,) float64, of the squared algebraic distances; default all one.

    References
    ----------
    Halir, Flusser, "Numerically stable direct least squares fitting of ellipses", WSCG 1998; here with
    weights, and with the points centred and scaled first.
    """
    if len(points) < 6:
        return None
    centre = points.mean(axis=0)
    scale = float(np.abs(points - centre).max()) or 1.0
    x, y = ((points - centre) / scale).T
    quadratic = np.stack([x * x, x * y, y * y], axis=1)
    linear = np.stack([x, y, np.ones_like(x)], axis=1)
    root = np.ones(len(points)) if weights is None else np.sqrt(weights)
    quadratic, linear = quadratic * root[:, None], linear * root[:, None]
    s2, s3 = quadratic.T @ linear, linear.T @ linear
    try:
        from_quadratic = -np.linalg.solve(s3, s2.T)
        reduced = quadratic.T @ quadratic + s2 @ from_quadratic
        constrained = np.stack([reduced[2] / 2, -reduced[1], reduced[0] / 2])
        _, vectors = np.linalg.eig(constrained)
    except np.linalg.LinAlgError:
        return None
    vectors = np.real(vectors)
    is_ellipse = 4 * vectors[0] * vectors[2] - vectors[1] ** 2
    best = int(np.argmax(is_ellipse))
    if is_ellipse[best] <= 0:
        return None
    conic = np.concatenate([vectors[:, best], from_quadratic @ vectors[:, best]])
    fitted = ellipse_from_conic(conic)
    if fitted is None:
        return None
    return Ellipse(
        fitted.cx * scale + centre[0],
        fitted.cy * scale + centre[1],
        fitted.semi_major * scale,
        fitted.semi_minor * scale,
        fitted.angle_deg,
    )


def ellipse_from_conic(conic: FloatArray) -> Ellipse | None:
    """Ellipse of a x² + b xy + c y² + d x + e y + f = 0, (6,) a..f; None where it is no real ellipse."""
    a, b, c, d, e, f = (float(v) for v in conic)
    if a + c < 0:
        a, b, c, d, e, f = -a, -b, -c, -d, -e, -f
    det = 4 * a * c - b * b
    if det <= 0:
        return None
    cx, cy = (b * e - 2 * c * d) / det, (b * d - 2 * a * e) / det
    level = -(f + (d * cx + e * cy) / 2)
    if level <= 0:
        return None
    spread = float(np.hypot(a - c, b))
    small, large = (a + c - spread) / 2, (a + c + spread) / 2
    if small <= 0:
        return None
    # the semi-major axis lies along the eigenvector of the smaller eigenvalue
    angle = 0.5 * np.degrees(np.arctan2(b, a - c)) + 90.0
    return Ellipse(cx, cy, float(np.sqrt(level / small)), float(np.sqrt(level / large)), float(angle % 180.0))


def conic_matrix(ellipse: Ellipse) -> FloatArray:
    """(3, 3) symmetric C with p C p = 0 for homogeneous points p of the ellipse, and < 0 inside."""
    turn = np.radians(ellipse.angle_deg)
    sin, cos = float(np.sin(turn)), float(np.cos(turn))
    long, short = ellipse.semi_major**-2.0, ellipse.semi_minor**-2.0
    a, b, c = long * cos**2 + short * sin**2, (long - short) * sin * cos, long * sin**2 + short * cos**2
    d, e = -(a * ellipse.cx + b * ellipse.cy), -(b * ellipse.cx + c * ellipse.cy)
    return np.array([[a, b, d], [b, c, e], [d, e, -d * ellipse.cx - e * ellipse.cy - 1]])


def sample_ellipse(ellipse: Ellipse, count: int = 256) -> FloatArray:
    """(count, 2) points, clockwise as seen, even in the eccentric angle, from the end of the major axis."""
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    turn = np.radians(ellipse.angle_deg)
    u, v = ellipse.semi_major * np.cos(t), ellipse.semi_minor * np.sin(t)
    x = ellipse.cx + u * np.cos(turn) - v * np.sin(turn)
    y = ellipse.cy + u * np.sin(turn) + v * np.cos(turn)
    return np.stack([x, y], axis=1)


def ellipse_residuals_px(ellipse: Ellipse, points: FloatArray) -> FloatArray:
    """(N,) signed distances of (N, 2) points, first order, positive outside.

    References
    ----------
    Sampson, "Fitting conic sections to very scattered data", CGIP 18, 1982: value over gradient length.
    """
    conic = conic_matrix(ellipse)
    homogeneous = np.concatenate([points, np.ones((len(points), 1))], axis=1)
    image = homogeneous @ conic
    value = (image * homogeneous).sum(axis=1)
    slope = 2 * np.hypot(image[:, 0], image[:, 1])
    return np.asarray(value / np.maximum(slope, 1e-12))


def scale_ellipse(ellipse: Ellipse, scale: float) -> Ellipse:
    """Ellipse of a picture resized by ``scale``, with pixel centres at whole coordinates."""
    return Ellipse(
        (ellipse.cx + 0.5) * scale - 0.5,
        (ellipse.cy + 0.5) * scale - 0.5,
        ellipse.semi_major * scale,
        ellipse.semi_minor * scale,
        ellipse.angle_deg,
    )


def fit_ellipse_robustly(
    points: FloatArray, start: Ellipse, tolerance_px: float, rounds: int = 5, outer: bool = False
) -> Ellipse | None:
    """Refit with weights that fade for points more than ``tolerance_px`` off (Geman-McClure).

    While half the points lie farther off, their median distance is the tolerance. With ``outer``, points
    inside fade three times sooner, so that of two rings the outer one wins.
    """
    current: Ellipse | None = start
    for _ in range(rounds):
        if current is None:
            return None
        off = ellipse_residuals_px(current, points)
        off = off / max(tolerance_px, float(np.median(np.abs(off))))
        if outer:
            off = np.where(off < 0, 3 * off, off)
        weights = 1 / (1 + off * off) ** 2
        if weights.sum() < 6:
            return None
        current = fit_ellipse(points, weights)
    return current


def polygon_iou(first: FloatArray, second: FloatArray) -> float:
    """Intersection over union of two closed polygons, (N, 2) and (M, 2), on a grid of about 500 px."""
    low = np.minimum(first.min(axis=0), second.min(axis=0))
    high = np.maximum(first.max(axis=0), second.max(axis=0))
    scale = 500 / float(max((high - low).max(), 1e-9))
    shape = tuple(int(v) for v in np.ceil((high - low)[::-1] * scale) + 2)
    masks = []
    for polygon in (first, second):
        mask = np.zeros(shape, dtype=np.uint8)
        cv2.fillPoly(mask, [np.round((polygon - low) * scale * 16).astype(np.int32)], 1, shift=4)
        masks.append(mask > 0)
    union = int((masks[0] | masks[1]).sum())
    return float((masks[0] & masks[1]).sum() / union) if union else 0.0
