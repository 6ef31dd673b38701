"""Simulated twins of the ports: a clock that jumps, contacts, lights, a prop; sound is in `simulated_sound`.

They ship with the package: a rehearsal runs on them, and so do the tests.
"""

from __future__ import annotations

import heapq
import itertools
import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from cuesync.devices.ports import ContactEdge, Counts, EdgeSink, LightCommand, Worker
from cuesync.errors import DeviceError


class SimulatedClock:
    """Time that passes only in `sleep_s` and `run_until`, from one thing to do to the next.

    `start_s` is arbitrary on purpose: nobody may lean on an epoch.
    """

    def __init__(self, start_s: float = 1000.0) -> None:
        self._now_s = start_s
        self._order = itertools.count()
        self._agenda: list[tuple[float, int, Callable[[], None]]] = []
        self._workers: list[Worker] = []

    def now_s(self) -> float:
        return self._now_s

    def sleep_s(self, duration_s: float) -> None:
        self.run_until(self._now_s + max(0.0, duration_s))

    def at(self, at_s: float, action: Callable[[], None]) -> None:
        """Do `action` at host time `at_s` (at once, in its turn, if that has passed)."""
        heapq.heappush(self._agenda, (at_s, next(self._order), action))

    def attend(self, worker: Worker) -> None:
        """Let this worker work whenever it wants to."""
        self._workers.append(worker)

    def next_s(self) -> float:
        """Time of the next thing to do; `math.inf` when there is nothing."""
        agenda_s = self._agenda[0][0] if self._agenda else math.inf
        return min([agenda_s, *(worker.next_s() for worker in self._workers)])

    def run_until(self, end_s: float) -> None:
        """Do everything that is due up to and at `end_s`."""
        repeats = 0
        while (due_s := self.next_s()) <= end_s:
            repeats = repeats + 1 if due_s <= self._now_s else 0
            if repeats > 100_000:
                raise RuntimeError(f"simulated time stands still at {self._now_s} s")
            self._now_s = max(self._now_s, due_s)
            if self._agenda and self._agenda[0][0] <= self._now_s:
                heapq.heappop(self._agenda)[2]()
            for worker in self._workers:
                if worker.next_s() <= self._now_s:
                    worker.work(self._now_s)
        self._now_s = max(self._now_s, end_s)


class SimulatedContacts:
    """Contacts that a test presses. Bounce is a burst of openings after the first closure."""

    def __init__(self, clock: SimulatedClock, seed: int = 1) -> None:
        self._clock = clock
        self._random = random.Random(seed)
        self._sink: EdgeSink | None = None
        self._watchers: list[EdgeSink] = []
        self._present = True
        self._closed: set[str] = set()
        self.contacts: tuple[str, ...] = ()
        self.garbage: dict[str, int] = {}
        """What came in beside edges; a test puts it here."""

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        if not self._present:
            raise DeviceError("the simulated contacts are unplugged. Plug them in.")
        self.contacts = tuple(contacts)
        self._sink = sink
        for contact in self.contacts:
            closed = contact in self._closed
            sink(ContactEdge(contact=contact, closed=closed, at_s=self._clock.now_s(), found=True))

    @property
    def discarded(self) -> Counts:
        return self.garbage

    def alive(self) -> bool:
        return self._sink is not None and self._present

    def close(self) -> None:
        self._sink = None

    def unplug(self) -> None:
        self._present = False

    def plug_in(self) -> None:
        self._present = True

    def watch(self, sink: EdgeSink) -> None:
        """Something else on the same wire, such as the prop; it sees the edges whoever else does."""
        self._watchers.append(sink)

    def edge(self, contact: str, closed: bool, at_s: float | None = None) -> None:
        """The contact changes at host time `at_s` (now by default)."""
        when_s = self._clock.now_s() if at_s is None else at_s
        self._clock.at(when_s, lambda: self._report(ContactEdge(contact=contact, closed=closed, at_s=when_s)))

    def press(
        self, contact: str, at_s: float, *, hold_s: float = 0.1, bounces: int = 0, bounce_s: float = 0.0015
    ) -> None:
        """Close at `at_s`, open `hold_s` later, with `bounces` spread over `bounce_s` after each change."""
        for change_s, closed in ((at_s, True), (at_s + hold_s, False)):
            self.edge(contact, closed, change_s)
            times_s = sorted(self._random.uniform(0.0, bounce_s) for _ in range(2 * bounces))
            for index, time_s in enumerate(times_s):
                self.edge(contact, closed == bool(index % 2), change_s + time_s)

    def _report(self, edge: ContactEdge) -> None:
        if edge.closed:
            self._closed.add(edge.contact)
        else:
            self._closed.discard(edge.contact)
        if self._sink is not None and self._present and edge.contact in self.contacts:
            self._sink(edge)
        for watcher in self._watchers:
            watcher(edge)


class SimulatedLights:
    """Lights that only remember: `sent` holds every command with its host time, `messages` every message."""

    def __init__(self, clock: SimulatedClock) -> None:
        self._clock = clock
        self._present = True
        self.sent: list[tuple[float, LightCommand]] = []
        self.messages: list[tuple[float, bytes]] = []
        self.lit: set[str] = set()

    def send(self, command: LightCommand) -> None:
        if not self._present:
            raise DeviceError("the simulated lights are unplugged. Plug them in.")
        self.sent.append((self._clock.now_s(), command))
        if command.on:
            self.lit.add(command.light)
        else:
            self.lit.discard(command.light)

    def send_message(self, data: bytes) -> None:
        if not self._present:
            raise DeviceError("the simulated port is unplugged. Plug it in.")
        self.messages.append((self._clock.now_s(), data))

    def all_off(self) -> None:
        for light in sorted(self.lit):
            self.send(LightCommand(light=light, level=0.0))

    def alive(self) -> bool:
        return self._present

    def close(self) -> None:
        if self._present:
            self.all_off()

    def unplug(self) -> None:
        self._present = False

    def plug_in(self) -> None:
        self._present = True


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedCycle:
    """One answer of the simulated prop, in host time; `pop_s` is None for a misfire.

    `trigger_s`: when the contact closed or the output went on.
    """

    trigger_s: float
    pop_s: float | None


class SimulatedProp:
    """A prop on the same contact: it pops a drawn delay after the contact closes, then resets.

    With an `output` that one starts it, and no contact. Its limit switch, if it has one, is closed while it
    stands reset.

    `draw_delay_s` gives the delay of each cycle, or None for a misfire. Closures during the reset do
    nothing, as with the real thing.
    """

    def __init__(
        self,
        contacts: SimulatedContacts,
        contact: str,
        *,
        draw_delay_s: Callable[[], float | None],
        reset_s: float,
        popped: Callable[[SimulatedCycle], None] | None = None,
        limit_contact: str | None = None,
        output: SimulatedOutput | None = None,
    ) -> None:
        self._contacts = contacts
        self._limit_contact = limit_contact
        self._contact = contact
        self._draw_delay_s = draw_delay_s
        self._reset_s = reset_s
        self._popped = popped
        self._ready_s = -math.inf
        self.cycles: list[SimulatedCycle] = []
        if output is None:
            contacts.watch(self._edge)
        else:
            output.watch(self._switched)
        if limit_contact is not None:
            contacts.edge(limit_contact, True)

    def _edge(self, edge: ContactEdge) -> None:
        if edge.contact == self._contact and edge.closed:
            self._start(edge.at_s)

    def _switched(self, at_s: float, on: bool) -> None:
        if on:
            self._start(at_s)

    def _start(self, at_s: float) -> None:
        if at_s < self._ready_s:
            return
        delay_s = self._draw_delay_s()
        self._ready_s = at_s + self._reset_s
        cycle = SimulatedCycle(trigger_s=at_s, pop_s=None if delay_s is None else at_s + delay_s)
        self.cycles.append(cycle)
        if self._limit_contact is not None and delay_s is not None:
            self._contacts.edge(self._limit_contact, False, at_s + delay_s / 2.0)
            self._contacts.edge(self._limit_contact, True, self._ready_s)
        if self._popped is not None:
            self._popped(cycle)


class SimulatedOutput:
    """An output that starts a prop, and only remembers: `switched` holds each change with its host time.

    It drops by itself when it is not told again in time, as the real ones do.
    """

    def __init__(self, clock: SimulatedClock) -> None:
        self._clock = clock
        self._present = True
        self._watchers: list[Callable[[float, bool], None]] = []
        self._until_s = -math.inf
        self.is_on = False
        self.switched: list[tuple[float, bool]] = []

    def watch(self, watcher: Callable[[float, bool], None]) -> None:
        """Something that hangs on the output, such as the prop: host time, and whether it is on now."""
        self._watchers.append(watcher)

    def on(self, for_s: float) -> None:
        self._needed()
        self._stay_on(for_s)
        self._switch(True)

    def keep_on(self, for_s: float) -> None:
        self._needed()
        if self.is_on:
            self._stay_on(for_s)

    def off(self) -> None:
        self._needed()
        self._switch(False)

    def alive(self) -> bool:
        return self._present

    def close(self) -> None:
        self._switch(False)

    def unplug(self) -> None:
        """Without its supply it falls off."""
        self._present = False
        self._switch(False)

    def plug_in(self) -> None:
        self._present = True

    def _needed(self) -> None:
        if not self._present:
            raise DeviceError("the simulated output is unplugged. Plug it in.")

    def _stay_on(self, for_s: float) -> None:
        self._until_s = self._clock.now_s() + for_s
        self._clock.at(self._until_s, self._run_out)

    def _run_out(self) -> None:
        if self._clock.now_s() >= self._until_s:
            self._switch(False)

    def _switch(self, on: bool) -> None:
        if on == self.is_on:
            return
        self.is_on = on
        self.switched.append((self._clock.now_s(), on))
        for watcher in self._watchers:
            watcher(self._clock.now_s(), on)
