"""Simulated twins of every port: a clock that jumps, contacts, lights, a sound card, a prop.

They ship with the package: a rehearsal runs on them, and so do the tests.
"""

from __future__ import annotations

import heapq
import itertools
import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cuesync.devices.ports import (
    ContactEdge,
    EdgeSink,
    LightCommand,
    RecordedBlock,
    Render,
    Samples,
    Worker,
)
from cuesync.errors import DeviceError

_LONG_BLOCK_FRAMES = 16384


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

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        if not self._present:
            raise DeviceError("the simulated contacts are unplugged. Plug them in.")
        self.contacts = tuple(contacts)
        self._sink = sink
        for contact in self.contacts:
            closed = contact in self._closed
            sink(ContactEdge(contact=contact, closed=closed, at_s=self._clock.now_s(), found=True))

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
    """Lights that only remember: `sent` holds every command with its host time."""

    def __init__(self, clock: SimulatedClock) -> None:
        self._clock = clock
        self._present = True
        self.sent: list[tuple[float, LightCommand]] = []
        self.lit: set[str] = set()

    def send(self, command: LightCommand) -> None:
        if not self._present:
            raise DeviceError("the simulated lights are unplugged. Plug them in.")
        self.sent.append((self._clock.now_s(), command))
        if command.on:
            self.lit.add(command.light)
        else:
            self.lit.discard(command.light)

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


class SimulatedAudio:
    """A sound card on the simulated clock that keeps what it was given.

    `late_s` draws how late each block is asked for (a busy computer); `rate_error` makes the card's
    crystal run fast (0.0001 = 100 ppm). While `quiet()` is true, long blocks reach up to the next thing
    the clock has to do, which makes hours pass in seconds; without `quiet` all blocks are alike.
    """

    def __init__(
        self,
        clock: SimulatedClock,
        *,
        rate_hz: int = 48000,
        channels: int = 2,
        block_frames: int = 256,
        latency_s: float = 0.0,
        late_s: Callable[[], float] | None = None,
        rate_error: float = 0.0,
        quiet: Callable[[], bool] | None = None,
        keep: bool = True,
    ) -> None:
        self._clock = clock
        self._rate_hz = rate_hz
        self._channels = channels
        self._block_frames = block_frames
        self._latency_s = latency_s
        self._late_s = late_s
        self._frame_s = 1.0 / (rate_hz * (1.0 + rate_error))
        self._quiet = quiet
        self._out: Samples = np.zeros((max(_LONG_BLOCK_FRAMES, block_frames), channels), dtype=np.float32)
        self._render: Render | None = None
        self._stream = 0
        self._start_s = 0.0
        self._frames = 0
        self._dropouts = 0
        self.keep = keep
        self.blocks: list[tuple[float, Samples]] = []
        """Host time at which the card wanted the block, and its sound."""

    name = "simulated sound card"

    @property
    def rate_hz(self) -> int:
        return self._rate_hz

    @property
    def channels(self) -> int:
        return self._channels

    @property
    def block_frames(self) -> int:
        return self._block_frames

    @property
    def latency_s(self) -> float:
        return self._latency_s

    @property
    def dropouts(self) -> int:
        return self._dropouts

    def start(self, render: Render) -> None:
        self._render = render
        self._stream += 1
        self._start_s = self._clock.now_s()
        self._frames = 0
        self._next_block(self._stream)

    def stop(self) -> None:
        self._render = None

    def alive(self) -> bool:
        return self._render is not None

    def drop(self, frames: int) -> None:
        """Lose this many frames of time between two blocks: an xrun."""
        self._dropouts += 1
        self._start_s += frames * self._frame_s

    def sound_from(self, at_s: float, frames: int) -> Samples:
        """What was handed over from host time `at_s` on, (frames, channels); silence where nothing was."""
        sound = np.zeros((frames, self._channels), dtype=np.float32)
        for block_s, samples in self.blocks:
            first = round((block_s - at_s) / self._frame_s)
            begin, end = max(first, 0), min(first + len(samples), frames)
            if begin < end:
                sound[begin:end] = samples[begin - first : end - first]
        return sound

    def _next_block(self, stream: int) -> None:
        due_s = self._start_s + self._frames * self._frame_s
        late_s = 0.0 if self._late_s is None else self._late_s()
        self._clock.at(due_s + late_s, lambda: self._ask(stream, due_s))

    def _ask(self, stream: int, due_s: float) -> None:
        if stream != self._stream or self._render is None:
            return
        frames = self._block_frames
        if self._quiet is not None and self._quiet():
            free = (self._clock.next_s() - due_s) / self._frame_s
            frames *= max(1, int(max(0.0, min(free, len(self._out))) // frames))
        out = self._out[:frames]
        self._render(out, self._clock.now_s())
        if self.keep:
            self.blocks.append((due_s, out.copy()))
        self._frames += frames
        self._next_block(stream)


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedCycle:
    """One answer of the simulated prop, in host time; `pop_s` is None for a misfire."""

    trigger_s: float
    pop_s: float | None


class SimulatedProp:
    """A prop on the same contact: it pops a drawn delay after the contact closes, then resets.

    Its limit switch, if it has one, is closed while it stands reset.

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
    ) -> None:
        self._contacts = contacts
        self._limit_contact = limit_contact
        self._contact = contact
        self._draw_delay_s = draw_delay_s
        self._reset_s = reset_s
        self._popped = popped
        self._ready_s = -math.inf
        self.cycles: list[SimulatedCycle] = []
        contacts.watch(self._edge)
        if limit_contact is not None:
            contacts.edge(limit_contact, True)

    def _edge(self, edge: ContactEdge) -> None:
        if edge.contact != self._contact or not edge.closed or edge.at_s < self._ready_s:
            return
        delay_s = self._draw_delay_s()
        self._ready_s = edge.at_s + self._reset_s
        cycle = SimulatedCycle(trigger_s=edge.at_s, pop_s=None if delay_s is None else edge.at_s + delay_s)
        self.cycles.append(cycle)
        if self._limit_contact is not None and delay_s is not None:
            self._contacts.edge(self._limit_contact, False, edge.at_s + delay_s / 2.0)
            self._contacts.edge(self._limit_contact, True, self._ready_s)
        if self._popped is not None:
            self._popped(cycle)


class SimulatedRecorder:
    """A sound card that plays and records on the simulated clock.

    What is played comes back on every input after `loop_s` at `loop_gain`; `add` puts any other sound
    into the room at a host time. Blocks arrive while the clock runs.
    """

    def __init__(
        self,
        clock: SimulatedClock,
        *,
        rate_hz: int = 48000,
        input_channels: int = 1,
        output_channels: int = 2,
        block_frames: int = 256,
        loop_s: float = 0.02,
        loop_gain: float = 0.5,
        noise: float = 0.0,
        seed: int = 1,
        keep_s: float = 10.0,
    ) -> None:
        self._clock = clock
        self._rate_hz = rate_hz
        self._inputs = input_channels
        self._outputs = output_channels
        self._block_frames = block_frames
        self._loop_frames = round(loop_s * rate_hz)
        self._loop_gain = loop_gain
        self._noise = noise
        self._random = np.random.default_rng(seed)
        self._keep_frames = round(keep_s * rate_hz)
        self._room: list[tuple[int, NDArray[np.float32]]] = []
        self._unread: list[Samples] = []
        self._unread_first = 0
        self._frames = 0
        self._start_s = 0.0
        self._running = False
        self._lost_frames = 0
        self.played: list[float] = []
        """Host times at which `play` was called."""
        self._handed_frame: int | None = None
        self._arrived_s = 0.0

    name = "simulated recorder"
    output_name = "simulated loudspeaker"
    input_delay_s = 0.0
    dropouts = 0

    @property
    def rate_hz(self) -> int:
        return self._rate_hz

    @property
    def input_channels(self) -> int:
        return self._inputs

    @property
    def output_channels(self) -> int:
        return self._outputs

    @property
    def lost_frames(self) -> int:
        return self._lost_frames

    def start(self) -> None:
        self._running = True
        self._start_s = self._clock.now_s()
        self._schedule()

    def play(self, samples: Samples) -> None:
        if self._outputs == 0:
            raise DeviceError("the simulated recorder has no outputs to play on.")
        self.played.append(self._clock.now_s())
        sound = samples if samples.ndim == 1 else samples.mean(axis=1)
        # As with a real card, the sound goes out with the next block.
        handed = self._frames + self._block_frames
        self._handed_frame = handed
        self._room.append((handed + self._loop_frames, (sound * self._loop_gain).astype(np.float32)))

    @property
    def handed_frame(self) -> int | None:
        return self._handed_frame

    def add(self, samples: NDArray[np.float32], at_s: float) -> None:
        """A sound (frames,) that the microphone hears from host time `at_s` on."""
        self._room.append((round((at_s - self._start_s) * self._rate_hz), samples))

    def read(self) -> RecordedBlock | None:
        if not self._unread:
            return None
        samples = np.concatenate(self._unread)
        block = RecordedBlock(first_frame=self._unread_first, samples=samples, arrived_s=self._arrived_s)
        self._unread_first += len(samples)
        self._unread.clear()
        return block

    def alive(self) -> bool:
        return self._running

    def close(self) -> None:
        self._running = False

    def pull_out(self) -> None:
        """The card is gone without a word."""
        self._running = False

    def _schedule(self) -> None:
        end_s = self._start_s + (self._frames + self._block_frames) / self._rate_hz
        self._clock.at(end_s, self._block)

    def _block(self) -> None:
        if not self._running:
            return
        frames, first = self._block_frames, self._frames
        heard = self._random.normal(0.0, self._noise, frames).astype(np.float32)
        for at, sound in self._room:
            begin, end = max(at, first), min(at + len(sound), first + frames)
            if begin < end:
                heard[begin - first : end - first] += sound[begin - at : end - at]
        self._room = [(at, sound) for at, sound in self._room if at + len(sound) > first + frames]
        self._unread.append(np.repeat(heard[:, None], self._inputs, axis=1))
        self._frames += frames
        self._arrived_s = self._clock.now_s()
        while sum(map(len, self._unread)) > self._keep_frames:
            gone = len(self._unread.pop(0))
            self._unread_first += gone
            self._lost_frames += gone
        self._schedule()
