"""The documents stay true: the commands they show exist and run, the files they name are there."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```sh\n(.*?)```", README, flags=re.S)


def test_the_readme_starts_with_the_job_and_shows_two_commands_first() -> None:
    first_paragraph = README.split("\n\n")[1]
    assert "photo" in first_paragraph and "gold" in first_paragraph and "platinum" in first_paragraph
    assert "rimlight read" in BLOCKS[0]
    assert "pytest" in BLOCKS[1]


def test_ci_runs_the_very_test_command_of_the_readme() -> None:
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8").replace(".ci/venv", ".venv")
    steps = [step.strip() for step in BLOCKS[1].split("&&")]
    for step in steps:
        assert step.strip() in ci, f"{step!r} is not in .ci/run"


def test_the_first_command_of_the_readme_reads_its_sample_photo(tmp_path: Path) -> None:
    arguments = BLOCKS[0].split("rimlight read", 1)[1].split()
    run = subprocess.run(
        [sys.executable, "-m", "service.cli", "read", *arguments, "--data", str(tmp_path / "data")],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert run.returncode == 0, run.stderr[-2000:]
    assert "trim" in run.stdout.lower()


def test_every_file_the_documents_name_exists() -> None:
    for document in (ROOT / "README.md", ROOT / "DEVELOPERS.md"):
        for target in re.findall(r"\]\(([^)#:]+)\)", document.read_text(encoding="utf-8")):
            assert (ROOT / target).exists(), f"{document.name} points to {target}"


def test_every_file_of_the_map_exists() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    chain = text.split("### The chain", 1)[1].split("### The service", 1)[0]
    for name in re.findall(r"`([a-z_]+\.py)`", chain):
        assert (ROOT / "model" / name).exists(), name
