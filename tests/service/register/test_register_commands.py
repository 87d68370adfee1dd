"""The register through the real command line."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest


@pytest.fixture()
def register(rimlight: Callable, tmp_path: Path) -> Callable:
    def run(*arguments: object, expected: int = 0) -> str:
        done = rimlight("register", *arguments, "--data", tmp_path / "data", "--empty")
        assert done.returncode == expected, done.stdout + done.stderr
        return done.stderr if expected else done.stdout

    return run


def test_an_evening_in_commands(register: Callable, rimlight: Callable, tmp_path: Path) -> None:
    register("add", "maker", "name=Velderby Works")
    register("add", "line", "name=Osmer", "maker=Velderby Works", "years=1932/1937")
    piece = ("add", "piece", "number=12", "piece-kind=dinner plate", "line=Osmer", "motif=Quern Leaf")
    told = register(*piece, expected=2)
    assert "'Quern Leaf' is not in the register" in told
    made = register(
        *piece, "metal=silver", "decoration-number=OS-114", "mark=VELD[...]", "price=4", "--new-names"
    )
    assert "piece 12" in made
    register("evidence", "piece 12", "kind=advertisement", "citation=Trade paper", "date=1941")
    register("opinion", "piece 12", "what=an early one", "who=me", "when=2026-01", "confidence=possible")
    shown = json.loads(register("show", "piece", "12", "--json"))
    assert shown["decorations"][0]["metal"] == "platinum"
    assert shown["opinions"][0]["what"] == "an early one"
    assert "private" not in shown
    assert json.loads(register("show", "piece", "12", "--private", "--json"))["private"]["price"] == "4"
    assert "piece 12, dinner plate, Osmer, Quern Leaf platinum OS-114" in register("find", "silver", "s-11")
    assert "outside the years of Osmer" in register("conflicts")
    assert "1941 (12)" in register("grid")
    assert "platinum type" in register("label", "12")
    for file, command in (
        ("grid.svg", ("grid", "--svg")),
        ("timeline.svg", ("timeline", "--by", "line", "--svg")),
        ("label.html", ("label", "12", "--html")),
        ("sheet.html", ("sheet", "12", "--title", "One plate", "--out")),
    ):
        register(*command, tmp_path / file)
        assert (tmp_path / file).read_text(encoding="utf-8").lstrip().startswith("<")
    assert "taken by another piece" in register("add", "piece", "number=12", "piece-kind=cup", expected=2)
    assert "write FIELD=VALUE" in register("add", "piece", "cup", expected=2)
    register("correct", "piece", "12", "number=14", "kept-at=cellar")
    register("remove", "piece", "14")
    assert "0 in all" in register("list", "piece")
    undone = rimlight("undo", "--data", tmp_path / "data")
    assert "register remove piece" in undone.stdout
    assert "piece 14" in register("list", "piece")
    assert "remove piece" in register("changes")


def test_a_photo_is_asked_about_confirmed_and_kept(
    register: Callable, tmp_path: Path, drop_plate: bytes
) -> None:
    photo = tmp_path / "plate.jpg"
    photo.write_bytes(drop_plate)
    answer = json.loads(register("own", photo, "--json"))
    assert answer["candidates"] == []
    keep = ("keep", answer["reading_id"], "--answer", answer["answer"])
    assert "not confirmed" in register(*keep, "piece-kind=plate", expected=2)
    kept = json.loads(register(*keep, "--motif", "Pip Row", "piece-kind=plate", "metal=gold", "--json"))
    assert kept["record"]["number"] == "1"
    told = register("own", answer["reading_id"])
    assert "This very photo is in the register already" in told
    assert "1: plate, Pip Row gold" in told
    assert "no reading 'nowhere.jpg'" in register("own", "nowhere.jpg", expected=2)
