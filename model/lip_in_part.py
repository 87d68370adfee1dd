"""The whole lip of a piece of which a part is hidden: round under a cover, or square and cut or covered."""

from __future__ import annotations

from dataclasses import replace

from model.ellipse import scale_ellipse
from model.facts import Ellipse
from model.lip_covered import ellipse_under_cover
from model.lip_from_votes import REFINE_SIDE_PX, WHOLE, FoundLip, clarity, in_frame, trust_in
from model.lip_fusion import fuse_ellipse
from model.lip_shape import lip_of_ellipse, refine_seen_part
from model.lip_square import SQUARE, SQUARE_KIND, Lens, square_of_contour
from model.lip_votes import votes_of_ellipse
from model.outline import lip_in_view
from model.perspective import focal_length_px
from model.photo import Photo
from model.piece_mask import PieceMask, to_photo
from model.quarter_turns import TurnedPhoto

_LEAST_CLARITY = 0.8  # of the lip area, for its contour to be believed
_UNCOVERED = 0.9  # of the contour on a square from which nothing of it is covered


def lip_in_part(photo: Photo | TurnedPhoto, mask: PieceMask, start: Ellipse) -> FoundLip | None:
    """The lip of a covered round piece, or of a square one cut or covered; None where it is neither.

    ``start`` is the ellipse, mask px, through the whole contour of the lip area.
    """
    level, level_scale = photo.reduced(REFINE_SIDE_PX)
    grow = level_scale / mask.scale
    if mask.votes is None or clarity(mask) < _LEAST_CLARITY:
        return None
    rows, columns = mask.lip_area.shape
    told = photo.photo.focal_length_35mm if isinstance(photo, TurnedPhoto) else photo.focal_length_35mm
    focal = focal_length_px(photo.width, photo.height, told) * mask.scale
    square = square_of_contour(mask, Lens(focal, (columns - 1) / 2, (rows - 1) / 2))
    if square is not None:
        curve = (square[0].sample() + 0.5) * grow - 0.5
        cut = in_frame(photo, to_photo(curve, level_scale)).mean() < WHOLE
        if not cut and square[1] > _UNCOVERED:
            return None
        lip = refine_seen_part(level, curve, level_scale)
    elif mask.votes.kind[SQUARE] < SQUARE_KIND:
        covered = ellipse_under_cover(mask, start)
        if covered is None:
            return None
        near = votes_of_ellipse(covered, mask.votes).scaled(grow)
        lip = lip_of_ellipse(level, fuse_ellipse(level, scale_ellipse(covered, grow), near)[0], level_scale)
    else:
        return None
    lip = replace(lip, seen=lip_in_view(mask, lip.curve, lip.seen))
    return FoundLip(lip, trust_in(mask, lip.curve))
