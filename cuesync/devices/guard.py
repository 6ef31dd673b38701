"""Keeps the output that starts a prop on for no longer than it may be, whatever the show does meanwhile.

A worker (see `ports.Worker`) with a thread of its own in a live run, so that a show that hangs still drops
the output, and an output that hangs holds up neither the show nor another output. The device below is told
only ever of the next moment, so that it drops the output by itself when this thread, the program or the
computer stops.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from dataclasses import dataclass

from cuesync.devices.orders import Orders
from cuesync.devices.ports import Clock, PropOutput
from cuesync.errors import CuesyncError

RENEW_EVERY_S = 0.1
LEASE_S = 0.35
"""For so long the device is told to stay on; three renewals may come late before it drops out."""
LATEST_S = 0.25
"""A start that is later than this is not given at all: nobody stands ready for it any more."""
_TRY_AGAIN_S = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Switched:
    """What became of the output at host time `at_s`.

    `late_s`: how late a start was. `on_s`: how long it was on, 0 where a start was called off, and `why`.
    With a `problem` it was not switched as it should have been.
    """

    at_s: float
    on: bool
    late_s: float = 0.0
    on_s: float = 0.0
    why: str = ""
    problem: str = ""


class OutputGuard:
    """One output. `done` is told under a lock and only queues.

    `start`, `off` and `let_go` are for any thread and only order: the worker's own thread switches.
    """

    def __init__(
        self,
        output: PropOutput | None,
        clock: Clock,
        *,
        max_on_s: float,
        done: Callable[[Switched], None],
        hindered: Callable[[], str] = lambda: "",
        wake: Callable[[], None] = lambda: None,
    ) -> None:
        """`output` is None while there is none; nothing can be started then.

        `hindered` is asked at the moment of a start, under a lock: what forbids it, empty if nothing.
        """
        self._output = output
        self._clock = clock
        self._max_on_s = max_on_s
        self._done = done
        self._hindered = hindered
        self.wake = wake
        self._orders = Orders()
        self._lock = threading.RLock()  # held while the output is told something
        self._start_s = math.inf
        self._off_s = math.inf
        self._why = ""
        self._let_go_s = -math.inf
        self._on_since_s: float | None = None
        self._renewed_s = -math.inf
        self._try_off_s: float | None = None  # it could not be switched off

    def start(self, at_s: float, off_s: float, why: str, *, asked_s: float) -> None:
        """On at host time `at_s`, off at `off_s` for this reason, and never on for longer than `max_on_s`.

        `asked_s`: host time of the press; one from before all was let go starts nothing any more.
        """
        self._give(lambda: self._start(at_s, off_s, why, asked_s))

    def off(self, why: str) -> None:
        """Off at once; a start that was asked for before is called off."""
        self._give(lambda: self._off(why))

    def let_go(self, why: str) -> None:
        """As `off`, also for every press until now whose start has not been asked for yet."""
        now_s = self._clock.now_s()
        self._give(lambda: self._let_go(now_s, why))

    def alive(self) -> bool:
        """Waits for nobody."""
        output = self._output
        return output is not None and output.alive()

    def use(self, output: PropOutput | None) -> None:
        """From now on this is the output, off as when it has just been opened; the one before is closed.

        A start that was asked for before is not given any more.
        """
        with self._lock:
            self._orders.carry_out()
            gone, self._output = self._output, output
            self._start_s, self._try_off_s = math.inf, None
            since_s, self._on_since_s = self._on_since_s, None
            if since_s is not None:
                now_s = self._clock.now_s()
                self._done(Switched(at_s=now_s, on=False, on_s=now_s - since_s, why="its device is gone"))
        if gone is not None:
            gone.close()  # may take its time, and nobody waits for that

    def next_s(self) -> float:
        if self._orders:
            return -math.inf
        with self._lock:
            if self._try_off_s is not None:
                return self._try_off_s
            if self._on_since_s is not None:
                return min(self._off_s, self._renewed_s + RENEW_EVERY_S)
            return self._start_s

    def work(self, now_s: float) -> None:
        with self._lock:
            self._orders.carry_out()
            now_s = max(now_s, self._clock.now_s())  # the lock may have taken its time
            if self._try_off_s is not None:
                if now_s >= self._try_off_s:
                    self._send_off(now_s)
            elif self._on_since_s is None:
                if now_s >= self._start_s:
                    self._switch_on(now_s)
            elif now_s >= self._off_s:
                self._switch_off(self._why)
            elif now_s > self._renewed_s + LEASE_S:
                self._switch_off("cuesync was held up", "cuesync was held up, and the prop was let go.")
            elif now_s >= self._renewed_s + RENEW_EVERY_S:
                self._tell(now_s)

    def _give(self, order: Callable[[], None]) -> None:
        self._orders.give(order)
        self.wake()

    def _start(self, at_s: float, off_s: float, why: str, asked_s: float) -> None:
        if self._on_since_s is not None:  # its end is overdue, and this one begins its own time
            self._switch_off(self._why)
        if asked_s <= self._let_go_s:
            self._done(Switched(at_s=self._clock.now_s(), on=False, why="it was let go after the press"))
            return
        self._start_s, self._off_s, self._why = at_s, off_s, why

    def _off(self, why: str) -> None:
        asked_for, self._start_s = self._start_s < math.inf, math.inf
        if self._on_since_s is not None:
            self._switch_off(why)
        elif asked_for:
            self._done(Switched(at_s=self._clock.now_s(), on=False, why=why))

    def _let_go(self, at_s: float, why: str) -> None:
        self._let_go_s = max(self._let_go_s, at_s)
        self._off(why)

    def _switch_on(self, now_s: float) -> None:
        late_s, self._start_s = now_s - self._start_s, math.inf
        if late_s > LATEST_S or now_s >= self._off_s:
            problem = f"the prop was not started: the start would have come {late_s:.2f} s late."
            self._done(Switched(at_s=now_s, on=False, late_s=late_s, problem=problem))
            return
        if why := self._hindered():
            self._done(Switched(at_s=now_s, on=False, problem=f"the prop was not started: {why}."))
            return
        self._off_s = min(self._off_s, now_s + self._max_on_s)
        self._on_since_s = now_s
        if self._tell(now_s, first=True):
            sent_s = self._clock.now_s()
            self._done(Switched(at_s=sent_s, on=True, late_s=late_s + sent_s - now_s))

    def _tell(self, now_s: float, *, first: bool = False) -> bool:
        """Tell the device to be on for a moment more; where that fails, it may be on all the same."""
        problem = "the output that starts the prop is not there."
        try:
            if self._output is not None:
                tell = self._output.on if first else self._output.keep_on
                tell(min(LEASE_S, self._off_s - now_s))
                self._renewed_s = now_s
                return True
        except Exception as error:  # whatever a driver raises, it must go off
            problem = str(error) if isinstance(error, CuesyncError) else f"{type(error).__name__}: {error}."
        self._switch_off(f"it could not be {'switched' if first else 'kept'} on", problem)
        return False

    def _switch_off(self, why: str, problem: str = "") -> None:
        since_s, self._on_since_s = self._on_since_s, None
        assert since_s is not None
        if not self._send_off(self._clock.now_s()):
            # the lease runs out in any case
            problem = problem or "the output that starts the prop could not be switched off."
        now_s = self._clock.now_s()
        self._done(Switched(at_s=now_s, on=False, on_s=now_s - since_s, why=why, problem=problem))

    def _send_off(self, now_s: float) -> bool:
        """Try, and try again in a moment until that has worked or the device has been opened anew."""
        self._try_off_s = None
        try:
            if self._output is not None:
                self._output.off()
        except Exception:  # nothing that a driver raises may keep anybody from trying again
            self._try_off_s = now_s + _TRY_AGAIN_S
            return False
        return True
