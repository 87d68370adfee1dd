"""Every refusal as RFC 9457 problem details; the only place that knows which status an error has."""

from __future__ import annotations

import errno
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import Match, Route

from model import errors as model_errors
from service import errors


@dataclass(frozen=True)
class Kind:
    """One kind of problem: its status, stable name, title and what to do about it."""

    status: int
    name: str
    title: str
    advice: str


# The first that fits an error's class, from the most special on.
KINDS: Mapping[type[Exception], Kind] = {
    model_errors.NotAPhoto: Kind(
        415,
        "not-a-photo",
        "Not a photo that can be read",
        "Send a JPEG, PNG or WebP; its name does not matter.",
    ),
    model_errors.PhotoTooLarge: Kind(
        413,
        "photo-too-large",
        "The photo is too large",
        "At most 30 MB and 40 megapixels: export it smaller.",
    ),
    model_errors.PhotoTooSmall: Kind(
        422, "photo-too-small", "The photo is too small", "Send the photo itself, not its thumbnail."
    ),
    model_errors.PhotoTruncated: Kind(
        422, "photo-truncated", "The photo is damaged", "The file ends early: copy or send it again."
    ),
    errors.ReaderStopped: Kind(
        422, "photo-unreadable", "The photo could not be read", "Save it again as JPEG, or take it anew."
    ),
    model_errors.PhotoError: Kind(
        422, "photo-unreadable", "The photo could not be read", "Save it again as JPEG, or take it anew."
    ),
    model_errors.HintError: Kind(
        422,
        "hint",
        "The point or line cannot be used",
        "Points are x,y in pixels of the upright photo, inside it.",
    ),
    errors.LabelError: Kind(422, "label", "A label cannot be used", "Correct the label that is named."),
    errors.RecordError: Kind(
        422, "record", "The register cannot take this", "Correct what is named; nothing was changed."
    ),
    errors.RecordConflict: Kind(
        409, "register", "Not as the register stands", "Look at the register again, then decide."
    ),
    errors.KeyReused: Kind(
        422,
        "key-reused",
        "Idempotency-Key used before",
        "Use a new key for a new request, the old one to retry.",
    ),
    errors.NotFound: Kind(
        404, "not-found", "Not found", "Read the photo again, or look the id up in the gallery."
    ),
    errors.NothingToUndo: Kind(
        409, "nothing-to-undo", "Nothing to undo", "Undo later changes of the same item first."
    ),
    errors.Busy: Kind(
        503, "busy", "Too many photos are waiting", "Wait for the seconds of Retry-After, then retry."
    ),
    errors.StoreBusy: Kind(
        503, "store-busy", "The gallery is in use", "Wait for the seconds of Retry-After, then retry."
    ),
    errors.NotAllowed: Kind(
        403, "not-allowed", "Not allowed", "Ask the owner, or do it on the machine itself."
    ),
    errors.TooMany: Kind(
        429, "too-many", "Too much at once", "Wait for the seconds of Retry-After, then retry."
    ),
    errors.StoreError: Kind(
        507, "store", "The gallery cannot be used", "Check free space and rights of the data folder."
    ),
    model_errors.RimlightError: Kind(422, "refused", "Refused", "Do what the detail says."),
}
SHORT_WAIT_S = 3
# The system's words for "no room here", whichever file was being written.
NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EFBIG)
STATUS_TITLES = {
    400: "Bad request",
    401: "Not paired",
    403: "Refused",
    404: "Not found",
    405: "Method not allowed",
    408: "Too slow",
    409: "Not possible now",
    413: "Too large",
    415: "Wrong kind of body",
    421: "Wrong host",
    422: "The request cannot be used",
    429: "Too much at once",
    500: "Something failed here",
    503: "Busy just now",
    507: "No room here",
}


def make_problem(
    status: int, name: str, title: str, detail: str, headers: Mapping[str, str], faults: Sequence[str] = ()
) -> Response:
    """One problem answer; ``faults`` stand beside the detail, one for each field, where there are several."""
    body: dict[str, Any] = {"type": f"/problems#{name}", "title": title, "status": status, "detail": detail}
    if faults:
        body["faults"] = list(faults)
    return Response(json.dumps(body), status, dict(headers), media_type="application/problem+json")


def describe_problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """How a route says in the OpenAPI document that it may answer with these."""
    schema = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
    return {status: {"content": schema, "description": STATUS_TITLES[status]} for status in statuses}


def install(app: FastAPI) -> None:
    """Teach the app to answer every error as a problem."""
    app.add_exception_handler(model_errors.RimlightError, _own_error)
    app.add_exception_handler(RequestValidationError, _invalid_request)
    app.add_exception_handler(HTTPException, _http_error)
    app.add_exception_handler(OSError, _no_room)
    app.add_exception_handler(Exception, _unexpected)


def _own_error(_: Request, error: Exception) -> Response:
    kind = next(kind for kind in type(error).__mro__ if kind in KINDS)
    status = KINDS[kind].status
    wait_s = getattr(error, "wait_s", SHORT_WAIT_S)
    headers = {"Retry-After": str(wait_s)} if status in (429, 503) else {}
    said, faults = _as_sentence(str(error)), getattr(error, "faults", ())
    return make_problem(status, KINDS[kind].name, KINDS[kind].title, said, headers, faults)


def _no_room(request: Request, error: Exception) -> Response:
    """A full or read-only disk met outside the store, as when an upload is laid down for reading."""
    if not isinstance(error, OSError) or error.errno not in NO_ROOM:
        raise error
    reason = f"This machine could not take the upload ({error.strerror}): free some space and send it again"
    return _own_error(request, errors.StoreError(reason))


def _as_sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?", "!")) else ".")


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
    if fault["type"] == "missing" and where == "photo":
        return "photo: missing. Send it as a file in the multipart/form-data field 'photo'."
    if fault["type"] == "missing":
        return f"{where}: missing."
    if fault["type"] == "extra_forbidden":
        return f"{where}: unknown field."
    return f"{where}: {fault['msg']}."


def _http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    title = STATUS_TITLES.get(error.status_code, "Refused")
    detail, headers = str(error.detail), dict(error.headers or {})
    if error.status_code == 404:
        detail = "There is nothing at this address: see /docs for what there is."
    if error.status_code == 405:
        detail = f"This address does not take {request.method[:20]}: see /docs."
        headers["Allow"] = ", ".join(sorted(_find_methods(request)))
    return make_problem(error.status_code, f"http-{error.status_code}", title, detail, headers)


def _find_methods(request: Request) -> set[str]:
    """All methods of the address as its most exact routes know it; the framework names only one's."""
    routes = [route for route in request.app.routes if isinstance(route, Route)]
    fitting = [route for route in routes if route.matches(request.scope)[0] is not Match.NONE]
    open_parts = min((len(route.param_convertors) for route in fitting), default=0)
    exact = [route for route in fitting if len(route.param_convertors) == open_parts]
    return {method for route in exact for method in route.methods or ()}


def _unexpected(_: Request, __: Exception) -> Response:
    detail = "Something failed in rimlight itself; nothing was changed. The terminal shows the cause."
    return make_problem(500, "internal", STATUS_TITLES[500], detail, {})
