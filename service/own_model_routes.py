"""Routes about the model, for the owner: what is in use, take a head on, give it back, rebuild vectors."""

from __future__ import annotations

import threading
from typing import Annotated, Any

from fastapi import FastAPI, File, UploadFile
from pydantic import BaseModel, Field
from starlette.responses import JSONResponse

from model.errors import RimlightError
from service.actions import Actions
from service.caller import require_owner
from service.own_model import ModelRefused, OwnModel
from service.problems import describe_problems
from service.recent_answers import RecentAnswers
from service.retries import retry_of
from service.route_types import Key


class HeadScore(BaseModel):
    """How a head was judged: each photo asked with its own piece left out."""

    asked: int = Field(description="photos that could be asked")
    found_first: float = Field(description="share found first with the head")
    found_first_in_use: float = Field(description="share found first with what was in use")
    difference: list[float] = Field(description="difference, and its 95 % interval")


class HeadInUse(BaseModel):
    """A head that was taken on."""

    id: str
    recipe_id: str
    adopted_at: str
    score: HeadScore


class Rebuild(BaseModel):
    """A rebuild of the vectors under way."""

    done: int
    total: int


class OwnModelState(BaseModel):
    """The network and what was fitted on one's own gallery."""

    recipe_id: str | None
    problem: str | None
    head: HeadInUse | None
    unfit: str | None = Field(description="id of a head that belongs to other weights and is not used")
    damaged: str | None = Field(description="why the head in use cannot be used")
    earlier: list[str] = Field(description="ids of the heads before it, oldest first")
    stale: int = Field(description="photos whose vectors another network made")
    rebuild: Rebuild | None
    rebuild_unfinished: bool


class Adopted(BaseModel):
    """A head that is in use from now on."""

    id: str
    score: HeadScore


class GivenBack(BaseModel):
    """A head given back, and the one that serves instead; null: the vectors as shipped."""

    given_back: str
    head: str | None


def add_own_model(app: FastAPI, actions: Actions) -> OwnModel:
    """Add the routes; the use cases are returned for what else shows them."""
    model = OwnModel(actions)
    answers = RecentAnswers()

    @app.get(
        "/api/model",
        response_model=OwnModelState,
        responses=describe_problems(403, 503),
        summary="The network, and the head fitted on this gallery",
    )
    def show_model() -> JSONResponse:
        require_owner()
        return JSONResponse(model.show())

    @app.post(
        "/api/model/head",
        response_model=Adopted,
        responses=describe_problems(403, 413, 422),
        summary="Take a head on, where it is better than what is in use",
    )
    def adopt_head(
        head: Annotated[UploadFile, File(description="from training.tune")], key: Key = None
    ) -> JSONResponse:
        require_owner()
        text = head.file.read().decode("utf-8", errors="replace")
        retry = retry_of(key, "adopt", text)
        return JSONResponse(answers.once(retry, lambda: model.adopt(text, _no_progress)))

    @app.delete(
        "/api/model/head",
        response_model=GivenBack,
        responses=describe_problems(403, 422),
        summary="Give the head back: the one before it serves again",
    )
    def give_head_back() -> JSONResponse:
        require_owner()
        return JSONResponse(model.roll_back())

    @app.post(
        "/api/model/rebuild",
        status_code=202,
        response_model=OwnModelState,
        responses=describe_problems(403, 422),
        summary="Make all vectors anew from the stored photos, in the background",
    )
    def rebuild_vectors(key: Key = None) -> JSONResponse:
        require_owner()
        return JSONResponse(answers.once(retry_of(key, "rebuild"), lambda: _start_rebuild(model)), 202)

    return model


def _start_rebuild(model: OwnModel) -> dict[str, Any]:
    state = model.show()
    if state["rebuild"] is not None:
        raise ModelRefused("The vectors are being rebuilt already.")
    if state["recipe_id"] is None:
        raise ModelRefused("The motif network is not installed here.")
    threading.Thread(target=_rebuild_quietly, args=(model,), daemon=True).start()
    return state


def _rebuild_quietly(model: OwnModel) -> None:
    """What fails is told by the state: the rebuild stays unfinished and goes on where it stopped."""
    try:
        model.rebuild(_no_progress)
    except RimlightError:
        return


def _no_progress(steps: list[Any], _what: str) -> list[Any]:
    return steps
