"""The lip the segmenter votes for, moved to the edges that agree with it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from model.arc_tracking import follow_arc
from model.ellipse import fit_ellipse, polygon_iou, sample_ellipse, scale_ellipse
from model.facts import Ellipse
from model.lip_fusion import fit_to_contour, fuse_ellipse
from model.lip_shape import (
    Lip,
    keep_lip,
    lip_of_ellipse,
    refine_elliptic_lip,
    refine_free_lip,
)
from model.lip_votes import (
    KINDS,
    LipVotes,
    add_spout,
    agreement,
    ellipse_of_votes,
    polygon_of_votes,
)
from model.mask_shape import complete_area
from model.photo import Photo
from model.piece_mask import PieceMask, to_photo
from model.quarter_turns import TurnedPhoto
from model.rim_choice import area_in_frame, contour_of_area, fit_to_area

FloatArray = npt.NDArray[np.float64]
RGB = npt.NDArray[np.uint8]

REFINE_SIDE_PX = 1600  # the exact curve: a tenth of a pixel here is a quarter in the full photo
EDGES_LEAD = 0.03  # trust that a lip found by its edges may lack and still be taken: it is the sharper one
UNCLEAR = 0.9  # clarity of a lip area that is not to be believed against clear edges
_FREE_LEAD = 0.06  # trust by which a free shape must be ahead of an ellipse
_LOST_FIT = 0.04  # overlap that a free curve may lose to the edges it follows, or it follows wrong ones
_SURE_SEEN = 0.6  # of the lip inside the photo with an edge along it: nothing else is tried
_EDGES_SAY = 0.25  # how far edges along a lip change the choice among several
_UNSEEN = 0.4  # what a point outside the photo counts: neither with an edge nor without
_VOTES_SAY, _DOUBT = 0.3, 3.0  # how far votes change the trust; of their scale, so that what is seen rules
_FREE_PX = 0.5  # mask px: the segmenter's edge is no sharper
_LEAST_MINOR_PX = 1.0
_LEAST_CONTOUR = 12  # points of the lip area's contour, to say more than the votes
_RING_OVERLAP, _RING_TRUST = 0.85, 0.08  # of the two edges of a broad edge line; trust the outer may lack
_LARGEST = 6.0  # of the mask's longer side: a larger semi-axis is guessed from a straight line
_ELLIPTIC = 0.92  # overlap of an ellipse with the lip area under which other shapes are tried
FLAT = 0.35  # axis ratio under which a lip is nearly edge-on: its area says nothing of its shape
WHOLE = 0.9  # of the lip inside the photo, for its edges alone to settle it
_ELLIPSE, _ELLIPSE_KIND = KINDS.index("ellipse"), 0.5
_SPOUTED = KINDS.index("spouted")
_SPOUTED_KIND = 0.12  # probability; one piece in thirty of the composed ones has a spout


@dataclass(frozen=True, eq=False)
class FoundLip:
    """A lip in photo px, its agreement with the segmenter (0..1, None without one), whether it is sure."""

    lip: Lip
    trust: float | None
    sure: bool = False


def start_ellipse(mask: PieceMask) -> Ellipse | None:
    """The ellipse, mask px, through the lip area's contour in the photo and the votes beyond it."""
    votes = mask.votes
    if votes is None:
        return None
    told = ellipse_of_votes(votes)
    contour = contour_of_area(mask)
    points = np.empty((0, 2)) if contour is None else contour[0][contour[1]]
    if len(points) < _LEAST_CONTOUR:
        return told
    found: tuple[float, Ellipse] | None = None
    for start in (fit_ellipse(points), told):
        if start is None or start.semi_minor < 0.3 or start.semi_major > _LARGEST * max(mask.lip_area.shape):
            continue
        ellipse = fit_to_contour(points, start, votes)
        if ellipse is not None:
            trust = trust_in(mask, to_photo(sample_ellipse(ellipse), mask.scale))
            if found is None or trust > found[0]:
                found = trust, ellipse
    return told if found is None else found[1]


def lip_from_votes(photo: Photo | TurnedPhoto, mask: PieceMask, start: Ellipse) -> FoundLip | None:
    """The lip of the segmenter refined on all its edges; sure where they are seen and lead nowhere else."""
    level, level_scale = photo.reduced(REFINE_SIDE_PX)
    rough = sample_ellipse(start)
    before = fit_to_area(mask, rough)
    if before < _ELLIPTIC or mask.votes is None or mask.votes.kind[_SPOUTED] > _SPOUTED_KIND:
        return None
    lip = refine_elliptic_lip(level, scale_ellipse(start, level_scale / mask.scale), level_scale)
    after = fit_to_area(mask, to_mask(mask, lip.curve))
    inside = in_frame(photo, lip.curve)
    seen = float(lip.seen[inside].mean()) if inside.any() else 0.0
    sure = after >= before - EDGES_LEAD and seen >= _SURE_SEEN and inside.mean() >= WHOLE
    return FoundLip(lip, trust_in(mask, lip.curve), bool(sure))


def in_frame(photo: Photo | TurnedPhoto, curve: FloatArray) -> npt.NDArray[np.bool_]:
    """(N,) bool of (N, 2) points, photo px."""
    return np.asarray(((curve >= 0) & (curve <= [photo.width - 1, photo.height - 1])).all(axis=1))


def fused_lip(
    photo: Photo | TurnedPhoto, mask: PieceMask, starts: list[Ellipse], several: list[Lip]
) -> FoundLip | None:
    """The truest of lips after segmenter and edges; ``starts`` in mask px, ``several`` found already."""
    votes = mask.votes
    if votes is None:
        return None
    level, level_scale = photo.reduced(REFINE_SIDE_PX)
    told = votes.scaled(level_scale / mask.scale)
    lips = list(several)
    for start in starts:
        rough = scale_ellipse(start, level_scale / mask.scale)
        if rough.semi_minor < _LEAST_MINOR_PX:
            continue
        for ellipse in (fuse_ellipse(level, rough, told)[0], rough):
            lips.append(lip_of_ellipse(level, ellipse, level_scale))
            spouted = add_spout(ellipse, told) if votes.kind[_SPOUTED] > _SPOUTED_KIND else None
            if spouted is not None:
                lips.append(keep_lip(level, spouted, level_scale))
    best = _truest(photo, mask, lips)
    flat = all(start.semi_minor > FLAT * start.semi_major for start in starts)
    flat = flat and clarity(mask) >= UNCLEAR
    if best is None or (flat and fit_to_area(mask, to_mask(mask, best.lip.curve)) < _ELLIPTIC):
        free = _truest(photo, mask, _free_lips(level, level_scale, mask, votes))
        if best is None or (free is not None and (free.trust or 0) > (best.trust or 0) + _FREE_LEAD):
            best = free
    return None if best is None else _follow(photo, mask, best)


def _follow(photo: Photo | TurnedPhoto, mask: PieceMask, found: FoundLip) -> FoundLip:
    """A lip cut by the frame, fitted anew as an ellipse to its visible arc if that is one all along."""
    votes, ellipse = mask.votes, found.lip.ellipse or fit_ellipse(found.lip.curve)
    if votes is None or ellipse is None or in_frame(photo, found.lip.curve).mean() >= WHOLE:
        return found
    if found.lip.ellipse is None and votes.kind[_ELLIPSE] < _ELLIPSE_KIND:
        return found  # a free curve that is meant to be none
    level, level_scale = photo.reduced(REFINE_SIDE_PX)
    told = votes.scaled(level_scale / mask.scale)
    fitted = follow_arc(level, scale_ellipse(ellipse, level_scale), told)
    if fitted is None:
        return found
    lip = lip_of_ellipse(level, fitted, level_scale)
    return FoundLip(lip, max(found.trust or 0.0, trust_in(mask, lip.curve)))


def _free_lips(level: RGB, level_scale: float, mask: PieceMask, votes: LipVotes) -> list[Lip]:
    """Square and wavy lips: the segmenter's area, completed by the votes, moved to the edges or kept."""
    told = polygon_of_votes(votes)
    if told is None:
        return []
    lips = []
    for polygon in (complete_area(mask, told, convex=True), complete_area(mask, told, convex=False)):
        if polygon is not None:
            rough = (to_photo(polygon, mask.scale) + 0.5) * level_scale - 0.5
            found = free_lip(level, level_scale, rough, mask, fit_to_area(mask, polygon))
            lips += [found.lip, keep_lip(level, rough, level_scale)]
    return lips


def free_lip(level: RGB, level_scale: float, rough: FloatArray, mask: PieceMask, fit: float) -> FoundLip:
    """A closed curve, px of the level, moved to edges, or kept where they lead it off the area."""
    lip = refine_free_lip(level, rough, level_scale)
    if fit_to_area(mask, to_mask(mask, lip.curve)) < fit - _LOST_FIT:
        lip = keep_lip(level, rough, level_scale)
    return FoundLip(lip, trust_in(mask, lip.curve))


def _truest(photo: Photo | TurnedPhoto, mask: PieceMask, lips: list[Lip]) -> FoundLip | None:
    """The first lip, or a later one that is clearly truer; edges along it speak for it."""
    best: FoundLip | None = None
    most = best_seen = 0.0
    judged = []
    for lip in lips:
        trust = trust_in(mask, lip.curve)
        inside = in_frame(photo, lip.curve)
        seen = float(np.where(inside, lip.seen, _UNSEEN).mean())
        score = trust * (1 - _EDGES_SAY + _EDGES_SAY * seen)
        judged.append((FoundLip(lip, trust), trust, seen))
        if best is None or score > most + EDGES_LEAD:
            best, most, best_seen = judged[-1][0], score, seen
    for other, trust, seen in judged:
        if best is None or seen < best_seen or trust < (best.trust or 0.0) - _RING_TRUST:
            continue
        if _is_ring_around(other.lip, best.lip):
            best, best_seen = other, seen
    return best


def _is_ring_around(outer: Lip, inner: Lip) -> bool:
    """Whether two lips bound a narrow ring: a broad edge line has two edges, and the outer one is the lip."""
    if outer is inner or outer.ellipse is None or inner.ellipse is None:
        return False
    wider = outer.ellipse.semi_minor > inner.ellipse.semi_minor * 1.02
    return wider and polygon_iou(outer.curve, inner.curve) > _RING_OVERLAP


def trust_in(mask: PieceMask, curve: FloatArray) -> float:
    """0..1: how well a closed curve (N, 2), photo px, agrees with the segmenter's area and votes."""
    points = to_mask(mask, curve)
    if mask.votes is None:
        return fit_to_area(mask, points)
    votes = mask.votes
    doubtful = LipVotes(votes.middle, votes.reach_px, _DOUBT * votes.scale_px, votes.kind)
    return fit_loosely(mask, points) * (1 - _VOTES_SAY + _VOTES_SAY * agreement(doubtful, points))


def clarity(mask: PieceMask) -> float:
    """0..1: how surely the segmenter tells the lip area from the rest."""
    area = mask.lip_area
    return float((area * area).sum() / max(float(area.sum()), 1e-6))


def fit_loosely(mask: PieceMask, points: FloatArray) -> float:
    """Overlap with the lip area, half a mask px along the curve given for free: thin lips are little more."""
    rows, columns = mask.lip_area.shape
    inside = ((points >= 0) & (points <= [columns - 1, rows - 1])).all(axis=1)
    steps = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    free = _FREE_PX * float(steps[inside].sum()) + 4.0
    area = float(mask.lip_area.sum())
    shared = fit_to_area(mask, points)
    union = (area + area_in_frame(mask, points)) / (1 + shared)
    return min(1.0, (shared * union + free) / max(union, free))


def to_mask(mask: PieceMask, points: FloatArray) -> FloatArray:
    """Photo px to mask px."""
    return (points + 0.5) * mask.scale - 0.5
