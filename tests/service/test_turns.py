"""The queue in front of the workers: bounded, fair between devices, honest about what it holds."""

from __future__ import annotations

import threading
import time
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service import turns
from service.errors import Busy
from service.turns import Turns


class Crowd:
    """Threads that each take one turn and note when they got it."""

    def __init__(self, queue: Turns) -> None:
        self.queue = queue
        self.served: list[str | None] = []
        self.threads: list[threading.Thread] = []

    def send(self, device: str | None) -> None:
        waiting = self.queue.tell()["waiting"]

        def ask() -> None:
            with self.queue.turn(device, 100):
                self.served.append(device)

        self.threads.append(threading.Thread(target=ask))
        self.threads[-1].start()
        while self.queue.tell()["waiting"] == waiting:
            time.sleep(0.001)

    def wait(self) -> None:
        for thread in self.threads:
            thread.join(10)


def test_devices_take_turns_whoever_sent_more() -> None:
    queue = Turns(1)
    crowd = Crowd(queue)
    with queue.turn("first", 1):
        for device in ("album", "album", "album", "album", "one", "two", "two"):
            crowd.send(device)
    crowd.wait()
    assert crowd.served == ["album", "one", "two", "album", "two", "album", "album"]


@settings(max_examples=25, deadline=None)
@given(st.lists(st.sampled_from("abc"), min_size=1, max_size=10))
def test_between_two_turns_of_a_waiting_device_no_other_has_more_than_one(sent: list[str]) -> None:
    queue = Turns(1)
    crowd = Crowd(queue)
    with queue.turn(None, 1):
        for device in sent:
            crowd.send(device)
    crowd.wait()
    assert sorted(crowd.served) == sorted(sent)
    for device in set(sent):
        places = [k for k, served in enumerate(crowd.served) if served == device]
        for first, second in pairwise(places):
            between = crowd.served[first + 1 : second]
            assert len(set(between)) == len(between)
        assert places[0] < len(set(sent))


def test_as_many_hold_a_turn_at_once_as_there_are_workers_and_the_lowest_number_comes_first() -> None:
    queue = Turns(3)
    with queue.turn(None, 1) as one, queue.turn(None, 1) as two:
        assert (one, two) == (0, 1)
        assert queue.tell() == {"workers": 3, "busy": 2, "waiting": 0, "expected_wait_s": 0}
    with queue.turn(None, 1) as again:
        assert again == 0


def test_a_full_queue_says_when_to_come_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(turns, "MOST_WAITING", 3)
    queue = Turns(1)
    crowd = Crowd(queue)
    with queue.turn(None, 1):
        for _ in range(3):
            crowd.send(None)
        with pytest.raises(Busy, match="3 photos are waiting") as refused, queue.turn(None, 1):
            pass
        with pytest.raises(Busy):
            queue.check_room(None, 1)
    assert refused.value.wait_s == 8  # four jobs of the two seconds expected before any was timed
    crowd.wait()
    queue.check_room(None, 1)
    assert queue.tell()["busy"] == 0


def test_waiting_photos_are_bounded_in_bytes_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(turns, "MOST_WAITING_BYTES", 250)
    queue = Turns(1)
    crowd = Crowd(queue)
    with queue.turn(None, 30_000_000):  # what is in a worker's hands no longer waits
        crowd.send("a")
        crowd.send("b")
        with pytest.raises(Busy):
            queue.check_room("c", 100)
    crowd.wait()


def test_one_device_cannot_fill_the_queue_but_this_machine_may(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(turns, "MOST_WAITING_EACH", 2)
    queue = Turns(1)
    crowd = Crowd(queue)
    with queue.turn(None, 1):
        for device in ("phone", "phone", None, None, None):
            crowd.send(device)
        with pytest.raises(Busy, match="of this device"):
            queue.check_room("phone", 1)
        queue.check_room("another", 1)
        queue.check_room(None, 1)
    crowd.wait()
    assert len(crowd.served) == 5


def test_a_failing_job_gives_its_worker_back() -> None:
    queue = Turns(1)
    with pytest.raises(ZeroDivisionError), queue.turn(None, 1):
        raise ZeroDivisionError
    assert queue.tell()["busy"] == 0
