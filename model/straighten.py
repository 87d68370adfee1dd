"""Straighten a strip whose bands run nearer to the lip here and further from it there.

A rim that is not flat is seen more steeply on one side than on the other, and a lip found a little off shifts
everything; both change the distance from the lip by a factor that varies slowly round the rim. Only such slow
change is looked for: a vine that swings up and down stays a vine.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from model.rim_band import RimStrip

Map = npt.NDArray[np.float32]
Profile = npt.NDArray[np.float64]

# Width of a block whose row profile is compared, as a share of the strip's height, and the least number.
BLOCK_SHARE, LEAST_BLOCKS = 0.5, 6
# Samples of a profile, evenly spaced in ln(distance from the lip), the first at this share of the height.
SAMPLES, NEAREST_SHARE = 96, 0.06
# Blocks so far apart are compared, each with a reach that grows with the distance (in samples).
PAIR_STEPS = (1, 2, 3, 5, 8, 13)
LEAST_REACH, REACH_A_STEP, MOST_REACH = 2, 1.6, 16
# Slowness: cycles round the whole rim, and the degree of the polynomial for an open part of it.
MOST_CYCLES, LEAST_DEGREE, MOST_DEGREE = 3, 2, 5
# Ridge on the coefficients, in pairs of full trust: a change must be seen to be believed.
STIFFNESS = 0.5
ROUNDS, ROBUST_ROUNDS = 4, 6
# Residuals (samples) beyond which a pair of blocks does not count; Tukey's biweight.
GREATEST_RESIDUAL = 3.0
# Straightening must raise the mean likeness of the blocks to their common profile by this much.
LEAST_GAIN = 0.02
LEAST_SEEN_SHARE = 0.5
# Distances from the lip change by no more than this factor (ln).
GREATEST_STRETCH = 0.9


def straighten_strip(strip: RimStrip) -> RimStrip:
    """The strip with its bands level; the same strip where no slow change of their place is surely seen.

    Parameters
    ----------
    strip
        Any strip. Its lip stays where it is; rows below it are stretched column by column.

    Returns
    -------
    RimStrip
        What came from beyond the strip's last row is unseen.
    """
    stretch = find_stretch(strip)
    if stretch is None:
        return strip
    h, w = strip.seen_mask.shape
    map_x, map_y = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
    depth = np.maximum(map_y - strip.lip_row, 0)
    map_y += depth * (np.exp(stretch)[None].astype(np.float32) - 1)

    def move(image: npt.NDArray[Any], flags: int) -> npt.NDArray[Any]:
        moved = cv2.remap(image, map_x, map_y, flags, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(moved, dtype=image.dtype)

    seen = move(strip.seen_mask.astype(np.uint8), cv2.INTER_NEAREST) > 0
    seen &= map_y < h - 0.5
    return replace(
        strip,
        encoded=move(strip.encoded, cv2.INTER_LINEAR),
        linear_rgb=move(strip.linear_rgb, cv2.INTER_LINEAR),
        seen_mask=seen,
        clipped_mask=move(strip.clipped_mask.astype(np.uint8), cv2.INTER_NEAREST) > 0,
    )


def find_stretch(strip: RimStrip) -> Profile | None:
    """ln of the factor on distances from the lip that levels the bands, (w,), mean 0; None if none is sure.

    References
    ----------
    Shifts between blocks, near and far, are solved together as in bundle adjustment (least squares over all
    pairs, reweighted by Tukey's biweight), for slow functions of the rim angle only.
    """
    profiles, seen, columns = _describe_blocks(strip)
    if len(columns) < LEAST_BLOCKS:
        return None
    basis = _slow_basis(columns, strip)
    coefficients = np.zeros(basis.shape[1])
    for _ in range(ROUNDS):
        level = _move_profiles(profiles, basis @ coefficients)
        coefficients += _solve_pairs(level, seen, basis, strip.closed)
    gain = measure_likeness(_move_profiles(profiles, basis @ coefficients), seen) - measure_likeness(
        profiles, seen
    )
    if gain < LEAST_GAIN:
        return None
    step = -np.log(NEAREST_SHARE) / (SAMPLES - 1)
    everywhere = (_slow_basis(np.arange(strip.seen_mask.shape[1]), strip) @ coefficients) * step
    everywhere -= everywhere.mean()
    return np.asarray(np.clip(everywhere, -GREATEST_STRETCH, GREATEST_STRETCH))


def _describe_blocks(strip: RimStrip) -> tuple[Map, Profile, Profile]:
    """Profiles (3, samples, blocks) over ln(distance), seen share (blocks,), the blocks' centre columns."""
    h, w = strip.seen_mask.shape
    body = h - strip.lip_row
    wide = max(4, round(BLOCK_SHARE * body))
    blocks = w // wide
    if blocks < LEAST_BLOCKS or body < 12:
        return np.zeros((3, SAMPLES, 0), np.float32), np.zeros(0), np.zeros(0)
    wide = w // blocks
    light = cv2.log(np.maximum(strip.linear_rgb[:, : blocks * wide, 1], 0) + np.float32(0.01))
    light = cv2.GaussianBlur(light, (0, 0), 0.8)
    cut = (h, blocks, wide)
    seen = strip.seen_mask[:, : blocks * wide].reshape(cut).mean(axis=(0, 2))
    level = np.ascontiguousarray(light.reshape(cut).mean(axis=2))
    along = np.minimum(np.abs(cv2.Sobel(light, cv2.CV_32F, 1, 0, ksize=3)), 1.5).reshape(cut).mean(axis=2)
    across = np.minimum(np.abs(cv2.Sobel(light, cv2.CV_32F, 0, 1, ksize=3)), 1.5).reshape(cut).mean(axis=2)
    lines = np.minimum(np.abs(cv2.Sobel(level, cv2.CV_32F, 0, 1, ksize=3)), 1.0)
    rows = strip.lip_row + body * np.geomspace(NEAREST_SHARE, 1.0, SAMPLES) - 1
    map_x, map_y = np.meshgrid(np.arange(blocks, dtype=np.float32), rows.astype(np.float32))
    parts = [
        _normalise(cv2.remap(np.ascontiguousarray(part, np.float32), map_x, map_y, cv2.INTER_LINEAR))
        for part in (lines, along, across)
    ]
    return np.stack(parts), seen, (np.arange(blocks) + 0.5) * wide - 0.5


def _normalise(part: Map) -> Map:
    """Each block's profile (samples, blocks), its slow part off, length 1 unless it shows nothing."""
    fine = cv2.GaussianBlur(part, (1, 0), sigmaX=0.1, sigmaY=1.5) - cv2.GaussianBlur(
        part, (1, 0), sigmaX=0.1, sigmaY=14
    )
    length = np.linalg.norm(fine, axis=0, keepdims=True)
    return np.asarray(fine / np.maximum(length, 0.4 * float(np.median(length)) + 1e-6), np.float32)


def _slow_basis(columns: npt.ArrayLike, strip: RimStrip) -> Profile:
    """Slow functions (n, k) of the columns: cycles round a closed rim, low polynomials along an open part."""
    at = np.asarray(columns, dtype=np.float64) / strip.seen_mask.shape[1]
    if strip.closed:
        waves = [f(2 * np.pi * k * at) for k in range(1, MOST_CYCLES + 1) for f in (np.cos, np.sin)]
        return np.stack(waves, axis=1)
    span = float((strip.column_deg[-1] - strip.column_deg[0]) % 360.0)
    share = span / 360.0 if np.isfinite(span) else 0.2
    degree = int(np.clip(LEAST_DEGREE + round(5 * share), LEAST_DEGREE, MOST_DEGREE))
    return np.asarray(np.polynomial.legendre.legvander(2 * at - 1, degree)[:, 1:])


def _solve_pairs(profiles: Map, seen: Profile, basis: Profile, closed: bool) -> Profile:
    """Coefficients (k,) of the slow shift that agrees best with the shifts between all pairs of blocks."""
    rows, wanted, trust = [], [], []
    blocks = profiles.shape[2]
    for step in PAIR_STEPS:
        if step >= blocks // 2:
            break
        first = np.arange(blocks if closed else blocks - step)
        second = (first + step) % blocks
        shift, weight = _shift_between(profiles[:, :, first], profiles[:, :, second], _reach(step))
        weight = weight * (seen[first] > LEAST_SEEN_SHARE) * (seen[second] > LEAST_SEEN_SHARE)
        rows.append(basis[second] - basis[first])
        wanted.append(shift)
        trust.append(weight)
    design, target, weights = np.concatenate(rows), np.concatenate(wanted), np.concatenate(trust)
    robust = weights
    coefficients = np.zeros(basis.shape[1])
    for _ in range(ROBUST_ROUNDS):
        system = design.T @ (design * robust[:, None]) + STIFFNESS * np.eye(basis.shape[1])
        coefficients = np.linalg.solve(system, design.T @ (robust * target))
        far = np.minimum(np.abs(design @ coefficients - target) / GREATEST_RESIDUAL, 1)
        robust = weights * (1 - far**2) ** 2
    return coefficients


def _reach(step: int) -> int:
    return int(min(LEAST_REACH + REACH_A_STEP * step, MOST_REACH))


def _shift_between(first: Map, second: Map, reach: int) -> tuple[Profile, Profile]:
    """Samples by which each block's profile lies further down in ``second``, and the trust in it (n,)."""
    padded = np.pad(second, ((0, 0), (reach, reach), (0, 0)))
    n = first.shape[1]
    scores = np.stack([(padded[:, k : k + n] * first).sum(axis=(0, 1)) for k in range(2 * reach + 1)])
    top = scores.argmax(axis=0)
    each = np.arange(scores.shape[1])
    inner = np.clip(top, 1, 2 * reach - 1)
    before, middle, after = scores[inner - 1, each], scores[inner, each], scores[inner + 1, each]
    bend = np.minimum(before - 2 * middle + after, -1e-6)
    exact = inner + np.clip(0.5 * (before - after) / bend, -0.7, 0.7) - reach
    # A best shift at the end of the reach is no maximum.
    inside = (top > 0) & (top < 2 * reach)
    trust = np.maximum(scores[top, each] / len(first), 0) ** 2 * inside
    return exact.astype(np.float64), trust.astype(np.float64)


def _move_profiles(profiles: Map, shifts: Profile) -> Map:
    """Profiles with each block moved up by its shift (samples)."""
    _, n, blocks = profiles.shape
    map_x, map_y = np.meshgrid(np.arange(blocks, dtype=np.float32), np.arange(n, dtype=np.float32))
    map_y += shifts[None].astype(np.float32)
    mode = cv2.BORDER_CONSTANT
    return np.stack([cv2.remap(plane, map_x, map_y, cv2.INTER_LINEAR, borderMode=mode) for plane in profiles])


def measure_likeness(profiles: Map, seen: Profile) -> float:
    """Mean correlation of the seen blocks with the mean of the others."""
    weight = (seen > LEAST_SEEN_SHARE).astype(np.float64)
    total = (profiles * weight).sum(axis=2, keepdims=True)
    others = total - profiles * weight
    scale = np.maximum(np.linalg.norm(others, axis=1), 1e-6)
    likeness = ((profiles * others).sum(axis=1) / scale).mean(axis=0)
    return float((likeness * weight).sum() / max(float(weight.sum()), 1.0))
