"""Gallery photos whose motif their neighbours speak against, and the route that shows them.

Nothing is changed by it: a person looks at the photo, and corrects its label or lets it stand.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI
from pydantic import BaseModel, Field
from starlette.responses import JSONResponse

from service import items
from service.kept import PackedGallery
from service.schemas import GalleryItem
from service.store import Store

if TYPE_CHECKING:
    from service.actions import Actions

Answer = dict[str, Any]


class GalleryDoubt(BaseModel):
    """A gallery photo that looks more like another motif than like the other photos of its own."""

    item: GalleryItem
    nearer: GalleryItem = Field(description="the photo of the other motif that looks most like it")
    lead: float = Field(description="by how much that motif comes nearer, in cosine of the vectors, 0 to 2")
    text: str


class GalleryDoubts(BaseModel):
    """The doubts, the clearest first."""

    doubts: list[GalleryDoubt]
    judged: int = Field(description="photos that could be judged: their motif has another photo")


def add_doubts(app: FastAPI, actions: Actions) -> None:
    """Add the route; before the one of single items, whose address would take its name for an id."""

    @app.get(
        "/api/gallery/doubts",
        response_model=GalleryDoubts,
        summary="Gallery photos whose motif their neighbours speak against",
    )
    def list_doubts() -> JSONResponse:
        return JSONResponse(actions.list_doubts())


def find_doubts(store: Store) -> Answer:
    """The doubts about the gallery as it stands, as public JSON."""
    with store.looking() as tx:
        recipe_id = items.find_main_recipe(tx)
        packed = None if recipe_id is None else items.pack_gallery(tx, recipe_id)
        if packed is None or not packed.items:
            return {"doubts": [], "judged": 0}
        from model.gallery_doubts import find_doubtful_items  # here: most commands start without it
        from service.packed import open_gallery

        found = find_doubtful_items(open_gallery(packed))
        told = [
            {
                "item": items.item_json(_present(items.find_item(tx, doubt.item.gallery_id))),
                "nearer": items.item_json(_present(items.find_item(tx, doubt.nearer.gallery_id))),
                "lead": doubt.lead,
                "text": f"Labelled {doubt.item.motif}, but it looks more like {doubt.nearer.motif}: "
                "look at both photos, then correct the label or leave it.",
            }
            for doubt in found
        ]
    return {"doubts": told, "judged": _count_judged(packed)}


def _count_judged(packed: PackedGallery) -> int:
    photos = Counter(motif_id for _, motif_id, _, _ in packed.items)
    return sum(count for count in photos.values() if count > 1) if len(photos) > 1 else 0


def _present(row: Any) -> Any:
    assert row is not None  # packed from the same view
    return row
