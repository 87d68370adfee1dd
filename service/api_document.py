"""The OpenAPI document of the interface: what the framework knows, and what it cannot."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from service.problems import describe_problems
from service.schemas import Problem

FORM = "multipart/form-data"


def describe_api(app: FastAPI) -> dict[str, Any]:
    """The document, made once: refusals as the problem details they are, forms without null."""
    if app.openapi_schema is None:
        document = get_openapi(
            title=app.title, version=app.version, description=app.description, routes=app.routes
        )
        kinds = document["components"]["schemas"]
        kinds["Problem"] = Problem.model_json_schema()
        for unused in ("HTTPValidationError", "ValidationError"):
            kinds.pop(unused, None)
        for methods in document["paths"].values():
            for route in methods.values():
                _describe_refusals(route)
                _drop_nulls(route, kinds)
        app.openapi_schema = document
    return app.openapi_schema


def _describe_refusals(route: dict[str, Any]) -> None:
    """A body that cannot be parsed or is too long is refused before its route is asked."""
    answers = route["responses"]
    if "requestBody" in route:
        for status, answer in describe_problems(400, 413).items():
            answers.setdefault(str(status), answer)
    if "422" in answers:
        answers["422"] = describe_problems(422)[422]


def _drop_nulls(route: dict[str, Any], kinds: dict[str, Any]) -> None:
    """A form cannot send null: a field that may be left out is only that."""
    content = route.get("requestBody", {}).get("content", {})
    if FORM not in content or "$ref" not in content[FORM]["schema"]:
        return
    form = kinds[content[FORM]["schema"]["$ref"].rsplit("/", 1)[1]]
    for name, field in form["properties"].items():
        choices = [choice for choice in field.get("anyOf", []) if choice != {"type": "null"}]
        if len(choices) == 1:
            kept = {key: value for key, value in field.items() if key not in ("anyOf", "default")}
            form["properties"][name] = kept | choices[0]
