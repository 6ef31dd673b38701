"""Sends each light command at its time. Knows nothing of scenes beyond the tag it hands back."""

from __future__ import annotations

import heapq
import itertools
import math
import threading
from collections import Counter
from collections.abc import Callable, Hashable
from dataclasses import dataclass

from cuesync.devices.addresses import LightAddress, parse_light
from cuesync.devices.ports import Clock, LightCommand, LightOutput
from cuesync.errors import CuesyncError


@dataclass(frozen=True, slots=True, kw_only=True)
class LightResult:
    """What became of one command: sent at host time `sent_s`, or not (None), with the reason."""

    tag: Hashable
    command: LightCommand
    planned_s: float
    sent_s: float | None
    problem: str


class LightDesk:
    """A queue of commands in order of time; a worker (see `devices.ports.Worker`).

    Flashes of one light may overlap, also from different scenes: it stays on until the last one ends.
    """

    def __init__(
        self,
        output: LightOutput | None,
        clock: Clock,
        done: Callable[[LightResult], None],
        wake: Callable[[], None] = lambda: None,
    ) -> None:
        """`done` is told of every command; `wake` when something earlier than all else came in."""
        self._clock = clock
        self._done = done
        self.wake = wake
        self._order = itertools.count()
        self._queue: list[tuple[float, bool, int, Hashable, LightCommand]] = []
        self._holders: Counter[str] = Counter()
        self._names: dict[LightAddress, str] = {}
        # Guards the queue and the output; nothing waits under it but the sending itself.
        self._lock = threading.RLock()
        self._output = output

    def use(self, output: LightOutput | None) -> None:
        """Send through this from now on; every light ever used is switched there as it should be now.

        DeviceError where it can't be; nothing is sent through it then.
        """
        with self._lock:
            self._output = None
            if output is not None:
                for light, holders in self._holders.items():
                    # off as well: the light may have been left on where the port dropped
                    output.send(LightCommand(light=light, level=float(holders > 0)))
            self._output = output

    def flash(self, tag: Hashable, light: str, on_s: float, off_s: float) -> None:
        """Switch the light on at host time `on_s` and off at `off_s`."""
        with self._lock:
            for at_s, on in ((on_s, True), (off_s, False)):
                entry = (at_s, on, next(self._order), tag, LightCommand(light=light, level=float(on)))
                heapq.heappush(self._queue, entry)
        self.wake()

    def hold(self, light: str, *, on: bool) -> None:
        """Switch a light on at once until it is held no more, whatever flashes do.

        DeviceError where the output is gone.
        """
        with self._lock:
            name = self._name(light)
            if self._count(name, on=on) and self._output is not None:
                self._output.send(LightCommand(light=name, level=float(on)))

    def next_s(self) -> float:
        with self._lock:
            return self._queue[0][0] if self._queue else math.inf

    def work(self, now_s: float) -> None:
        while True:
            with self._lock:
                if not self._queue or self._queue[0][0] > now_s:
                    return
                planned_s, _, _, tag, command = heapq.heappop(self._queue)
                result = self._send(tag, command, planned_s)
            self._done(result)

    def all_off(self) -> None:
        """Forget what is planned and switch everything off. DeviceError where the output is gone."""
        with self._lock:
            forgotten, self._queue = self._queue, []
            self._holders = Counter(dict.fromkeys(self._holders, 0))  # known for `use`, though off
            results = [
                LightResult(tag=tag, command=command, planned_s=at_s, sent_s=None, problem="stopped")
                for at_s, _, _, tag, command in sorted(forgotten, key=lambda entry: entry[:3])
            ]
            try:
                if self._output is not None:
                    self._output.all_off()
            finally:
                for result in results:
                    self._done(result)

    def _name(self, light: str) -> str:
        """One name for a light that scenes write in several ways ("midi:36", "midi:1:36")."""
        return self._names.setdefault(parse_light(light), light)

    def _count(self, name: str, *, on: bool) -> bool:
        """Count one holder more or less; True where that switches the light."""
        before = self._holders[name]
        self._holders[name] = max(0, before + (1 if on else -1))
        return before == 0 if on else before == 1

    def _send(self, tag: Hashable, command: LightCommand, planned_s: float) -> LightResult:
        name = self._name(command.light)
        needed = self._count(name, on=command.on)
        problem = ""
        if self._output is None:
            problem = "no light output is open"
        elif needed:
            try:
                self._output.send(LightCommand(light=name, level=command.level))
            except CuesyncError as error:
                problem = str(error)
        sent_s = None if problem else self._clock.now_s()
        return LightResult(tag=tag, command=command, planned_s=planned_s, sent_s=sent_s, problem=problem)
