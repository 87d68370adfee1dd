"""Routes and pages about paired devices: pairing for everybody, the list for the owner."""

from __future__ import annotations

from typing import Annotated, Any

import jinja2
from fastapi import FastAPI, Form, Header, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from model.errors import RimlightError
from service.caller import current_caller, require_owner
from service.device_doings import tell_doings
from service.devices import Devices
from service.errors import TooMany
from service.guard import COOKIE
from service.pairing_code import draw_as_svg
from service.pairing_page import render_pairing
from service.problems import describe_problems
from service.recent_answers import RecentAnswers
from service.retries import retry_of
from service.route_types import Id, Key

# The longest a browser keeps a cookie (400 days, RFC 6265bis draft); revoking ends it at once.
COOKIE_LIFE_S = 400 * 86_400


class PairingIn(BaseModel):
    """A code and what to call the device that spends it."""

    model_config = ConfigDict(extra="forbid")
    code: str = Field(max_length=40, description="the one-time code that the terminal shows")
    name: str = Field(min_length=1, max_length=60, description="what its owner will call the device")


class CodeIn(BaseModel):
    """What a new code shall give."""

    model_config = ConfigDict(extra="forbid")
    is_owner: bool = Field(
        default=False, strict=True, description="whether the device gets the owner's rights"
    )


class Device(BaseModel):
    """A paired device."""

    id: str
    name: str
    is_owner: bool
    paired_at: str
    seen_at: str | None


class PairedDevice(Device):
    """A device just paired, with the token that is shown this once."""

    token: str


class DeviceList(BaseModel):
    """All devices that are let in."""

    devices: list[Device]


class NewCode(BaseModel):
    """A one-time code; ``address`` and its QR code are null where the network is not served."""

    code: str
    ends_at: str
    is_owner: bool
    address: str | None
    qr_svg: str | None


def add_devices(app: FastAPI, devices: Devices, shapes: jinja2.Environment) -> None:
    """Add them; ``app.state.address`` is where phones reach this machine, or None."""
    answers, store = RecentAnswers(), devices.store
    _add_pairing(app, devices, answers)
    _add_list(app, devices, answers)

    @app.get("/devices", include_in_schema=False)
    def show_devices() -> HTMLResponse:
        require_owner()
        page = shapes.get_template("devices.html")
        listed = [told | tell_doings(store, told) for told in devices.list_devices()]
        own = current_caller().device
        return HTMLResponse(page.render(here="/devices", devices=listed, own=own, address=_address(app)))


def _add_pairing(app: FastAPI, devices: Devices, answers: RecentAnswers) -> None:
    @app.get("/pair", include_in_schema=False)
    def show_pairing(code: str = "") -> HTMLResponse:
        name = current_caller().name
        said = f"This device is paired already, as {name}." if name else ""
        return render_pairing(200, code, said=said)

    @app.post("/pair", include_in_schema=False)
    def pair_browser(
        request: Request,
        code: Annotated[str, Form(max_length=40)],
        name: Annotated[str, Form(max_length=60)],
        accept: Annotated[str, Header()] = "",
    ) -> Response:
        try:
            _, token = devices.pair(code, name, _address_of(request))
        except RimlightError as error:
            if "text/html" not in accept:
                raise
            status = 429 if isinstance(error, TooMany) else 403
            return render_pairing(status, "", name, str(error))
        answer = RedirectResponse("/", 303)
        secure = request.url.scheme == "https"
        answer.set_cookie(
            COOKIE, token, httponly=True, samesite="strict", max_age=COOKIE_LIFE_S, secure=secure
        )
        return answer

    @app.post(
        "/api/devices",
        status_code=201,
        response_model=PairedDevice,
        responses=describe_problems(403, 422, 429),
        summary="Pair a program with a one-time code",
    )
    def pair_program(request: Request, body: PairingIn, key: Key = None) -> Response:
        def pair() -> dict[str, Any]:
            device, token = devices.pair(body.code, body.name, _address_of(request))
            return device | {"token": token}

        return JSONResponse(answers.once(retry_of(key, "pair", body.code, body.name), pair), 201)


def _add_list(app: FastAPI, devices: Devices, answers: RecentAnswers) -> None:
    @app.get(
        "/api/devices",
        response_model=DeviceList,
        responses=describe_problems(403),
        summary="The paired devices, for the owner",
    )
    def list_devices() -> Response:
        require_owner()
        return JSONResponse({"devices": devices.list_devices()})

    @app.delete(
        "/api/devices/{device_id}",
        status_code=204,
        responses=describe_problems(403, 404, 422),
        summary="Let a device in no more, for the owner",
    )
    def revoke_device(device_id: Id) -> Response:
        require_owner()
        devices.revoke(device_id)
        return Response(status_code=204)

    @app.post(
        "/api/devices/{device_id}/return",
        response_model=Device,
        responses=describe_problems(403, 404, 422),
        summary="Take a revoking back within the hour, for the owner",
    )
    def let_in_again(device_id: Id, key: Key = None) -> Response:
        require_owner()
        retry = retry_of(key, "return", device_id)
        return JSONResponse(answers.once(retry, lambda: devices.let_in_again(device_id)))

    @app.post(
        "/api/devices/codes",
        status_code=201,
        response_model=NewCode,
        responses=describe_problems(403, 422),
        summary="A new one-time code, for the owner",
    )
    def make_code(body: CodeIn | None = None, key: Key = None) -> Response:
        require_owner()
        is_owner = body.is_owner if body is not None else False

        def make() -> dict[str, Any]:
            made = devices.make_code(is_owner)
            address = pairing_address(_address(app), made.code)
            drawn = draw_as_svg(address) if address is not None else None
            answer = {"code": made.code, "ends_at": made.ends_at, "is_owner": is_owner}
            return answer | {"address": address, "qr_svg": drawn}

        return JSONResponse(answers.once(retry_of(key, "code", str(is_owner)), make), 201)


def pairing_address(base: str | None, code: str) -> str | None:
    """What a phone opens to pair; opening it spends nothing, pressing the button does."""
    return None if base is None else f"{base}/pair?code={code}"


def _address(app: FastAPI) -> str | None:
    address: str | None = getattr(app.state, "address", None)
    return address


def _address_of(request: Request) -> str:
    return request.client.host if request.client is not None else ""
