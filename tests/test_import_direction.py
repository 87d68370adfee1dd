"""The three folders keep their direction: model knows none, service and training know model only."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
OURS = {"model", "service", "training", "tests"}
ALLOWED = {"model": {"model"}, "service": {"service", "model"}, "training": {"training", "model"}}
# Kept out of the reading path: slow to import or of the training stack.
BANNED_IN_MODEL = {
    "torch",
    "torchvision",
    "sklearn",
    "scipy",
    "sqlalchemy",
    "fastapi",
    "sqlite3",
    "mitsuba",
    "time",
    "datetime",
}
BANNED_IN_SERVICE = {"torch", "torchvision", "mitsuba", "colour"}


def imported_names(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names.add((node.module or "").split(".")[0])
    return names


@pytest.mark.parametrize("folder", sorted(ALLOWED))
def test_a_folder_imports_only_what_it_may(folder: str) -> None:
    files = sorted((ROOT / folder).rglob("*.py"))
    assert files
    for path in files:
        forbidden = (imported_names(path) & OURS) - ALLOWED[folder]
        assert not forbidden, f"{path.relative_to(ROOT)} imports {forbidden}"


def test_the_model_stays_pure_and_light() -> None:
    for path in sorted((ROOT / "model").rglob("*.py")):
        assert not imported_names(path) & BANNED_IN_MODEL, path.relative_to(ROOT)


def test_the_service_needs_no_training_stack() -> None:
    for path in sorted((ROOT / "service").rglob("*.py")):
        assert not imported_names(path) & BANNED_IN_SERVICE, path.relative_to(ROOT)
