"""What the show tells goes out on threads of its own: the show waits for no screen, and outlives them."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Sequence
from typing import TypeVarTuple

from cuesync.counted import counted
from cuesync.devices.ports import Clock
from cuesync.errors import CuesyncError
from cuesync.show.events import Fault, Recovered, ShowEvent
from cuesync.show.log import NightSummary

MOST_WAITING = 500
_A = TypeVarTuple("_A")
_TICK_S = 0.1


class Outlet:
    """One way out for what the show tells: a screen, a file, a pipe to another program.

    What `say`, `tick` or `over` raises goes into the night's log and to the other outlets, once, and ends
    nothing; a CuesyncError is told in its own words.
    """

    name = "the screen"
    ended = False
    """The night is over, and this has been told so."""
    hangs = False
    """The night is over, and this has still not taken what it was told; its thread waits for that."""

    def take(self, event: ShowEvent) -> None:
        """Note an event, without waiting for anything. All come here, in order, also those not to be said."""

    def say(self, event: ShowEvent) -> None:
        """Write an event out. Where this hangs it holds nothing else up; what finds no room is left out."""
        raise NotImplementedError

    def tick(self) -> None:
        """Called some ten times a second while nothing happens."""

    def over(self, summary: NightSummary) -> None:
        """The last call of all, once the night is over and its log closed."""


class PlainOutlet(Outlet):
    """Calls `say` and nothing else."""

    def __init__(self, say: Callable[[ShowEvent], None]) -> None:
        self._say = say

    def say(self, event: ShowEvent) -> None:
        self._say(event)


class Teller:
    """Takes events from any thread, never makes anybody wait, and gives them to its outlet on its own thread.

    The newest `MOST_WAITING` wait while the outlet hangs; `report` is told when the first is left out, and
    how many it were once the outlet goes on.
    """

    def __init__(self, outlet: Outlet, report: Callable[[ShowEvent], None], clock: Clock) -> None:
        self._outlet = outlet
        self._report = report
        self._clock = clock
        self._changed = threading.Condition()
        self._waiting: deque[ShowEvent] = deque()
        self._left_out = 0
        self._busy = False
        self._closing = False
        self._summary: NightSummary | None = None
        self._failures: set[str] = set()
        self._thread = threading.Thread(target=self._run, name="cuesync telling", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def put(self, event: ShowEvent) -> None:
        problem: Exception | None = None
        with self._changed:
            self._waiting.append(event)
            full = len(self._waiting) > MOST_WAITING
            if full:
                problem = self._take(self._waiting.popleft())
                self._left_out += 1
            first = full and self._left_out == 1
            self._changed.notify_all()
        # Not while the lock is held: whoever is told of it may put that in here, and into other tellers.
        if first:
            self._report(
                Fault(
                    at_s=self._clock.now_s(),
                    what=f"{self._outlet.name} hangs; from now on it misses what happens.",
                    todo="The log has it all.",
                    about=self._outlet.name,
                    lasting=True,
                )
            )
        if problem is not None:
            self._failed(problem)

    def drain(self, within_s: float) -> int:
        """Wait until all is said, but no longer than this; how much has not been said then."""
        with self._changed:
            self._changed.wait_for(lambda: not self._waiting and not self._busy, within_s)
            return len(self._waiting) + self._left_out + self._busy

    def close(self, summary: NightSummary | None, within_s: float) -> None:
        """Say what is left and, where there is a summary, that the night is over; wait only so long."""
        with self._changed:
            self._closing, self._summary = True, summary
            self._changed.notify_all()
        if self._thread.is_alive():
            self._thread.join(within_s)
            self._outlet.hangs = self._thread.is_alive()

    def _take(self, event: ShowEvent) -> Exception | None:
        try:
            self._outlet.take(event)
        except Exception as problem:
            return problem
        return None

    def _run(self) -> None:
        while True:
            event, problem, left_out = None, None, 0
            with self._changed:
                if not self._waiting and not self._closing:
                    self._changed.wait(_TICK_S)
                if self._waiting:
                    event = self._waiting.popleft()
                    problem = self._take(event)
                elif self._closing:
                    break
                self._busy = True
            if problem is not None:
                self._failed(problem)
            if event is None:
                self._try(self._outlet.tick)
            else:
                self._try(self._outlet.say, event)
            with self._changed:
                self._busy = False
                self._changed.notify_all()
                if len(self._waiting) <= MOST_WAITING // 2:  # one that is slow is not told of line by line
                    left_out, self._left_out = self._left_out, 0
            if left_out:
                what = f"{self._outlet.name} goes on; {counted(left_out, 'line')} had to be left out"
                self._report(Recovered(at_s=self._clock.now_s(), what=what, about=self._outlet.name))
        if self._summary is not None:
            self._try(self._outlet.over, self._summary)
            self._outlet.ended = True

    def _try(self, act: Callable[[*_A], None], *arguments: *_A) -> None:
        try:
            act(*arguments)
        except Exception as problem:
            self._failed(problem)

    def _failed(self, problem: Exception) -> None:
        known = isinstance(problem, CuesyncError)
        if (which := str(problem) if known else type(problem).__name__) in self._failures:
            return
        self._failures.add(which)
        what = which if known else f"{self._outlet.name} failed: {which}: {problem}."
        self._report(Fault(at_s=self._clock.now_s(), what=what))


class Tellers:
    """All outlets of a show, each with its teller."""

    def __init__(self, outlets: Sequence[Outlet], clock: Clock) -> None:
        self._clock = clock
        self._report: Callable[[ShowEvent], None] = self.put
        self._tellers = [(outlet, Teller(outlet, self._tell, clock)) for outlet in outlets]
        self._closed = False

    def start(self, report: Callable[[ShowEvent], None]) -> None:
        """Begin. `report` takes what is to be told of the outlets themselves, and puts it in here too."""
        self._report = report
        for _, teller in self._tellers:
            teller.start()

    def put(self, event: ShowEvent) -> None:
        for _, teller in self._tellers:
            teller.put(event)

    def drain(self, within_s: float) -> None:
        """Let all be said that is to be said, but wait for nothing that hangs: report that."""
        end_s = self._clock.now_s() + within_s
        for outlet, teller in self._tellers:
            if unsaid := teller.drain(max(0.0, end_s - self._clock.now_s())):
                what = f"{outlet.name} hangs; of what happened it has not taken {counted(unsaid, 'line')}."
                self._tell(Fault(at_s=self._clock.now_s(), what=what, about=outlet.name, lasting=True))

    def close(self, summary: NightSummary | None, within_s: float) -> None:
        """As each teller's; does nothing the second time."""
        if self._closed:
            return
        self._closed = True
        end_s = self._clock.now_s() + within_s
        for _, teller in self._tellers:
            teller.close(summary, max(0.0, end_s - self._clock.now_s()))

    def _tell(self, event: ShowEvent) -> None:
        self._report(event)
