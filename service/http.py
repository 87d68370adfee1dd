"""The HTTP edge: routes translate to use cases and back, never think."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import FastAPI, Form, Query
from starlette.responses import JSONResponse, Response

from service import pages, problems, schemas
from service.actions import Actions
from service.api_document import describe_api
from service.caller import current_caller
from service.desk_pages import add_desk_pages
from service.device_routes import add_devices
from service.devices import Devices
from service.doubts import add_doubts
from service.evidence import add_evidence
from service.labels import LABEL_NAMES, check_labels
from service.overlap import add_overlap
from service.own_model_routes import add_own_model
from service.piece_pages import add_piece_pages
from service.readings import PictureSize
from service.register.register_actions import make_register
from service.register.routes import add_register
from service.retries import Retry, fingerprint
from service.route_types import Id, Key
from service.same_piece import add_same_piece

PROBLEM: dict[str, Any] = {
    "content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}},
}


def _problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    return {status: PROBLEM | {"description": problems.STATUS_TITLES[status]} for status in statuses}


def make_app(actions: Actions) -> FastAPI:
    """The app on one set of use cases; wrap it in ``guard.Guard`` before serving it."""
    app = FastAPI(
        title="Rimlight",
        description="Reads the decorated rim of tableware from a photo. A visual opinion, not an assay.",
        version="1",
        docs_url=None,
        redoc_url=None,
        openapi_url="/openapi.json",
    )
    app.openapi = lambda: describe_api(app)  # type: ignore[method-assign]
    actions.find_device = lambda: current_caller().device
    problems.install(app)
    _add_reading_routes(app, actions)
    add_overlap(app, actions)
    add_same_piece(app, actions)
    add_evidence(app, actions)
    add_doubts(app, actions)
    _add_gallery_routes(app, actions)
    add_own_model(app, actions)
    _add_service_routes(app, actions)
    register = make_register(actions)
    add_register(app, register)
    app.state.devices = Devices(actions.store)
    shapes = pages.add_pages(app, actions)
    add_devices(app, app.state.devices, shapes)
    add_desk_pages(app, shapes, actions, register)
    add_piece_pages(app, shapes, actions, register)
    return app


def _add_reading_routes(app: FastAPI, actions: Actions) -> None:
    @app.post(
        "/api/readings",
        status_code=201,
        response_model=schemas.Reading,
        responses=_problems(413, 415, 422, 503),
        summary="Read a photo",
    )
    def read_photo(
        form: Annotated[schemas.ReadingForm, Form(media_type="multipart/form-data")], key: Key = None
    ) -> Response:
        actions.check_room(form.photo.size)
        data = form.photo.file.read()
        retry = _retry(key, "readings", data, *_parts(form))
        reading = actions.read_photo(data, form.neutral, form.trace, retry, form.diameter_mm)
        return JSONResponse(reading, 201, {"Location": f"/api/readings/{reading['id']}"})

    @app.get(
        "/api/readings/{reading_id}",
        response_model=schemas.Reading,
        responses=_problems(404),
        summary="A reading made before",
    )
    def find_reading(reading_id: Id) -> Response:
        return JSONResponse(actions.find_reading(reading_id))

    @app.get(
        "/api/readings/{reading_id}/strip.png",
        responses=_problems(404, 503) | {200: {"content": {"image/png": {}}}},
        response_class=Response,
        summary="The unrolled rim band",
    )
    def find_strip(reading_id: Id) -> Response:
        return _picture(actions.find_strip(reading_id), "image/png")

    @app.get(
        "/api/readings/{reading_id}/photo.jpg",
        responses=_problems(404, 422, 503) | {200: {"content": {"image/jpeg": {}}}},
        response_class=Response,
        summary="The photo, re-encoded for showing",
    )
    def find_picture(reading_id: Id, size: PictureSize = "display") -> Response:
        return _picture(actions.find_picture(reading_id, size), "image/jpeg")

    @app.post(
        "/api/readings/{reading_id}/again",
        status_code=201,
        response_model=schemas.Reading,
        responses=_problems(404, 422, 503),
        summary="Read the same photo anew, with a hint",
    )
    def read_again(reading_id: Id, body: schemas.HintsIn, key: Key = None) -> Response:
        retry = _retry(key, "again", reading_id, *_parts(body))
        reading = actions.read_again(reading_id, body.neutral, body.trace, retry, body.diameter_mm)
        return JSONResponse(reading, 201, {"Location": f"/api/readings/{reading['id']}"})

    @app.post(
        "/api/readings/{reading_id}/confirmation",
        status_code=201,
        response_model=schemas.ChangedItem,
        responses=_problems(404, 422),
        summary="Confirm or correct: the photo joins the gallery",
    )
    def confirm_reading(reading_id: Id, body: schemas.LabelsIn, key: Key = None) -> Response:
        retry = _retry(key, "confirmation", reading_id, body.model_dump_json())
        item = actions.confirm_reading(reading_id, check_labels(body.model_dump()), retry)
        return JSONResponse(item, 201, {"Location": f"/api/gallery/{item['id']}"})


def _add_gallery_routes(app: FastAPI, actions: Actions) -> None:
    @app.post(
        "/api/gallery",
        status_code=201,
        response_model=schemas.ChangedItem,
        responses=_problems(413, 415, 422, 503),
        summary="Add a labelled photo",
    )
    def add_photo(
        form: Annotated[schemas.GalleryForm, Form(media_type="multipart/form-data")], key: Key = None
    ) -> Response:
        given = {name: getattr(form, name) for name in LABEL_NAMES}
        labels = check_labels(given)
        actions.check_room(form.photo.size)
        data = form.photo.file.read()
        item = actions.add_photo(data, labels, _retry(key, "gallery", data, *given.values()))
        return JSONResponse(item, 201, {"Location": f"/api/gallery/{item['id']}"})

    @app.get(
        "/api/gallery",
        response_model=schemas.GalleryPage,
        responses=_problems(422),
        summary="The gallery, newest first",
    )
    def list_gallery(
        motif: Annotated[str | None, Query(max_length=200, description="name or id")] = None,
        metal: Annotated[Literal["gold", "platinum", "silver"] | None, Query()] = None,
        page: Annotated[int, Query(ge=1, le=1_000_000)] = 1,
    ) -> Response:
        return JSONResponse(actions.list_gallery(motif, metal, page))

    @app.get(
        "/api/gallery/{item_id}",
        response_model=schemas.GalleryItem,
        responses=_problems(404),
        summary="One gallery item",
    )
    def find_item(item_id: Id) -> Response:
        return JSONResponse(actions.find_item(item_id))

    @app.get(
        "/api/gallery/{item_id}/photo.jpg",
        responses=_problems(404, 422, 503) | {200: {"content": {"image/jpeg": {}}}},
        response_class=Response,
        summary="A gallery photo, re-encoded for showing",
    )
    def find_item_picture(item_id: Id, size: PictureSize = "display") -> Response:
        reading_id = actions.find_item(item_id)["reading_id"]
        return _picture(actions.find_picture(reading_id, size), "image/jpeg")

    @app.delete(
        "/api/gallery/{item_id}",
        status_code=204,
        responses=_problems(404),
        summary="Take an item out of the gallery",
    )
    def remove_item(item_id: Id) -> Response:
        return Response(status_code=204, headers={"Change-Id": actions.remove_item(item_id)})


def _add_service_routes(app: FastAPI, actions: Actions) -> None:
    @app.post(
        "/api/undo",
        response_model=schemas.Undone,
        responses=_problems(409, 422),
        summary="Undo a change, by default the last",
    )
    def undo_change(body: schemas.UndoIn | None = None, key: Key = None) -> Response:
        change = body.change if body is not None else None
        return JSONResponse(actions.undo_change(change, _retry(key, "undo", change)))

    @app.get("/api/health", response_model=schemas.Health, summary="How the service is")
    def tell_health() -> Response:
        return JSONResponse(actions.tell_health())


def _parts(hints: schemas.HintsIn) -> list[str | None]:
    """What a retry must have in common; without a diameter as before there was one."""
    told = [] if hints.diameter_mm is None else [f"{hints.diameter_mm!r} mm"]
    return [hints.neutral, hints.trace, *told]


def _retry(key: str | None, *parts: str | bytes | None) -> Retry | None:
    return None if key is None else Retry(key, fingerprint(*parts))


def _picture(data: bytes, media_type: str) -> Response:
    """A picture that never changes under its address."""
    return Response(data, media_type=media_type, headers={"Cache-Control": "private, max-age=86400"})
