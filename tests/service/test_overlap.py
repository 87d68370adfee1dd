"""A photo's print laid on a gallery photo's, over HTTP."""

from __future__ import annotations

import cv2
import httpx
import numpy as np
import pytest


def confirmed(client: httpx.Client, photo: bytes) -> tuple[str, str, bool]:
    """Reading, gallery item, and whether the item can be matched."""
    reading = client.post("/api/readings", files={"photo": ("plate.jpg", photo)}).json()
    item = client.post(f"/api/readings/{reading['id']}/confirmation", json={"motif": "Rill Scroll"}).json()
    return reading["id"], item["id"], bool(item["matchable"])


def test_a_print_agrees_with_itself_and_shows_it(client: httpx.Client, drop_plate: bytes) -> None:
    reading_id, item_id, matchable = confirmed(client, drop_plate)
    answer = client.get(f"/api/readings/{reading_id}/overlap/{item_id}")
    if not matchable:
        assert answer.status_code == 404
        pytest.skip("no border was read in this plate")
    facts = answer.json()
    assert facts["lie"] == "as it is"
    assert facts["likeness"] > 0.9
    assert facts["height_ratio"] == pytest.approx(1, abs=0.1)
    picture = client.get(facts["picture"])
    assert picture.headers["content-type"] == "image/png"
    shown = cv2.imdecode(np.frombuffer(picture.content, np.uint8), cv2.IMREAD_COLOR).astype(int)
    assert np.ptp(shown, axis=2).mean() < 30


def test_an_unknown_gallery_photo_is_not_found(client: httpx.Client, drop_plate: bytes) -> None:
    reading = client.post("/api/readings", files={"photo": ("plate.jpg", drop_plate)}).json()
    for suffix in ("", ".png"):
        answer = client.get(f"/api/readings/{reading['id']}/overlap/nothing{suffix}")
        assert answer.status_code == 404
        assert answer.headers["content-type"] == "application/problem+json"
