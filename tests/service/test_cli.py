"""The command line, as a real process."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from service import schemas

Run = Callable[..., object]


@pytest.fixture()
def photos(tmp_path: Path, drop_plate: bytes, star_plate: bytes) -> Path:
    folder = tmp_path / "photos"
    (folder / "more").mkdir(parents=True)
    (folder / "a.jpg").write_bytes(drop_plate)
    (folder / "more" / "b.JPG").write_bytes(star_plate)
    (folder / "notes.txt").write_text("not a photo, and not named as one")
    return folder


def test_read_prints_a_readable_summary(rimlight: Run, photos: Path, tmp_path: Path) -> None:
    run = rimlight("read", photos / "a.jpg", "--data", tmp_path / "d", "--empty")
    assert run.returncode == 0, run.stderr
    assert run.stdout.startswith(str(photos / "a.jpg"))
    for word in ("trim", "lines", "border", "not an assay", "unverified"):
        assert word in run.stdout
    assert run.stderr == ""


def test_read_json_prints_one_reading_a_line(rimlight: Run, photos: Path, tmp_path: Path) -> None:
    run = rimlight(
        "read", "--json", photos / "a.jpg", photos / "more" / "b.JPG", "--data", tmp_path / "d", "--empty"
    )
    assert run.returncode == 0, run.stderr
    readings = [json.loads(line) for line in run.stdout.splitlines()]
    assert [Path(r["file"]).name for r in readings] == ["a.jpg", "b.JPG"]
    for reading in readings:
        schemas.Reading.model_validate(reading)


def test_a_folder_is_read_with_progress_on_stderr(rimlight: Run, photos: Path, tmp_path: Path) -> None:
    run = rimlight("read", photos, "--json", "--data", tmp_path / "d", "--empty")
    assert run.returncode == 0, run.stderr
    assert len(run.stdout.splitlines()) == 2
    assert "2/2" in run.stderr


def test_a_bad_photo_is_named_and_the_others_are_still_read(
    rimlight: Run, photos: Path, tmp_path: Path, drop_plate: bytes
) -> None:
    (photos / "cut.jpg").write_bytes(drop_plate[:9000])
    (photos / "text.png").write_text("hello")
    (photos / "empty.jpg").write_bytes(b"")
    run = rimlight("read", photos, photos / "none.jpg", "--json", "--data", tmp_path / "d", "--empty")
    assert run.returncode == 1
    assert len(run.stdout.splitlines()) == 2
    for name in ("cut.jpg", "text.png", "empty.jpg", "none.jpg"):
        reasons = [line for line in run.stderr.splitlines() if f"{name}: " in line]
        assert len(reasons) == 1, run.stderr
        assert len(reasons[0].split(f"{name}: ")[1]) > 10
    assert "Traceback" not in run.stderr


def test_an_empty_folder_is_said_to_hold_no_photos(rimlight: Run, tmp_path: Path) -> None:
    (tmp_path / "none").mkdir()
    run = rimlight("read", tmp_path / "none", "--data", tmp_path / "d", "--empty")
    assert run.returncode == 1
    assert "no photos" in run.stderr


def test_a_wrong_suffix_does_not_matter(rimlight: Run, tmp_path: Path, drop_plate: bytes) -> None:
    (tmp_path / "really.png").write_bytes(drop_plate)
    run = rimlight("read", tmp_path / "really.png", "--json", "--data", tmp_path / "d", "--empty")
    assert run.returncode == 0, run.stderr


def test_add_gallery_and_undo(rimlight: Run, photos: Path, tmp_path: Path) -> None:
    data = ("--data", tmp_path / "d")
    labels = ("--motif", "Pip Row", "--variant", "open", "--metal", "gold", "--state", "worn")
    more = (
        "--maker",
        "Velderby Works",
        "--line",
        "Osmer",
        "--decoration-number",
        "OS-114",
        "--piece",
        "plate",
    )
    run = rimlight("add", photos / "a.jpg", *labels, *more, "--note", "chip at 4", *data, "--empty")
    assert run.returncode == 0, run.stderr
    assert "Pip Row" in run.stdout
    run = rimlight(*data, "gallery", "--json")
    (item,) = (json.loads(line) for line in run.stdout.splitlines())
    assert (item["motif"], item["variant"], item["metal"], item["state"]) == (
        "Pip Row",
        "open",
        "gold",
        "worn",
    )
    assert (item["decoration_number"], item["note"]) == ("OS-114", "chip at 4")
    assert rimlight("gallery", *data, "--metal", "silver").stdout == ""
    run = rimlight("undo", *data)
    assert run.returncode == 0
    assert "undone: add" in run.stdout
    assert rimlight("gallery", *data).stdout == ""
    run = rimlight("undo", *data)
    assert run.returncode == 2
    assert "no change left" in run.stderr


def test_data_and_empty_may_stand_before_or_after_the_command(
    rimlight: Run, photos: Path, tmp_path: Path
) -> None:
    for place, command in {
        "one": ("--data", tmp_path / "one", "--empty", "gallery"),
        "two": ("gallery", "--empty", "--data", tmp_path / "two"),
    }.items():
        run = rimlight(*command)
        assert (run.returncode, run.stdout) == (0, ""), run.stderr
        assert (tmp_path / place / "rimlight.sqlite3").is_file()


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("polish",),
        ("read",),
        ("add", "x.jpg"),
        ("add", "x.jpg", "--motif", "M", "--metal", "brass"),
        ("add", "x.jpg", "--motif", "  "),
        ("serve", "--port", "99999"),
        ("serve", "--port", "http"),
        ("gallery", "--metal", "brass"),
        ("read", "x.jpg", "--carat"),
        ("undo", "none"),
    ],
)
def test_wrong_use_exits_with_two(rimlight: Run, tmp_path: Path, arguments: tuple[str, ...]) -> None:
    run = rimlight(*arguments, *(("--data", tmp_path / "d", "--empty") if arguments else ()))
    assert run.returncode == 2
    assert run.stderr
    assert "Traceback" not in run.stderr


@pytest.mark.parametrize(
    "hint",
    [
        ("--neutral", "1,2,3"),
        ("--trace", "5,5"),
        ("--diameter-mm", "0"),
        ("--diameter-mm", "-265"),
        ("--diameter-mm", "inf"),
    ],
)
def test_a_hint_of_the_wrong_form_is_wrong_use(
    rimlight: Run, photos: Path, tmp_path: Path, hint: tuple[str, str]
) -> None:
    run = rimlight("read", photos / "a.jpg", *hint, "--data", tmp_path / "d", "--empty")
    assert run.returncode == 2
    assert "expected" in run.stderr and not run.stdout


def test_a_measured_diameter_is_said_as_told(rimlight: Run, photos: Path, tmp_path: Path) -> None:
    run = rimlight("read", photos / "a.jpg", "--diameter-mm", "265", "--data", tmp_path / "d", "--empty")
    assert run.returncode == 0, run.stderr
    assert "265 mm across, as told" in run.stdout
    words = rimlight("read", photos / "a.jpg", "--diameter-mm", "ten", "--data", tmp_path / "d", "--empty")
    assert words.returncode == 2
    assert "--diameter-mm" in words.stderr


def test_a_hint_outside_the_photo_is_named_with_the_photo(
    rimlight: Run, photos: Path, tmp_path: Path
) -> None:
    run = rimlight("read", photos / "a.jpg", "--neutral", "99999,1", "--data", tmp_path / "d", "--empty")
    assert run.returncode == 1
    assert "a.jpg" in run.stderr


def test_a_data_folder_that_cannot_be_made_is_said_plainly(
    rimlight: Run, photos: Path, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("in the way")
    run = rimlight("read", photos / "a.jpg", "--data", tmp_path / "file" / "d")
    assert run.returncode == 2
    assert "cannot be made" in run.stderr


def test_a_taken_port_is_said_plainly(rimlight: Run, server, tmp_path: Path) -> None:
    port = server.url.rsplit(":", 1)[1]
    run = rimlight("serve", "--port", port, "--data", tmp_path / "d", "--empty")
    assert run.returncode == 2
    assert "--port" in run.stderr


def test_add_of_a_bad_photo_adds_nothing(rimlight: Run, tmp_path: Path) -> None:
    (tmp_path / "x.jpg").write_text("hello")
    run = rimlight("add", tmp_path / "x.jpg", "--motif", "Marram", "--data", tmp_path / "d", "--empty")
    assert run.returncode == 1
    assert "x.jpg" in run.stderr
    assert rimlight("gallery", "--data", tmp_path / "d").stdout == ""


def test_reading_imports_no_training_stack_and_no_server(photos: Path, tmp_path: Path, rimlight: Run) -> None:
    import os
    import subprocess
    import sys

    root = Path(__file__).resolve().parents[2]
    paths = [path for path in os.environ.get("PYTHONPATH", "").split(os.pathsep) if path]
    environment = os.environ | {
        "PYTHONPROFILEIMPORTTIME": "1",  # the worker process inherits it
        "PYTHONPATH": os.pathsep.join([*paths, str(root)]),
    }
    command = [sys.executable, "-m", "service.cli", "read", str(photos / "a.jpg"), "--empty", "--data"]
    run = subprocess.run(
        [*command, str(tmp_path / "d")], capture_output=True, text=True, env=environment, check=True
    )
    imported = {line.split("|")[-1].strip().split(".")[0] for line in run.stderr.splitlines() if "|" in line}
    assert {"cv2", "sqlalchemy", "model"} <= imported
    assert not imported & {
        "torch",
        "torchvision",
        "sklearn",
        "scipy",
        "fastapi",
        "uvicorn",
        "pydantic",
        "jinja2",
    }
