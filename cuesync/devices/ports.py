"""What the show asks of the outside world: clock, contacts, lights, sound. Nothing here touches hardware.

Each port has a real side (`portaudio`, `midi`, `keyboard`) and a simulated twin (`simulated`).
Times are host times: seconds of one monotonic clock with an epoch that means nothing. Only differences count.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, TypeAlias, runtime_checkable

if TYPE_CHECKING:  # scenes are checked, and the sound card is asked for, before numpy is there
    import numpy as np
    from numpy.typing import NDArray

Samples: TypeAlias = "NDArray[np.float32]"
"""Sound, float32, shape (frames, channels)."""

Render: TypeAlias = "Callable[[Samples, float], None]"
"""`render(out, host_s)`: fill `out` (frames, channels), asked for at host time `host_s`.

Called on the sound card's own thread: it may not allocate, lock, log or raise.
"""


class Clock(Protocol):
    """Monotonic host time. A step of the system's date never shows here."""

    def now_s(self) -> float:
        """Host time in seconds."""
        ...

    def sleep_s(self, duration_s: float) -> None:
        """Let time pass; on the simulated clock this is what makes things happen."""
        ...


class HostClock:
    """The computer's own clock: `time.perf_counter`, the one that is fine-grained on every system.

    (`time.monotonic` ticks in steps of 15.6 ms on Windows before Python 3.13.)
    """

    def now_s(self) -> float:
        return time.perf_counter()

    def sleep_s(self, duration_s: float) -> None:
        time.sleep(max(0.0, duration_s))


class Worker(Protocol):
    """Something that has work to do at certain times, but no thread and no clock of its own.

    A live run gives each worker a thread; the simulated clock works them all in order of time.
    """

    def next_s(self) -> float:
        """Host time at which `work` wants to be called next; `math.inf` for "not until told"."""
        ...

    def work(self, now_s: float) -> None:
        """Do all that is due."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactEdge:
    """A contact closed or opened at host time `at_s`; `contact` is its address as the scene writes it.

    `found`: no edge was seen; this is how the contact stands, as its source was opened, asked again, or lost
    sight of it for a while. A contact that is found closed has not been pressed.
    """

    contact: str
    closed: bool
    at_s: float
    found: bool = False


EdgeSink = Callable[[ContactEdge], None]
"""Takes edges from whatever thread they arrive on; it only queues them.

A stop, a dead-man contact that is let go, and a limit switch also cut driven props."""


Counts = Mapping[str, int]
"""How many of what, in words of the plural ("malformed lines"); nothing that is 0."""


def counts(of: Counts) -> Counts:
    """The same without what is 0."""
    return {what: number for what, number in of.items() if number}


def counts_in_words(of: Counts) -> str:
    return ", ".join(f"{what}: {number}" for what, number in of.items())


class ContactSource(Protocol):
    """One way in for contacts: a keyboard, a MIDI port, a serial line."""

    @property
    def discarded(self) -> Counts:
        """What came in since this was made and was taken for nothing; closing and opening loses no count."""
        ...

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        """Start to report edges of these addresses. DeviceError if that is not possible.

        A source that can see how a contact stands reports that first, with `found`.
        """
        ...

    def alive(self) -> bool:
        """False when the device has gone; the owner closes this source and opens it again."""
        ...

    def close(self) -> None:
        """Stop reporting and give the device back. May be called twice."""
        ...


Colour = tuple[float, float, float]
"""Red, green and blue, each from 0 to 1, in the fixture's own terms; a dimmer leaves them aside."""

WHITE: Colour = (1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class LightCommand:
    """Bring the light at this address to a level from 0 (dark) to 1 (full), in this colour if it has any."""

    light: str
    level: float
    colour: Colour = WHITE

    @property
    def on(self) -> bool:
        return self.level > 0.0


class LightOutput(Protocol):
    """One way out for light commands."""

    def send(self, command: LightCommand) -> None:
        """Send at once. DeviceError when the device is gone."""
        ...

    def all_off(self) -> None:
        """Switch off every light that was ever switched on here."""
        ...

    def alive(self) -> bool: ...

    def close(self) -> None:
        """Everything off, and the device given back. May be called twice."""
        ...


@runtime_checkable
class MessageOutput(Protocol):
    """One way out for MIDI messages to other gear."""

    def send_message(self, data: bytes) -> None:
        """Send at once. DeviceError when the device is gone."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """How often sending failed since the output was opened; `now`: it still does; `what`: the last problem,
    a sentence without its end."""

    failures: int = 0
    now: bool = False
    what: str = ""


@runtime_checkable
class RepeatingOutput(LightOutput, Protocol):
    """One that repeats by itself what stands, and so can fail when there is no command to answer."""

    @property
    def trouble(self) -> Trouble: ...


class PropOutput(Protocol):
    """One relay, motor or valve that starts a prop; off from the moment it is opened.

    It never stays on for longer than it was last told, whatever becomes of cuesync.
    """

    def on(self, for_s: float) -> None:
        """On until `for_s` from now. DeviceError when the device is gone."""
        ...

    def keep_on(self, for_s: float) -> None:
        """Where it is still on: until `for_s` from now. DeviceError when the device is gone."""
        ...

    def off(self) -> None:
        """Off at once. DeviceError when the device is gone."""
        ...

    def alive(self) -> bool: ...

    def close(self) -> None:
        """Off, and the device given back. May be called twice; never raises."""
        ...


class AudioOutput(Protocol):
    """One stream of sound, played block by block."""

    @property
    def name(self) -> str: ...

    @property
    def rate_hz(self) -> int: ...

    @property
    def channels(self) -> int: ...

    @property
    def block_frames(self) -> int:
        """The usual length of a block; single blocks may be shorter or longer."""
        ...

    @property
    def latency_s(self) -> float:
        """From hand-over of a sample to the converter, as the driver reports it."""
        ...

    @property
    def dropouts(self) -> int:
        """How often the driver said that sound was missing (an xrun)."""
        ...

    def start(self, render: Render) -> None: ...

    def stop(self) -> None:
        """End the stream and give the device back. May be called twice."""
        ...

    def alive(self) -> bool:
        """False before `start`, after `stop`, and once the device has stopped asking for sound."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecordedBlock:
    """Recorded sound in order: `samples` (frames, channels), the count of its first frame since the
    start of the recorder, and the host time at which the block arrived (after its last sample)."""

    first_frame: int
    samples: Samples
    arrived_s: float


class Recorder(Protocol):
    """A sound card that plays and records on one clock, for measuring at the prop."""

    @property
    def name(self) -> str: ...

    @property
    def rate_hz(self) -> int: ...

    @property
    def input_channels(self) -> int: ...

    @property
    def output_channels(self) -> int:
        """How many channels `play` plays on."""
        ...

    @property
    def lost_frames(self) -> int:
        """Frames that were recorded but not read in time. Nothing else is lost without being counted."""
        ...

    @property
    def dropouts(self) -> int:
        """How often the driver said that sound was missing (an xrun)."""
        ...

    def start(self) -> None: ...

    def play(self, samples: Samples) -> None:
        """Play this (frames,) or (frames, channels) at once, on every output where it has one channel."""
        ...

    @property
    def handed_frame(self) -> int | None:
        """When the first sample of the last `play` was handed to the card, as a count of recorded frames:
        just after that many had come in. None until that has happened."""
        ...

    @property
    def output_name(self) -> str:
        """The device that `play` plays on, named as an `AudioOutput` names itself."""
        ...

    @property
    def input_delay_s(self) -> float:
        """From the converter to a frame's place in the count, as the driver reports it: a frame counted as
        the next one at some host time was in the air this much earlier."""
        ...

    def read(self) -> RecordedBlock | None:
        """All that was recorded since the last call, or None when there is nothing yet."""
        ...

    def alive(self) -> bool: ...

    def close(self) -> None: ...
