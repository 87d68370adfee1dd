"""A short run of the fuzz command's two parts; the long run is a command that writes a result file."""

from __future__ import annotations

from model.photo import check_limits
from service.trials.fuzz import fuzz_server, fuzz_worker, make_files
from service.trials.mutate import list_seeds


def test_every_seed_is_a_small_valid_file() -> None:
    for data in list_seeds():
        assert len(data) < 20_000
        assert min(check_limits(data).width, check_limits(data).height) >= 48


def test_damaged_files_are_the_same_for_the_same_seed_and_mostly_damaged() -> None:
    files = list(make_files(200, 3))
    assert files == list(make_files(200, 3))
    assert len(set(files) - set(list_seeds())) > 190


def test_damaged_files_stop_neither_the_worker_nor_its_parent() -> None:
    found = fuzz_worker(600, seed=11)
    assert sum(found["outcomes"].values()) == 600
    assert found["outcomes"]["read"] > 20  # some reach the decoders, or the trial would try nothing
    assert found["outcomes"].get("ReaderStopped", 0) == 0


def test_damaged_files_get_no_5xx_from_a_server_that_lives_on() -> None:
    found = fuzz_server(60, seed=12)
    assert found["answers_5xx_or_none"] == 0
    assert found["alive_afterwards"]
    assert set(found["statuses"]) <= {"201", "413", "415", "422"}
