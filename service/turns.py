"""Who is next: a bounded queue in front of a few workers, fair between devices."""

from __future__ import annotations

import math
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from service.errors import Busy

MOST_WAITING = 32  # requests; each holds a thread of the server, which has some forty
MOST_WAITING_BYTES = 150_000_000  # of photos held in memory while they wait
MOST_WAITING_EACH = 12  # of one paired device: a phone that sends an album leaves room for others
USUAL_JOB_S = 2.0  # until jobs were timed: a phone photo on a small machine
NEWS_SHARE = 0.2  # how much the latest job counts in the mean


@dataclass(eq=False)
class _Ticket:
    """A place in the queue; ``worker`` is set when it is its turn."""

    device: str | None
    size: int
    turn: threading.Event = field(default_factory=threading.Event)
    worker: int = -1


class Turns:
    """Hands ``workers`` numbered workers out, each to one holder at a time.

    Waiting devices take turns, whoever of them sent more; the requests of one device keep their order.
    """

    def __init__(self, workers: int) -> None:
        self._workers = workers
        self._guard = threading.Lock()
        self._free = set(range(workers))
        self._waiting: OrderedDict[str | None, deque[_Ticket]] = OrderedDict()
        self._usual_job_s = USUAL_JOB_S

    @contextmanager
    def turn(self, device: str | None, size: int) -> Iterator[int]:
        """Wait for a worker and hold it; gives its number, the lowest that is free.

        Raises
        ------
        Busy
            Too much waits already.
        """
        ticket = self._join(device, size)
        try:
            ticket.turn.wait()
        except BaseException:
            self._withdraw(ticket)
            raise
        start = time.monotonic()
        try:
            yield ticket.worker
        finally:
            self._leave(ticket.worker, time.monotonic() - start)

    def check_room(self, device: str | None, size: int) -> None:
        """Whether another request could wait now; asked before its photo is taken into memory.

        Raises
        ------
        Busy
            It could not.
        """
        with self._guard:
            self._refuse_crowds(device, size)

    def tell(self) -> dict[str, int]:
        """How many workers there are and are busy, how many requests wait, and seconds a new one would."""
        with self._guard:
            waiting = self._count_waiting()
            busy = self._workers - len(self._free)
            wait_s = 0 if self._free else self._expected_wait_s(waiting)
        return {"workers": self._workers, "busy": busy, "waiting": waiting, "expected_wait_s": wait_s}

    def _join(self, device: str | None, size: int) -> _Ticket:
        ticket = _Ticket(device, size)
        with self._guard:
            if self._free:
                ticket.worker = min(self._free)
                self._free.remove(ticket.worker)
                ticket.turn.set()
            else:
                self._refuse_crowds(device, size)
                self._waiting.setdefault(device, deque()).append(ticket)
        return ticket

    def _refuse_crowds(self, device: str | None, size: int) -> None:
        waiting = self._count_waiting()
        held = sum(ticket.size for tickets in self._waiting.values() for ticket in tickets)
        own = len(self._waiting.get(device, ()))
        wait_s = self._expected_wait_s(waiting)
        if waiting >= MOST_WAITING or (waiting and held + size > MOST_WAITING_BYTES):
            raise Busy(f"{waiting} photos are waiting to be read: try again in {wait_s} seconds.", wait_s)
        if device is not None and own >= MOST_WAITING_EACH:
            raise Busy(f"{own} photos of this device are waiting: try again in {wait_s} seconds.", wait_s)

    def _leave(self, worker: int, took_s: float) -> None:
        """Give the worker to the next device's oldest request, or nobody."""
        with self._guard:
            self._usual_job_s += NEWS_SHARE * (took_s - self._usual_job_s)
            if not self._waiting:
                self._free.add(worker)
                return
            device, tickets = next(iter(self._waiting.items()))
            ticket = tickets.popleft()
            if tickets:
                self._waiting.move_to_end(device)
            else:
                del self._waiting[device]
            ticket.worker = worker
            ticket.turn.set()

    def _withdraw(self, ticket: _Ticket) -> None:
        with self._guard:
            tickets = self._waiting.get(ticket.device, deque())
            if ticket in tickets:
                tickets.remove(ticket)
                if not tickets:
                    del self._waiting[ticket.device]
                return
        self._leave(ticket.worker, self._usual_job_s)

    def _count_waiting(self) -> int:
        return sum(len(tickets) for tickets in self._waiting.values())

    def _expected_wait_s(self, waiting: int) -> int:
        return max(1, math.ceil((waiting + 1) * self._usual_job_s / self._workers))
