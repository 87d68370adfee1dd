"""The worker: errors come back as themselves, a dead child is replaced, time is limited."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator

import pytest

from model.errors import HintError, NotAPhoto, PhotoTruncated
from service.errors import ReaderStopped
from service.worker import Worker


@pytest.fixture(scope="module")
def worker() -> Iterator[Worker]:
    running = Worker()
    yield running
    running.close()


def read(worker: Worker, photo: bytes, **more: object):
    return worker.read(photo, "r1", lambda version, recipe: None, **more)


def test_nothing_runs_before_the_first_job() -> None:
    assert Worker()._process is None


def test_a_reading_comes_back_with_the_sealed_photo(worker: Worker, drop_plate: bytes) -> None:
    new = read(worker, drop_plate)
    assert new.facts["id"] == "r1"
    assert new.sealed[:2] == b"\xff\xd8"
    assert (new.suffix, new.photo_bytes) == ("jpg", len(drop_plate))
    assert new.recipe_id
    dimension = {len(crop.numbers) for crop in new.crops}
    assert len(dimension) <= 1


def test_errors_of_the_model_keep_their_kind_and_words(worker: Worker, drop_plate: bytes) -> None:
    with pytest.raises(NotAPhoto, match="JPEG"):
        read(worker, b"text")
    with pytest.raises(PhotoTruncated):
        read(worker, drop_plate[:5000])
    with pytest.raises(HintError, match="outside"):
        read(worker, drop_plate, neutral=(-1.0, 5.0))


def test_a_child_that_died_between_jobs_is_replaced(worker: Worker, drop_plate: bytes) -> None:
    read(worker, drop_plate)
    first = worker._process.pid
    os.kill(first, signal.SIGKILL)
    worker._process.join()
    assert read(worker, drop_plate).facts["id"] == "r1"
    assert worker._process.pid != first


def test_a_child_that_dies_on_a_photo_fails_that_photo_only(drop_plate: bytes) -> None:
    worker = Worker()
    try:
        worker.wait_ready()
        os.kill(worker._process.pid, signal.SIGSTOP)  # so that the photo is surely in hand when it dies

        def kill() -> None:
            time.sleep(0.3)
            os.kill(worker._process.pid, signal.SIGKILL)

        killer = threading.Thread(target=kill)
        killer.start()
        with pytest.raises(ReaderStopped, match="reader stopped"):
            read(worker, drop_plate)
        killer.join()
        assert read(worker, drop_plate).facts["id"] == "r1"
    finally:
        worker.close()


def test_a_job_that_takes_too_long_is_ended(drop_plate: bytes) -> None:
    worker = Worker(job_limit_s=0.5)
    try:
        worker.wait_ready()
        os.kill(worker._process.pid, signal.SIGSTOP)
        with pytest.raises(ReaderStopped, match="longer than"):
            read(worker, drop_plate)
        assert worker._process is None
    finally:
        worker.close()


def test_memory_and_processor_time_are_limited_where_the_platform_can(worker: Worker) -> None:
    resource = pytest.importorskip("resource")
    worker.wait_ready()
    if not hasattr(resource, "prlimit"):
        pytest.skip("limits of another process can only be asked for on Linux")
    assert resource.prlimit(worker._process.pid, resource.RLIMIT_AS)[0] <= 4 * 1024**3


def test_the_gallery_is_handed_over_once_a_version(worker: Worker, drop_plate: bytes) -> None:
    from service.kept import PackedGallery

    asked: list[int | None] = []

    def pack(version: int | None, recipe: str) -> PackedGallery | None:
        asked.append(version)
        return None if version == 7 else PackedGallery(7, recipe, b"", (), ())

    for _ in range(3):
        worker.read(drop_plate, "r1", pack)
    assert asked == [None, 7, 7]
