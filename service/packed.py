"""A packed gallery opened: the arrays the look-up searches. Importing this costs numpy."""

from __future__ import annotations

import numpy as np

from model.errors import RecipeError
from model.head import Head, read_head
from model.lookup import Gallery, GalleryItem
from service.kept import PackedGallery


def open_gallery(packed: PackedGallery, with_head: bool = True) -> Gallery:
    """The gallery of a pack, with the head that was taken on where told and where there is one."""
    rows = len(packed.photo_index)
    vectors = np.frombuffer(packed.numbers, dtype="<f4").reshape(rows, -1 if rows else 1)
    return Gallery(
        vectors=vectors,
        photo_index=np.array(packed.photo_index, dtype=np.int64),
        items=tuple(GalleryItem(*item) for item in packed.items),
        recipe_id=packed.recipe_id,
        head=_open_head(packed.head) if with_head and rows else None,
    )


def _open_head(text: str) -> Head | None:
    """The head, or None: a damaged one must not stop the reading; ``rimlight model show`` tells of it."""
    try:
        return read_head(text) if text else None
    except RecipeError:
        return None
