"""Export and import through the real command line."""

from __future__ import annotations

from pathlib import Path

from service.exchange.archive import Archive


def test_a_gallery_goes_out_and_into_an_empty_folder(rimlight, tmp_path: Path, drop_plate: bytes) -> None:
    photo = tmp_path / "plate.jpg"
    photo.write_bytes(drop_plate)
    home, away = str(tmp_path / "home"), str(tmp_path / "away")
    assert rimlight("add", str(photo), "--motif", "Marram", "--empty", "--data", home).returncode == 0
    out = rimlight("export", str(tmp_path / "a.zip"), "--data", home)
    assert out.returncode == 0, out.stderr
    assert "1 photos, 1 gallery items" in out.stdout
    again = rimlight("export", str(tmp_path / "a.zip"), "--data", home)
    assert (again.returncode, "--replace" in again.stderr) == (2, True)
    came = rimlight("import", str(tmp_path / "a.zip"), "--data", away)
    assert came.returncode == 0, came.stderr
    assert "Marram" in rimlight("gallery", "--data", away).stdout
    assert rimlight("export", str(tmp_path / "b.zip"), "--data", away).returncode == 0
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()
    twice = rimlight("import", str(tmp_path / "a.zip"), "--data", away)
    assert (twice.returncode, "rimlight merge" in twice.stderr) == (2, True)


def test_a_broken_archive_is_refused_and_makes_no_folder(rimlight, tmp_path: Path) -> None:
    (tmp_path / "a.zip").write_bytes(b"PK not really")
    came = rimlight("import", str(tmp_path / "a.zip"), "--data", str(tmp_path / "away"))
    assert came.returncode == 2
    assert "Nothing was changed" in came.stderr
    assert not (tmp_path / "away").exists()


def test_a_shared_archive_of_the_demo_gallery_is_whole(rimlight, tmp_path: Path) -> None:
    shown = rimlight("gallery", "--data", str(tmp_path / "home"))
    assert shown.returncode == 0, shown.stderr
    out = rimlight("export", str(tmp_path / "a.zip"), "--share", "--data", str(tmp_path / "home"))
    assert out.returncode == 0, out.stderr
    assert "left out" in out.stdout
    with Archive(tmp_path / "a.zip") as archive:
        assert len(list(archive.verify())) == len(archive.names)


def test_a_table_comes_in_by_command_is_previewed_and_undone(rimlight, tmp_path: Path) -> None:
    home, sheet = ("--data", str(tmp_path / "home")), tmp_path / "pieces.csv"
    sheet.write_text("number,piece,motif,metal\r\n1,cup,Marram,gold\r\n2,,Marram,gold\r\n", newline="")
    seen = rimlight("table", "preview", sheet, *home)
    assert (seen.returncode, "line 3  2: not usable" in seen.stdout) == (1, True)
    came = rimlight("table", "take-in", sheet, *home)
    assert (came.returncode, "1 of 2 rows are new" in came.stderr) == (1, True)
    assert rimlight("table", "write", tmp_path / "out.csv", *home).returncode == 0
    assert (tmp_path / "out.csv").read_bytes().count(b"\r\n") == 2
    assert rimlight("undo", *home).returncode == 0
    rimlight("table", "write", tmp_path / "out.csv", "--replace", *home)
    assert (tmp_path / "out.csv").read_bytes().count(b"\r\n") == 1
    assert rimlight("table", "preview", tmp_path / "nothing.csv", *home).returncode == 2
