"""A short run of the kill trial; the full one is ``python -m service.trials.kills``."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from service.trials.killed_server import StandInServer
from service.trials.kills import describe, free_port, run_kills

KILLS, SEED, LONGEST_LIFE_S = 16, 5, 0.5


@pytest.mark.skipif(not hasattr(os, "fork"), reason="servers are forked here")
def test_no_acknowledged_item_is_lost_or_doubled_by_kills(tmp_path: Path) -> None:
    server = StandInServer(free_port())
    try:
        tally = run_kills(KILLS, SEED, server, tmp_path, LONGEST_LIFE_S)
    finally:
        server.close()
    assert tally.kills == KILLS
    assert tally.early >= 1
    assert tally.acknowledged >= KILLS // 4
    assert tally.retried >= 1
    assert (tally.lost, tally.doubled, tally.integrity_failures) == ([], [], [])
    assert describe(tally, "stand-in", 1.0, SEED)["acknowledged items lost or not in agreement"] == 0


@pytest.mark.skipif(not hasattr(os, "fork"), reason="servers are forked here")
def test_the_trial_sees_a_loss(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A photo taken away behind the server's back is found missing: the trial can fail."""
    from service.trials import kills

    real = kills.count_lost

    def steal(data: Path, answered: list) -> list[str]:
        for path in (data / "photos").glob("??/*"):
            path.unlink()
        return real(data, answered)

    monkeypatch.setattr(kills, "count_lost", steal)
    server = StandInServer(free_port())
    try:
        tally = run_kills(5, 1, server, tmp_path, LONGEST_LIFE_S)
    finally:
        server.close()
    assert tally.lost
    assert any("missing" in failure for failure in tally.integrity_failures)
