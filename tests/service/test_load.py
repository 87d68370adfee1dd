"""A small run of the load trial; the one with twenty phones is a command that writes a result file."""

from __future__ import annotations

import pytest

from service.trials import load


def test_phones_at_once_all_get_their_readings_and_health_answers_meanwhile(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(load, "ROWS", 450)
    monkeypatch.setattr(load, "COLUMNS", 600)
    monkeypatch.setattr(load, "ALBUM_AT_ONCE", 3)
    found = load.load_server(phones=4, photos_each=1, seed=2, workers=1)
    assert found["photos_read"] == 3 + 3
    assert found["errors"] == 0
    assert found["alive_afterwards"]
    assert found["most_waiting"] >= 1
    assert found["health_answers"]["median_ms"] < 1000
