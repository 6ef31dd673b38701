"""What one recording says: trials, and how they were found."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Way = Literal["contact", "chirp", "click", "list"]
"""How the trigger was marked: contact on a channel, cuesync's chirp, the button's click, a list of times."""

ThroughChain = frozenset({"chirp"})
"""Ways whose delay is shorter by the sound's own path (driver, device, air): pop minus chirp as heard."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One trigger with the pop that answered it; `pop_s` is None for a misfire.

    Times are in seconds from the start of the recording. `pop_s` is the release, the first sound of the
    transient that leads into the loudest impact; `impact_s` that impact. `error_s` is the standard error
    of `pop_s`, `reset_s` the time from trigger until the prop was heard to be still again, `rival_s` an
    equally good other candidate, `reason` why this one was taken.
    """

    trigger_s: float
    pop_s: float | None
    impact_s: float | None = None
    reset_s: float | None = None
    error_s: float | None = None
    confidence: float = 1.0
    rival_s: float | None = None
    reason: str = ""

    @property
    def delay_s(self) -> float | None:
        return None if self.pop_s is None else self.pop_s - self.trigger_s

    @property
    def delay_ms(self) -> float | None:
        return None if self.delay_s is None else self.delay_s * 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What the prop was measured under; None where not known."""

    supply_v: float | None = None
    temperature_c: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """All trials of one recording, with how the triggers were found and anything the user should hear.

    `microphone_channel` is the channel, counted from 1, in which the pops were looked for.
    `trust` says in a sentence how far to trust the delay, and what would make it better.
    Through the show's chain only: `path_s`, the sound's own way from hand-over to the microphone, where it is
    known (it is inside the delays), and `sound_device`, the card that it was measured through.
    """

    recording: str
    rate_hz: int
    length_s: float
    way: Way
    way_reason: str
    trials: tuple[Trial, ...]
    microphone_channel: int = 1
    warnings: tuple[str, ...] = field(default=())
    trust: str = ""
    path_s: float | None = None
    sound_device: str = ""
