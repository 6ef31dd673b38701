"""Brings each light to its level at its time. Knows nothing of scenes beyond the tag it hands back."""

from __future__ import annotations

import heapq
import itertools
import math
import threading
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field

from cuesync.devices.light_addresses import LightAddress, parse_light
from cuesync.devices.lights_together import LightsPart
from cuesync.devices.orders import Failed, Orders
from cuesync.devices.ports import WHITE, Clock, Colour, LightCommand, LightOutput
from cuesync.errors import CuesyncError
from cuesync.plan.plan import LightShape, LightStep, PlannedLight

_ROUNDING_S = 1e-6
"""One shape ends as the next begins: what lies between them by rounding alone must not be seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LightResult:
    """What became of the beginning or the end of a shape: in force at host time `sent_s`, or not (None).

    `command` is what the shape wanted; nothing goes out where the light is so already. The result of an end
    also speaks for the steps before it: `worst_late_s` is the largest lateness of any of them, `problem` the
    first thing that went wrong, in the steps or at the end.
    """

    tag: Hashable
    command: LightCommand
    planned_s: float
    sent_s: float | None
    problem: str
    worst_late_s: float = 0.0


@dataclass(slots=True, kw_only=True, eq=False)
class _Claim:
    """A shape that wants its light from `start_s` to `end_s` (host time); else its `level` is None."""

    tag: Hashable
    light: str
    shape: LightShape
    steps: tuple[LightStep, ...]
    colour: Colour
    priority: int
    start_s: float
    end_s: float
    order: int
    done: int = 0
    level: float | None = None
    worst_late_s: float = 0.0
    problem: str = ""

    @property
    def next_s(self) -> float:
        return self.start_s + self.steps[self.done].at_s if self.done < len(self.steps) else self.end_s

    def advance(self) -> None:
        self.level = self.steps[self.done].level if self.done < len(self.steps) else None
        self.done += 1

    @property
    def ended(self) -> bool:
        return self.done > len(self.steps)

    def result(self, planned_s: float, level: float, sent_s: float | None, problem: str) -> LightResult:
        return LightResult(
            tag=self.tag,
            command=LightCommand(light=self.light, level=level, colour=self.colour),
            planned_s=planned_s,
            sent_s=sent_s,
            problem=problem,
            worst_late_s=self.worst_late_s,
        )


@dataclass(slots=True, kw_only=True, eq=False)
class _Light:
    """One light with all that wants it. `shown` is the command in force, None where that is not known."""

    name: str
    claims: list[_Claim] = field(default_factory=list)
    held_level: float | None = None
    rest_level: float = 0.0
    rest_colour: Colour = WHITE
    shown: LightCommand | None = None

    def wanted(self) -> LightCommand:
        """Highest priority first, then darkness, then the highest level, then the latest shape."""
        level, colour = self.rest_level, self.rest_colour
        if self.held_level is not None:
            level, colour = self.held_level, WHITE
        elif self.claims:
            priority = max(claim.priority for claim in self.claims)
            top = [claim for claim in self.claims if claim.priority == priority]
            best = max(top, key=lambda claim: (claim.shape == "blackout", claim.level or 0.0, claim.order))
            level, colour = best.level or 0.0, best.colour
        return LightCommand(light=self.name, level=level, colour=colour if level else WHITE)


class LightDesk:
    """Every shape under way is a claim on its light; a worker (see `devices.ports.Worker`).

    Shapes of one light may overlap, also from different scenes: the highest priority decides, among equals a
    blackout, then the highest level. After the last one the light goes to its rest level.

    `play`, `rest`, `hold` and `all_off` are for any thread and only order: the worker's own thread sends, and
    nobody else waits for an output that hangs.
    """

    def __init__(
        self,
        output: LightOutput | LightsPart | None,
        clock: Clock,
        done: Callable[[LightResult], None],
        wake: Callable[[], None] = lambda: None,
    ) -> None:
        """`done` is told of the beginning and the end of every shape; `wake` when there is something new."""
        self._clock = clock
        self._done = done
        self.wake = wake
        self._order = itertools.count()
        self._orders = Orders()
        self._queue: list[tuple[float, int, _Claim]] = []
        self._lights: dict[LightAddress, _Light] = {}
        # Guards queue, lights and output; held while something is sent.
        self._lock = threading.RLock()
        self._output = output

    @property
    def idle(self) -> bool:
        """No order waits to be carried out."""
        return not self._orders

    def renew(self) -> None:
        """The output is back: each light ever used is brought to where it should be now.

        Waits for what is being sent. DeviceError where it can't be.
        """
        with self._lock:
            for light in self._lights.values():
                # dark ones as well: the light may have been left on where the port dropped
                light.shown = None
                self._show(light)

    def play(self, tag: Hashable, planned: PlannedLight, zero_s: float) -> None:
        """Play a planned shape; `zero_s` is the host time from which its `at_s` counts."""
        start_s = zero_s + planned.at_s
        claim = _Claim(
            tag=tag,
            light=planned.light,
            shape=planned.shape,
            steps=planned.steps,
            colour=planned.colour,
            priority=planned.priority,
            start_s=start_s,
            end_s=start_s + planned.length_s,
            order=next(self._order),
        )
        self._give(lambda: heapq.heappush(self._queue, (claim.next_s, claim.order, claim)))

    def rest(self, light: str, level: float, colour: Colour = WHITE, *, failed: Failed | None = None) -> None:
        """From now on the light stands at this level while nothing wants it, until `all_off`.

        `failed` is told, on the worker's thread, of an output that is gone.
        """

        def rest() -> None:
            found = self._light(light)
            found.rest_level, found.rest_colour = level, colour
            self._show(found)

        self._give(rest, failed)

    def hold(self, light: str, level: float | None, *, failed: Failed | None = None) -> None:
        """White at this level at once, whatever any shape wants, until it is held no more (None).

        `failed` as for `rest`.
        """

        def hold() -> None:
            found = self._light(light)
            found.held_level = level
            self._show(found)

        self._give(hold, failed)

    def all_off(self, *, failed: Failed | None = None) -> None:
        """Forget all that is planned, held and at rest until now, and switch everything off.

        `failed` as for `rest`.
        """
        self._give(self._all_off, failed)

    def next_s(self) -> float:
        if self._orders:
            return -math.inf
        with self._lock:
            return self._queue[0][0] if self._queue else math.inf

    def work(self, now_s: float) -> None:
        while True:
            with self._lock:
                self._orders.carry_out()  # between any two steps: a stop waits for no backlog
                if not self._queue or self._queue[0][0] > now_s:
                    return
                results = self._step(self._queue[0][0])
            for result in results:
                self._done(result)

    def _give(self, order: Callable[[], None], failed: Failed | None = None) -> None:
        self._orders.give(order, failed)
        self.wake()

    def _all_off(self) -> None:
        forgotten, self._queue = self._queue, []
        for light in self._lights.values():  # known for `renew`, though dark
            light.claims, light.held_level, light.rest_level = [], None, 0.0
            light.shown = None
        try:
            if self._output is not None:
                self._output.all_off()
        finally:
            for _, _, claim in sorted(forgotten, key=lambda entry: entry[:2]):
                if not claim.done:
                    self._done(claim.result(claim.start_s, claim.steps[0].level, None, "stopped"))
                self._done(claim.result(claim.end_s, 0.0, None, "stopped"))

    def _light(self, light: str) -> _Light:
        """The light behind an address; scenes may write one in several ways ("midi:36", "midi:1:36")."""
        return self._lights.setdefault(parse_light(light), _Light(name=light))

    def _step(self, at_s: float) -> list[LightResult]:
        """Take the next step of every claim due at this time, and then send once for each light."""
        due: dict[int, tuple[_Light, list[_Claim]]] = {}
        while self._queue and self._queue[0][0] <= at_s + _ROUNDING_S:
            claim = heapq.heappop(self._queue)[2]
            light = self._light(claim.light)
            claim.advance()
            if claim.ended:
                light.claims.remove(claim)
            else:
                if claim.done == 1:
                    light.claims.append(claim)
                heapq.heappush(self._queue, (claim.next_s, claim.order, claim))
            due.setdefault(id(light), (light, []))[1].append(claim)
        results: list[LightResult] = []
        for light, claims in due.values():
            problem = "no light output is open" if self._output is None else ""
            try:
                self._show(light)
            except CuesyncError as error:
                problem = str(error)
            now_s = self._clock.now_s()
            for claim in claims:
                claim.problem = claim.problem or problem
                if not problem:
                    claim.worst_late_s = max(claim.worst_late_s, now_s - at_s)
                sent_s = None if problem else now_s
                if claim.ended:
                    results.append(claim.result(at_s, 0.0, None if claim.problem else sent_s, claim.problem))
                elif claim.done == 1:
                    results.append(claim.result(at_s, claim.level or 0.0, sent_s, problem))
        return results

    def _show(self, light: _Light) -> None:
        """Send what the light should show now, where that is not shown already."""
        wanted = light.wanted()
        if self._output is None or wanted == light.shown:
            return
        light.shown = None
        self._output.send(wanted)
        light.shown = wanted
