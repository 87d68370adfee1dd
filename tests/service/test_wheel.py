"""An installed copy, outside the checkout, starts with a filled gallery and reads a sample photo."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
COPIED = ("model", "service", "training", "pyproject.toml", "LICENSE", "README.md")


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from a copy of the tree and unpacked without its dependencies."""
    source, wheels, target = (tmp_path_factory.mktemp(name) for name in ("source", "wheels", "installed"))
    for name in COPIED:
        if (ROOT / name).is_dir():
            shutil.copytree(ROOT / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(ROOT / name, source / name)
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet"]
    build = [*pip, "wheel", "--no-deps", "--no-build-isolation", "--no-index", "-w", str(wheels), str(source)]
    subprocess.run(build, check=True, cwd=source)
    (wheel,) = wheels.glob("rimlight-*.whl")
    subprocess.run(
        [*pip, "install", "--no-deps", "--no-index", "--target", str(target), str(wheel)], check=True
    )
    return target


def run_installed(installed: Path, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"PYTHONPATH": str(installed)}
    command = [sys.executable, *arguments]
    return subprocess.run(command, capture_output=True, text=True, env=environment, cwd=folder, check=False)


def test_an_installed_copy_reads_a_sample_with_a_filled_gallery(installed: Path, tmp_path: Path) -> None:
    where = run_installed(installed, tmp_path, "-c", "import service, model.read; print(service.__file__)")
    assert where.stdout.startswith(str(installed)), where.stderr
    command = str(installed / "bin" / "rimlight")
    data = str(tmp_path / "data")
    gallery = run_installed(installed, tmp_path, command, "gallery", "--json", "--data", data)
    items = [json.loads(line) for line in gallery.stdout.splitlines()]
    assert len({item["motif"] for item in items}) >= 8, gallery.stderr
    assert "reading the demo gallery" not in gallery.stderr  # the vectors came with the package
    sample = min((ROOT / "sample_images").glob("*.jpg"))
    read = run_installed(installed, tmp_path, command, "read", str(sample), "--json", "--data", data)
    assert read.returncode == 0, read.stderr
    assert "new network" not in read.stderr  # and are of the shipped weights
    reading = json.loads(read.stdout)
    assert reading["candidates"], reading["trim"]["reasons"]
    assert {c["gallery_id"] for c in reading["candidates"]} <= {item["id"] for item in items}


def test_the_demo_gallery_and_the_samples_share_no_photo() -> None:
    demo = {path.read_bytes() for path in (ROOT / "service" / "demo").rglob("*.jpg")}
    samples = {path.read_bytes() for path in (ROOT / "sample_images").glob("*.jpg")}
    assert demo
    assert samples
    assert not demo & samples
