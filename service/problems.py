"""Every refusal as RFC 9457 problem details; the only place that knows which status an error has."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from model import errors as model_errors
from service import errors

# kind: (status, short name, title). The first that fits an error's class, from the most special on.
KINDS: Mapping[type[Exception], tuple[int, str, str]] = {
    model_errors.NotAPhoto: (415, "not-a-photo", "Not a photo that can be read"),
    model_errors.PhotoTooLarge: (413, "photo-too-large", "The photo is too large"),
    model_errors.PhotoTooSmall: (422, "photo-too-small", "The photo is too small"),
    model_errors.PhotoTruncated: (422, "photo-truncated", "The photo is damaged"),
    errors.ReaderStopped: (422, "photo-unreadable", "The photo could not be read"),
    model_errors.PhotoError: (422, "photo-unreadable", "The photo could not be read"),
    model_errors.HintError: (422, "hint", "The point or line cannot be used"),
    errors.LabelError: (422, "label", "A label cannot be used"),
    errors.KeyReused: (422, "key-reused", "Idempotency-Key used before"),
    errors.NotFound: (404, "not-found", "Not found"),
    errors.NothingToUndo: (409, "nothing-to-undo", "Nothing to undo"),
    errors.Busy: (503, "busy", "Too many photos are waiting"),
    errors.StoreError: (507, "store", "The gallery cannot be used"),
    model_errors.RimlightError: (422, "refused", "Refused"),
}
STATUS_TITLES = {
    400: "Bad request",
    403: "Refused",
    404: "Not found",
    405: "Method not allowed",
    409: "Not possible now",
    413: "Too large",
    415: "Wrong kind of body",
    421: "Wrong host",
    422: "The request cannot be used",
    500: "Something failed here",
}


def make_problem(status: int, name: str, title: str, detail: str, headers: Mapping[str, str]) -> Response:
    """One problem answer."""
    body = {"type": f"/problems#{name}", "title": title, "status": status, "detail": detail}
    return Response(json.dumps(body), status, dict(headers), media_type="application/problem+json")


def install(app: FastAPI) -> None:
    """Teach the app to answer every error as a problem."""
    app.add_exception_handler(model_errors.RimlightError, _own_error)
    app.add_exception_handler(RequestValidationError, _invalid_request)
    app.add_exception_handler(HTTPException, _http_error)
    app.add_exception_handler(Exception, _unexpected)


def _own_error(_: Request, error: Exception) -> Response:
    kind = next(kind for kind in type(error).__mro__ if kind in KINDS)
    status, name, title = KINDS[kind]
    return make_problem(status, name, title, str(error), {"Retry-After": "3"} if status == 503 else {})


def _invalid_request(_: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    said = [_say_fault(fault) for fault in error.errors()[:3]]
    return make_problem(422, "invalid-request", STATUS_TITLES[422], " ".join(said), {})


def _say_fault(fault: Mapping[str, Any]) -> str:
    """One fault as a sentence; what was sent is not repeated."""
    place = [str(part) for part in fault["loc"] if part not in ("body", "query", "path", "header")]
    if fault["type"] == "json_invalid":
        return "The body is not valid JSON."
    where = ".".join(place)[:80] or "the body"
    if fault["type"] == "missing":
        return f"{where}: missing."
    if fault["type"] == "extra_forbidden":
        return f"{where}: unknown field."
    return f"{where}: {fault['msg']}."


def _http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    title = STATUS_TITLES.get(error.status_code, "Refused")
    detail = str(error.detail)
    if error.status_code == 404:
        detail = "There is nothing at this address: see /docs for what there is."
    if error.status_code == 405:
        detail = f"This address does not take {request.method[:20]}: see /docs."
    return make_problem(
        error.status_code, f"http-{error.status_code}", title, detail, dict(error.headers or {})
    )


def _unexpected(_: Request, __: Exception) -> Response:
    detail = "Something failed in rimlight itself; nothing was changed. The terminal shows the cause."
    return make_problem(500, "internal", STATUS_TITLES[500], detail, {})
