"""Several photos of one piece: their readings pooled into one of the same shape. Nothing is stored."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import FastAPI, Query
from pydantic import BaseModel, Field
from starlette.responses import JSONResponse

from service import items, schemas
from service.actions import Actions
from service.errors import LabelError
from service.problems import describe_problems

if TYPE_CHECKING:
    from model.lookup import Matches
    from service.kept import NewReading

Facts = dict[str, Any]
Vectors = list[tuple[float, bytes]]
MOST_PHOTOS = 12


@dataclass(frozen=True)
class Sight:
    """One photo's reading and its vectors, each with its weight."""

    facts: Facts
    vectors: Vectors


class SamePiece(BaseModel):
    """Which readings were pooled."""

    readings: list[str] = Field(description="ids in the order given, each photo once")
    worth: float = Field(description="as many independent photos they count, given the light they share")
    conflict: bool = Field(description="two photos are each sure of something else: perhaps not one piece")


class PooledReading(schemas.Reading):
    """A reading of several photos of one piece.

    ``id``, ``photo``, ``piece`` and ``light`` are those of the photo that shows most of the lip.
    """

    same_piece: SamePiece


def add_same_piece(app: FastAPI, actions: Actions) -> None:
    """Add the route."""

    @app.get(
        "/api/same-piece",
        response_model=PooledReading,
        responses=describe_problems(404, 422),
        summary="Several photos of one piece read as one",
    )
    def read_same_piece(
        reading: Annotated[
            list[str],
            Query(
                min_length=2,
                max_length=MOST_PHOTOS,
                description="ids of readings of the same piece, turned, nearer or in another light",
            ),
        ],
    ) -> JSONResponse:
        return JSONResponse(find_same_piece(actions, reading))


def find_same_piece(actions: Actions, reading_ids: Sequence[str]) -> Facts:
    """Pool stored readings.

    Raises
    ------
    NotFound
        There is no reading of one of the ids.
    LabelError
        They are all of one photo.
    """
    recipe_id = actions.worker.wait_ready().recipe_id
    sights = []
    for reading_id in dict.fromkeys(reading_ids):
        facts = actions.find_reading(reading_id)
        with actions.store.looking() as tx:
            vectors = actions.store.find_vectors(tx, reading_id, recipe_id) if recipe_id else []
        sights.append(Sight(facts, vectors))
    return pool_sights(actions, sights)


def pool_new(actions: Actions, readings: Sequence[NewReading]) -> Facts:
    """Pool readings that were made just now and are not stored.

    Raises
    ------
    LabelError
        They are all of one photo.
    """
    sights = [
        Sight(reading.facts, [(crop.weight, crop.numbers) for crop in reading.crops]) for reading in readings
    ]
    return pool_sights(actions, sights)


def pool_sights(actions: Actions, sights: Sequence[Sight]) -> Facts:
    """One reading from several of a piece; a photo read twice counts once, as it was read last."""
    from model import pooled_trim, same_piece
    from model.facts import as_plain

    once = list({sight.facts["photo"]["sha256"]: sight for sight in sights}.values())
    if len(once) < 2:
        raise LabelError("These readings are all of one photo: take another photo of the piece.")
    told = [sight.facts for sight in once]
    rims = [facts["piece"]["rim"] for facts in told]
    base = told[same_piece.find_fullest([rim and rim["visible_share"] for rim in rims])]
    views = [
        pooled_trim.TrimView(
            same_piece.trim_from_json(facts["trim"]), same_piece.light_from_json(facts["light"])
        )
        for facts in told
    ]
    trim = pooled_trim.pool_trims(views)
    lines = same_piece.pool_lines([same_piece.lines_from_json(facts["lines"]) for facts in told], trim)
    border = same_piece.pool_border([same_piece.border_from_json(facts["border"]) for facts in told])
    known = [view for view in views if view.trim.probabilities is not None]
    worth = pooled_trim.count_effective([view.light for view in known], pooled_trim.load_pooling())
    pooled: Facts = {
        **base,
        "trim": as_plain(trim),
        "lines": None if lines is None else [as_plain(line) for line in lines],
        "border": None if border is None else as_plain(border),
        "timing_ms": {},
        "same_piece": {
            "readings": [facts["id"] for facts in told],
            "worth": round(worth, 3) if known else 0.0,
            "conflict": pooled_trim.do_conflict(known),
        },
    }
    matches = _match(actions, once)
    if matches is not None:
        pooled["candidates"] = [as_plain(candidate) for candidate in matches.candidates]
        pooled["not_in_gallery_probability"] = matches.not_in_gallery_probability
    return pooled


def _match(actions: Actions, sights: Sequence[Sight]) -> Matches | None:
    """The motifs that all photos speak for, by today's gallery; None where there is nothing to ask with."""
    import numpy as np

    from model.pooled_motif import MotifView, look_up_together
    from service.packed import open_gallery

    recipe_id = actions.worker.wait_ready().recipe_id
    asked = [sight.vectors for sight in sights if sight.vectors]
    if recipe_id is None or not asked:
        return None
    views = [
        MotifView(
            np.stack([np.frombuffer(numbers, "<f4") for _, numbers in vectors]),
            np.array([weight for weight, _ in vectors], np.float32),
        )
        for vectors in asked
    ]
    with actions.store.looking() as tx:
        packed = items.pack_gallery(tx, recipe_id)
    return look_up_together(views, open_gallery(packed))
