"""The dominant piece's lip: proposed by edges and by the segmenter's votes, refined, the truest one taken."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from model.edges import find_edges
from model.ellipse import scale_ellipse
from model.lip_from_votes import (
    FLAT,
    REFINE_SIDE_PX,
    UNCLEAR,
    FoundLip,
    clarity,
    free_lip,
    fused_lip,
    lip_from_votes,
    start_ellipse,
    trust_in,
)
from model.lip_in_part import lip_in_part
from model.lip_shape import refine_elliptic_lip
from model.mask_shape import find_shape
from model.photo import Photo
from model.piece_mask import PieceMask, to_photo, turn_mask
from model.quarter_turns import TurnedPhoto, turn_lip_back, turn_points
from model.rim_choice import Choice, choose_lip

FloatArray = npt.NDArray[np.float64]

SEARCH_SIDE_PX = 512  # candidates: a plate's lip is then a curve of a few hundred pixels
LEAST_SCORE = 0.22  # of a lip chosen by its edges alone; below it nothing round is claimed
CERTAIN_SCORE = 0.75  # edges alone that hold against a segmenter that saw nothing
ELLIPSE_FIT = 0.80  # overlap with the segmenter's lip area from which a lip counts as found by its ellipse
_EDGES_ALONE = 0.46  # score of an ellipse that stands against an unclear area (held-out rendered scenes: from
# .48 on right in 5 of 5, up to .41 wrong in 15 of 18)
_SURE_SHAPE = 0.9  # overlap of a square or free shape that outweighs an ellipse found by its edges


def find_lip(photo: Photo, mask: PieceMask | None, trace: FloatArray | None) -> FoundLip | None:
    """The lip of the dominant piece; None where nothing speaks for one.

    The search runs on the photo turned the way up the piece stands, so that a turned photo gives the same.
    """
    if mask is None or mask.quarters % 4 == 0:
        return _find_upright(photo, mask, trace)
    quarters = mask.quarters % 4
    turned = None if trace is None else turn_points(trace, quarters, photo.width, photo.height)
    found = _find_upright(TurnedPhoto(photo, quarters), turn_mask(mask, quarters), turned)
    return None if found is None else FoundLip(turn_lip_back(found.lip, quarters, photo), found.trust)


def _find_upright(
    photo: Photo | TurnedPhoto, mask: PieceMask | None, trace: FloatArray | None
) -> FoundLip | None:
    guided = mask is not None and mask.votes is not None and trace is None
    start = start_ellipse(mask) if guided and mask is not None else None
    if guided and mask is not None and start is not None:
        hidden = lip_in_part(photo, mask, start)
        if hidden is not None:
            return hidden
    plain = lip_from_votes(photo, mask, start) if mask is not None and start is not None else None
    thin = start is not None and start.semi_minor < FLAT * start.semi_major
    if plain is not None and plain.sure and (plain.lip.ellipse is not None or not thin):
        return plain
    small, scale = photo.reduced(SEARCH_SIDE_PX)
    field = find_edges(small)
    if guided and mask is not None and clarity(mask) < UNCLEAR:
        alone = choose_lip(field, scale, None, None)
        if alone is not None and alone.score >= _EDGES_ALONE:
            level, level_scale = photo.reduced(REFINE_SIDE_PX)
            rough = scale_ellipse(alone.ellipse, level_scale / scale)
            return FoundLip(refine_elliptic_lip(level, rough, level_scale), None)
    choice = choose_lip(field, scale, mask, trace)
    found = _by_edges(photo, scale, choice, mask, trace)
    if not guided or mask is None:
        return found
    starts = [start] if start is not None else []
    if choice is not None and choice.area_fit is not None:
        starts.append(scale_ellipse(choice.ellipse, mask.scale / scale))
    several = [other.lip for other in (found, plain) if other is not None]
    if thin:  # the lines of the body beside a lip seen edge-on would bend a free curve
        several = [lip for lip in several if lip.ellipse is not None]
    return fused_lip(photo, mask, starts, several)


def _by_edges(
    photo: Photo | TurnedPhoto,
    scale: float,
    choice: Choice | None,
    mask: PieceMask | None,
    trace: FloatArray | None,
) -> FoundLip | None:
    """A lip through edges, chosen with the segmenter's area where there is one."""
    by_edges = choice is not None and choice.area_fit is None and choice.score >= LEAST_SCORE
    shape = find_shape(mask) if mask is not None and trace is None else None
    if by_edges and shape is not None and shape.fit < _SURE_SHAPE:
        shape = None
    fit = choice.area_fit if choice is not None and choice.area_fit is not None else 0.0
    level, level_scale = photo.reduced(REFINE_SIDE_PX)
    if shape is not None and mask is not None and shape.is_better_than(fit):
        rough = (to_photo(shape.polygon, mask.scale) + 0.5) * level_scale - 0.5
        return free_lip(level, level_scale, rough, mask, shape.fit)
    if choice is None or not is_believed(choice, mask):
        return None
    lip = refine_elliptic_lip(level, scale_ellipse(choice.ellipse, level_scale / scale), level_scale)
    return FoundLip(lip, None if mask is None else trust_in(mask, lip.curve))


def is_believed(choice: Choice, mask: PieceMask | None) -> bool:
    """Whether a chosen ellipse has enough to speak for it."""
    if mask is None or choice.area_fit is None:
        return choice.score >= LEAST_SCORE
    return choice.area_fit >= ELLIPSE_FIT or choice.score >= CERTAIN_SCORE
