"""A day at sales and an evening at the desk, through the real server and the real command line.

    python -m service.trials.day

Reads the demo's and the samples' photos (rendered, invented maker), confirms most, corrects and undoes some,
registers pieces, refuses merges, reads a mark, meets a conflict, asks "do I own this?" and prints a label and
a sheet. Every step says what was expected and what came.

A second photo of an owned piece is its first one tilted a little, smaller, darker and saved again: the
pictures at hand hold no piece twice. So the figure is of a photo taken again, not of another day's photo.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from service.trials.running import RESULTS, ROOT, RunningServer, ask, describe_run, send_photo, serving

DEMO, SAMPLES = ROOT / "service" / "demo", ROOT / "sample_images"
PHOTOS, CONFIRMED, CORRECTED, UNDONE, OWNED = 60, 40, 5, 3, 10
JSON_BODY = {"Content-Type": "application/json"}


class Day:
    """One run: what was expected and what came, step by step."""

    def __init__(self, server: RunningServer, data_folder: Path) -> None:
        self.server, self.data_folder = server, data_folder
        self.steps: list[dict[str, Any]] = []
        self.readings: list[tuple[str, dict[str, Any], Path]] = []
        self.again: list[tuple[str, dict[str, Any]]] = []

    def note(self, step: str, expected: Any, came: Any) -> None:
        """Keep what came of a step."""
        self.steps.append({"step": step, "expected": expected, "came": came, "right": expected == came})
        print(f"{step}: expected {expected}, came {came}", flush=True)

    def send(self, method: str, path: str, body: Any = None) -> tuple[int, Any]:
        """One JSON request."""
        data = b"" if body is None else json.dumps(body).encode()
        status, _, answer = ask(self.server, method, path, data, JSON_BODY if data else {})
        try:
            return status, json.loads(answer) if answer else None
        except ValueError:
            return status, answer.decode(errors="replace")

    def command(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """One command of the real command line on the same folder."""
        whole = [sys.executable, "-m", "service.cli", *arguments, "--data", str(self.data_folder)]
        return subprocess.run(whole, cwd=ROOT, capture_output=True, text=True, check=False)

    # The day.

    def read_photos(self) -> None:
        """Sixty photos in."""
        for path, labels in list_photos()[:PHOTOS]:
            status, _, answer = send_photo(self.server, path.read_bytes())
            if status == 201:
                self.readings.append((json.loads(answer)["id"], labels, path))
        self.note("photos read", PHOTOS, len(self.readings))

    def confirm(self) -> None:
        """Forty confirmed, five corrected, three undone."""
        changes = []
        for reading_id, labels, _ in self.readings[:CONFIRMED]:
            status, item = self.send("POST", f"/api/readings/{reading_id}/confirmation", labels)
            changes += [item["change"]] if status == 201 else []
        self.note("confirmed", CONFIRMED, len(changes))
        corrected = []
        for reading_id, labels, _ in self.readings[:CORRECTED]:
            other = labels | {"note": "corrected at the desk", "state": "worn"}
            status, item = self.send("POST", f"/api/readings/{reading_id}/confirmation", other)
            corrected += [item["change"]] if status == 201 and item["state"] == "worn" else []
        self.note("corrected", CORRECTED, len(corrected))
        undone = [self.send("POST", "/api/undo", {"change": change})[0] for change in corrected[:UNDONE]]
        self.note("undone", [200] * UNDONE, undone)

    # The evening.

    def register(self) -> list[str]:
        """The first readings become pieces after the question whether they are owned already."""
        numbers = []
        for place, (reading_id, _, _) in enumerate(self.readings[:CONFIRMED]):
            shown = self.send("GET", f"/api/register/owned?reading={reading_id}")[1]
            piece = {"number": f"E{place}", "piece_kind": "plate"}
            body = {"answer": shown["answer"], "piece": piece, "new_names": True}
            status, _ = self.send("POST", f"/api/register/readings/{reading_id}/piece", body)
            numbers += [piece["number"]] if status == 201 else []
        self.note("registered after the question of owning", CONFIRMED, len(numbers))
        return numbers

    def ask_owned(self) -> None:
        """Ten owned, photographed again, and ten whose motif is not in the register."""
        right = very = 0
        for reading_id, labels, path in self.readings[:OWNED]:
            again = json.loads(send_photo(self.server, take_again(path))[2])["id"]
            self.again.append((again, labels))
            shown = self.send("GET", f"/api/register/owned?reading={again}")[1]
            first = shown["candidates"][0] if shown["candidates"] else {}
            motifs = {seen["motif"] for seen in first.get("decorations", ())}
            said = shown["verdict"].startswith(("likely", "registered", "possible"))
            right += said and labels["motif"] in motifs
            very += first.get("reading_id") == reading_id
        self.note("owned: said so, a piece of that motif first", OWNED, right)
        self.steps[-1]["the very piece first"] = very
        known = {labels["motif"] for _, labels, _ in self.readings[:CONFIRMED]}
        others = [r for r in self.readings[CONFIRMED:] if r[1]["motif"] not in known][:OWNED]
        answers = [self.send("GET", f"/api/register/owned?reading={r[0]}")[1]["verdict"] for r in others]
        wrong = sum(verdict.startswith(("likely", "registered")) for verdict in answers)
        self.note("not owned: not said to be", len(others), len(others) - wrong)

    def refuse_merges(self) -> None:
        """Two pieces recorded twice are proposed for merging; refused, they are not proposed again."""
        for place, (again, labels) in enumerate(self.again[:2]):
            self.send("POST", f"/api/readings/{again}/confirmation", labels)
            piece = {"number": f"F{place}", "piece_kind": "plate", "photos": [{"reading_id": again}]}
            self.send("POST", "/api/register/records/piece", piece)
        before = self.send("GET", "/api/register/merges")[1]["items"]
        refused = 0
        for proposal in before[:2]:
            body = {
                "one": proposal["one"]["id"],
                "other": proposal["other"]["id"],
                "why": "seen side by side",
            }
            refused += self.send("POST", "/api/register/merges/refusals", body)[0] == 201
        after = self.send("GET", "/api/register/merges")[1]["items"]
        self.note("proposed merges refused", 2, refused)
        self.note("refused ones proposed again", 0, len(_pairs(before[:2]) & _pairs(after)))

    def read_mark(self) -> None:
        """A mark photographed, read as a suggestion, corrected by the person."""
        reading = json.loads(send_photo(self.server, draw_mark())[2])["id"]
        status, suggestion = self.send("GET", f"/api/register/readings/{reading}/mark")
        self.note(
            "mark answered (200 where the reader is installed, else a sentence)",
            True,
            status in (200, 409, 501, 503, 422),
        )
        said = suggestion if isinstance(suggestion, dict) else {}
        mark = {
            "piece": "E0",
            "transcription": "VELDERBY WORKS V33",
            "suggestion": said.get("text"),
            "reading_id": reading,
            "date_code": "V33",
        }
        status, _ = self.send("POST", "/api/register/records/mark", mark)
        self.note("mark corrected and kept", 201, status)

    def meet_conflict(self) -> None:
        """One number with two motifs is found and explained."""
        for which, motif in (("E0", "Tidewrack"), ("E1", "Marram")):
            seen = {"piece": which, "motif": motif, "number": "OS-999", "metal": "gold"}
            self.send("POST", "/api/register/records/decoration?new_names=true", seen)
        found = self.send("GET", "/api/register/conflicts")[1]["items"]
        mine = [c for c in found if c["kind"] == "one number, two motifs" and "E0" in c["pieces"]]
        self.note("conflict found", 1, len(mine))
        self.note("conflict explained", True, bool(mine and mine[0]["sentence"] and mine[0]["settle"]))

    def print_out(self) -> None:
        """A sale label and a talk sheet, by command."""
        label = self.command("register", "label", "E0")
        self.note("sale label", (0, True), (label.returncode, "not an assay" in label.stdout))
        out = self.data_folder / "sheet.html"
        sheet = self.command("register", "sheet", "E0", "E1", "E2", "--out", str(out))
        self.note("talk sheet", (0, True), (sheet.returncode, out.is_file()))


def _pairs(proposals: list[dict[str, Any]]) -> set[frozenset[str]]:
    return {frozenset((p["one"]["id"], p["other"]["id"])) for p in proposals}


def list_photos() -> list[tuple[Path, dict[str, Any]]]:
    """Photos with their labels: the demo's in order of motif, then the samples'."""
    names = ("motif", "variant", "metal", "state", "maker", "line", "decoration_number")
    items = json.loads((DEMO / "gallery.json").read_text(encoding="utf-8"))["items"]
    found = [(DEMO / item["photo"], {n: item[n] for n in names if item.get(n)}) for item in items]
    for path in sorted(SAMPLES.glob("*.jpg")):
        truth = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
        labels = {n: truth[n] for n in ("motif", "variant") if truth.get(n)}
        found.append((path, labels | {"maker": "Velderby Works"}))
    last = {"Gorse Spray", "Weir Lattice"}  # kept out of what is confirmed, for "not owned"
    return sorted(found, key=lambda pair: pair[1]["motif"] in last)


def take_again(path: Path) -> bytes:
    """The photo as if taken again: seven degrees tilted, four fifths the size, darker, saved anew."""
    picture = cv2.imread(str(path))
    assert picture is not None
    height, width = picture.shape[:2]
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), 7.0, 0.9)
    tilted = cv2.warpAffine(picture, turn, (width, height), borderMode=cv2.BORDER_REFLECT)
    smaller = cv2.resize(tilted, None, fx=0.8, fy=0.8, interpolation=cv2.INTER_AREA)
    darker = np.clip(smaller * 0.85, 0, 255).astype(np.uint8)
    return cv2.imencode(".jpg", darker, [cv2.IMWRITE_JPEG_QUALITY, 80])[1].tobytes()


def draw_mark() -> bytes:
    """A printed mark on a base."""
    picture = np.full((700, 900, 3), (225, 232, 235), np.uint8)
    for row, text in enumerate(("VELDERBY WORKS", "V33")):
        place = (120, 300 + 110 * row)
        cv2.putText(picture, text, place, cv2.FONT_HERSHEY_DUPLEX, 2.2, (60, 110, 50), 4, cv2.LINE_AA)
    return cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes()


def main() -> None:
    """Run the day and write the result."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, default=RESULTS / "day.json")
    told = parser.parse_args()
    start = time.monotonic()
    with tempfile.TemporaryDirectory() as place:
        data_folder = Path(place) / "data"
        with serving(data_folder, "--empty") as server:
            day = Day(server, data_folder)
            day.read_photos()
            day.confirm()
            day.register()
            day.ask_owned()
            day.refuse_merges()
            day.read_mark()
            day.meet_conflict()
            day.print_out()
    right = sum(step["right"] for step in day.steps)
    result = {
        "trial": "a day and an evening",
        "steps": day.steps,
        "right": f"{right} of {len(day.steps)}",
        "seconds": round(time.monotonic() - start),
    }
    told.out.write_text(json.dumps(result | describe_run(0), indent=1) + "\n", encoding="utf-8")
    print(result["right"])


if __name__ == "__main__":
    main()
