"""Gallery photos whose label disagrees with the photos most like them: mislabelled, or worth a look."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from model.lookup import Gallery, GalleryItem

# Another motif must come nearer than the photo's own by this much (mean cosine of its windows). On 338
# rendered strips of 45 validation motifs at a time, 25 of them labelled wrongly, .10 pointed out 24 of the 25
# and 7 % of the rightly labelled ones; .20 pointed out 18 and 3 %.
LEAST_LEAD = 0.10


@dataclass(frozen=True)
class Doubt:
    """One gallery photo that lies nearer to another motif than to the other photos of its own.

    Attributes
    ----------
    item
        The photo, as labelled.
    nearer
        The photo of another motif that lies nearest.
    lead
        By how much (mean cosine of the windows) that motif comes nearer than the labelled one.
    """

    item: GalleryItem
    nearer: GalleryItem
    lead: float


def find_doubtful_items(gallery: Gallery, least_lead: float = LEAST_LEAD) -> tuple[Doubt, ...]:
    """Photos whose label their neighbours speak against, the clearest first.

    Only photos whose motif has another photo can be judged; one photo alone has nothing to agree with.

    Parameters
    ----------
    gallery
        The labelled vectors.
    least_lead
        Smallest lead of another motif that is pointed out.
    """
    index = gallery._sorted
    if not len(index.rows):
        return ()
    motif_of = np.array([gallery.items[photo].motif_id for photo in index.photos], dtype=object)
    ends = np.append(index.photo_starts[1:], len(index.rows))
    doubts = []
    for place, (first, last) in enumerate(zip(index.photo_starts, ends, strict=True)):
        nearest = np.maximum.reduceat(index.rows @ index.rows[first:last].T, index.photo_starts, axis=0)
        same = motif_of == motif_of[place]
        others = np.flatnonzero(~same)
        same[place] = False
        if not same.any() or not len(others):
            continue
        rival = int(others[nearest[others].mean(axis=1).argmax()])
        lead = _score(nearest[motif_of == motif_of[rival]]) - _score(nearest[same])
        if lead >= least_lead:
            photo, other = (gallery.items[index.photos[at]] for at in (place, rival))
            doubts.append(Doubt(photo, other, round(lead, 4)))
    return tuple(sorted(doubts, key=lambda doubt: -doubt.lead))


def _score(nearest: npt.NDArray[np.floating]) -> float:
    """Mean over the windows, across, of the nearest among a motif's photos, down."""
    return float(nearest.max(axis=0).mean())
