"""The page that explains the browser's warning, and the file that a phone is told to trust."""

from __future__ import annotations

from pathlib import Path

import jinja2
from fastapi import FastAPI, Request
from starlette.responses import HTMLResponse, Response

from service.certificate import find_made
from service.errors import NotFound


def add_certificate_pages(app: FastAPI, data_folder: Path, shapes: jinja2.Environment) -> None:
    """Add them. The authority is nothing secret: its key does not exist any more."""

    @app.get("/certificate", include_in_schema=False)
    def show_certificate(request: Request) -> HTMLResponse:
        page = shapes.get_template("settings/certificate.html")
        used = getattr(app.state, "certificate", None) is not None
        is_encrypted = request.url.scheme == "https"
        made = find_made(data_folder)
        address = getattr(app.state, "address", None)
        return HTMLResponse(
            page.render(here="/certificate", made=made, used=used, encrypted=is_encrypted, address=address)
        )

    @app.get("/certificate/rimlight.crt", include_in_schema=False)
    def send_authority() -> Response:
        made = find_made(data_folder)
        if made is None:
            raise NotFound("There is no certificate here: `rimlight certificate` makes one.")
        headers = {"Content-Disposition": 'attachment; filename="rimlight.crt"'}
        return Response(made.authority_der, media_type="application/x-x509-ca-cert", headers=headers)
