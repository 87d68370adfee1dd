"""Requests made from the OpenAPI document get the answers that the document promises."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest

EXAMPLES = 3  # of each route and phase; the command takes more with --max-examples
# What the document cannot say in types: that bytes are a photo, that a point lies inside it. Requests that
# fit the document may rightly be refused; those that do not may also be refused for being too long (413).
RULES = """
[checks.positive_data_acceptance]
enabled = false
[checks.negative_data_rejection]
expected-statuses = ["400", "401", "403", "404", "405", "409", "413", "415", "422", "429"]
"""


@pytest.mark.skipif(importlib.util.find_spec("schemathesis") is None, reason="schemathesis is not installed")
def test_no_answer_differs_from_the_document(make_server: Callable, tmp_path: Path) -> None:
    server = make_server(tmp_path / "data", "--empty")
    command = [sys.executable, "-m", "schemathesis.cli", "run", f"{server.url}/openapi.json"]
    options = ["--max-examples", str(EXAMPLES), "--seed", "1"]
    (tmp_path / "schemathesis.toml").write_text(RULES)
    run = subprocess.run(
        [*command, *options, "--request-timeout", "60", "--no-color"],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        timeout=300,
        check=False,
    )
    assert run.returncode == 0, _shorten(run.stdout) + run.stderr[-2000:]
    with server.client() as client:
        assert client.get("/api/health").json()["status"] == "ok"


def _shorten(told: str) -> str:
    """What failed, without the pages-long bodies."""
    failed = told[told.find("= FAILURES =") :] if "= FAILURES =" in told else told
    return "\n".join(line[:200] for line in failed.splitlines()[:120])


def test_forms_offer_no_null_and_every_body_may_be_refused(client: httpx.Client) -> None:
    document = client.get("/openapi.json").json()
    for name in ("ReadingForm", "GalleryForm"):
        for field in document["components"]["schemas"][name]["properties"].values():
            assert "anyOf" not in field
    for methods in document["paths"].values():
        for route in methods.values():
            if "requestBody" in route:
                assert {"400", "413", "422"} <= set(route["responses"])
