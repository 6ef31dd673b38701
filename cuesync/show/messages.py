"""Sends what goes to other gear, each message at its time. Knows of scenes only the tag it hands back."""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass

from cuesync.devices.orders import Failed, Orders
from cuesync.devices.ports import Clock, MessageOutput
from cuesync.errors import CuesyncError, DeviceError
from cuesync.plan.plan import PlannedMessages


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageResult:
    """What became of a run of messages. `sent_s`: host time of the first that went out, None where none did.

    `worst_late_s`: the largest lateness of any; `problem`: the first thing that went wrong.
    """

    tag: Hashable
    name: str
    planned_s: float
    sent_s: float | None
    problem: str
    worst_late_s: float = 0.0


@dataclass(slots=True, kw_only=True, eq=False)
class _Run:
    tag: Hashable
    planned: PlannedMessages
    start_s: float
    done: int = 0
    sent_s: float | None = None
    problem: str = ""
    worst_late_s: float = 0.0

    @property
    def next_s(self) -> float:
        return self.start_s + self.planned.messages[self.done][0]

    @property
    def ended(self) -> bool:
        return self.done == len(self.planned.messages)

    def result(self) -> MessageResult:
        return MessageResult(
            tag=self.tag,
            name=self.planned.name,
            planned_s=self.start_s,
            sent_s=self.sent_s,
            problem=self.problem,
            worst_late_s=self.worst_late_s,
        )


class MessageDesk:
    """A worker (see `devices.ports.Worker`).

    `play` and `stop` are for any thread and only order: the worker's own thread sends, and nobody else waits
    for an output that hangs.
    """

    def __init__(
        self,
        output: MessageOutput | None,
        clock: Clock,
        done: Callable[[MessageResult], None],
        wake: Callable[[], None] = lambda: None,
    ) -> None:
        """`done` is told of the end of every run; `wake` is called when there is something new."""
        self._output = output
        self._clock = clock
        self._done = done
        self.wake = wake
        self._order = itertools.count()
        self._orders = Orders()
        self._queue: list[tuple[float, int, _Run]] = []

    @property
    def idle(self) -> bool:
        """No order waits to be carried out."""
        return not self._orders

    def play(self, tag: Hashable, planned: PlannedMessages, zero_s: float) -> None:
        """Send a planned run; `zero_s` is the host time from which its `at_s` counts."""
        run = _Run(tag=tag, planned=planned, start_s=zero_s + planned.at_s)
        self._give(lambda: self._wait(run))

    def stop(self, messages: Iterable[PlannedMessages], *, failed: Failed | None = None) -> None:
        """Forget all that is planned until now, and send these at once, each only once.

        All of them are tried; `failed` is told, on the worker's thread, where one could not be sent.
        """
        last = tuple(dict.fromkeys(data for planned in messages for _, data in planned.messages))
        self._give(lambda: self._stop(last), failed)

    def next_s(self) -> float:
        if self._orders:
            return -math.inf
        return self._queue[0][0] if self._queue else math.inf

    def work(self, now_s: float) -> None:
        while True:
            self._orders.carry_out()  # between any two messages: a stop waits for no backlog
            if not self._queue or self._queue[0][0] > now_s:
                return
            due_s, _, run = heapq.heappop(self._queue)
            self._send_next(run, due_s)
            if run.ended:
                self._done(run.result())
            else:
                self._wait(run)

    def _give(self, order: Callable[[], None], failed: Failed | None = None) -> None:
        self._orders.give(order, failed)
        self.wake()

    def _wait(self, run: _Run) -> None:
        heapq.heappush(self._queue, (run.next_s, next(self._order), run))

    def _stop(self, last: Iterable[bytes]) -> None:
        problem: CuesyncError | None = None
        forgotten, self._queue = self._queue, []
        for data in last:
            try:
                self._send(data)
            except CuesyncError as failed:
                problem = failed
        for _, _, run in sorted(forgotten, key=lambda entry: entry[:2]):
            run.problem = run.problem or "stopped"
            self._done(run.result())
        if problem is not None:
            raise problem

    def _send_next(self, run: _Run, due_s: float) -> None:
        _, data = run.planned.messages[run.done]
        run.done += 1
        try:
            self._send(data)
        except CuesyncError as failed:
            run.problem = run.problem or str(failed)
            return
        now_s = self._clock.now_s()
        run.sent_s = now_s if run.sent_s is None else run.sent_s
        run.worst_late_s = max(run.worst_late_s, now_s - due_s)

    def _send(self, data: bytes) -> None:
        if self._output is None:
            raise DeviceError("no output for messages is open.")
        self._output.send_message(data)
