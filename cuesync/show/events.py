"""What the show tells: one value for everything worth showing or logging.

`at_s` is host time (see `devices.ports`); times inside a scare count from its trigger. `text` is one
sentence for the operator.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

from cuesync.devices.ports import Counts, counts_in_words
from cuesync.show.states import State


def whole_seconds(wait_s: float) -> int:
    """A wait as people count it; never 0, and never too short."""
    return max(1, math.ceil(wait_s - 0.01))


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowEvent:
    """Base of all; `scene` is the scene's title, empty where the whole show is meant."""

    kind: ClassVar[str] = "event"

    at_s: float
    scene: str = ""

    @property
    def text(self) -> str:
        raise NotImplementedError

    def __str__(self) -> str:
        return f"{self.scene}: {self.text}" if self.scene else self.text


@dataclass(frozen=True, slots=True, kw_only=True)
class StateChanged(ShowEvent):
    """`wait_s`: seconds until a press is taken, None where that does not come by itself."""

    kind: ClassVar[str] = "state"

    before: State
    after: State
    wait_s: float | None

    @property
    def text(self) -> str:
        if self.after is State.RESETTING and self.wait_s:
            return f"resetting, ready in {whole_seconds(self.wait_s)} s"
        return str(self.after)


@dataclass(frozen=True, slots=True, kw_only=True)
class Triggered(ShowEvent):
    """The contact closed while the scene was armed; scares are numbered from 1 through the night."""

    kind: ClassVar[str] = "trigger"

    number: int

    @property
    def text(self) -> str:
        return f"scare {self.number}: triggered"


@dataclass(frozen=True, slots=True, kw_only=True)
class PropSwitched(ShowEvent):
    """The output that starts the prop went on, `late_ms` after its time, or off, after `on_s`, and `why`.

    `on_s` is 0 where a start was called off before it came.
    """

    kind: ClassVar[str] = "output"

    output: str
    on: bool
    late_ms: float = 0.0
    on_s: float = 0.0
    why: str = ""

    @property
    def text(self) -> str:
        if self.on:
            late = f", {self.late_ms:.1f} ms late" if self.late_ms >= 1.0 else ""
            return f"{self.output} on, the prop starts{late}"
        if not self.on_s:
            return f"{self.output} stays off: {self.why}"
        return f"{self.output} off after {self.on_s:.2f} s: {self.why}"


@dataclass(frozen=True, slots=True, kw_only=True)
class PressRefused(ShowEvent):
    """`todo` is what leads back to armed where time alone does not."""

    kind: ClassVar[str] = "refused"

    state: State
    wait_s: float | None
    refusals: int
    todo: str = ""

    @property
    def text(self) -> str:
        if self.wait_s:
            return f"press refused: {self.state}, ready in {max(0.1, self.wait_s):.1f} s"
        return f"press refused: {self.state}. {self.todo}" if self.todo else f"press refused: {self.state}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactStuck(ShowEvent):
    kind: ClassVar[str] = "stuck"

    contact: str

    @property
    def text(self) -> str:
        return f"the contact {self.contact} is still closed; release it, or look at the wiring"


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundPlayed:
    """`start_s` is when it was first heard, None where it never was; `planned_start_s` what was wanted.

    `lands_s`: when its hit reached the guest; on time also where it began late, if it joined in in its place.
    """

    clip: str
    planned_start_s: float
    start_s: float | None
    lands_s: float | None

    @property
    def late_ms(self) -> float | None:
        return None if self.start_s is None else (self.start_s - self.planned_start_s) * 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LightSent:
    """The beginning or the end of one shape of light in a scare, and what came before that end.

    `at_s` is None where it could not be sent, and `problem` says why. `level` is what it wanted at that
    moment. `worst_late_s`: the largest lateness of any of its steps up to here.
    """

    light: str
    on: bool
    planned_at_s: float
    at_s: float | None
    problem: str = ""
    level: float = 0.0
    worst_late_s: float = 0.0

    @property
    def late_ms(self) -> float | None:
        if self.at_s is None:
            return None
        return max(self.at_s - self.planned_at_s, self.worst_late_s) * 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageSent:
    """A command of show control, or a stretch of time code, in a scare.

    `at_s`: when its first message went out, None where none did; `worst_late_s`: the largest lateness of any.
    """

    name: str
    planned_at_s: float
    at_s: float | None
    problem: str = ""
    worst_late_s: float = 0.0

    @property
    def late_ms(self) -> float | None:
        return None if self.at_s is None else self.worst_late_s * 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ScareDone(ShowEvent):
    """A cue has run to its end, or was `stopped`; times from the trigger at `trigger_s` (host time).

    `moved_s`: the cue was played that much later than planned, after the prop's drift. `pop_s`: when the
    pop contact closed or the microphone heard it, None where it did not or there is none; `misfire`: it
    should have. `pop_unsure`: why the microphone can't say. `offset_s`: sound against that pop in the sign of
    `signs.audio_offset_s`.
    """

    kind: ClassVar[str] = "scare"

    number: int
    trigger_s: float
    sounds: tuple[SoundPlayed, ...]
    lights: tuple[LightSent, ...]
    stopped: bool
    messages: tuple[MessageSent, ...] = ()
    moved_s: float = 0.0
    pop_s: float | None = None
    misfire: bool = False
    offset_s: float | None = None
    pop_unsure: str = ""

    @property
    def late_ms(self) -> float:
        """The largest lateness of its sounds; 0 where none was heard."""
        return max((sound.late_ms or 0.0 for sound in self.sounds), default=0.0)

    @property
    def text(self) -> str:
        if self.stopped:
            return f"scare {self.number} was stopped"
        silent = sum(sound.start_s is None for sound in self.sounds)
        dark = sum(light.at_s is None for light in self.lights)
        unsent = sum(message.at_s is None for message in self.messages)
        parts = [f"scare {self.number} done"]
        if self.misfire:
            parts.append("no pop came: a misfire")
        elif self.pop_unsure:
            parts.append(f"not sure of the pop: {self.pop_unsure}")
        elif self.offset_s is not None:
            side = "before" if self.offset_s > 0 else "after"
            parts.append(f"sound {abs(self.offset_s) * 1000.0:.0f} ms {side} the pop")
        if silent:
            parts.append(f"{silent} of {len(self.sounds)} sounds not heard")
        elif self.late_ms >= 0.1:
            parts.append(f"sound {self.late_ms:.1f} ms late")
        if dark:
            parts.append(f"{dark} of {len(self.lights)} light commands not sent")
        if unsent:
            parts.append(f"{unsent} of {len(self.messages)} messages to other gear not sent")
        return ", ".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drifted(ShowEvent):
    """The prop's delay has left the limits around what was measured (see `pops`).

    `corrected_s`: how far the cue now follows on its own; 0 where the scene doesn't allow it.
    """

    kind: ClassVar[str] = "drift"

    planned_delay_s: float
    estimate_s: float
    corrected_s: float

    @property
    def text(self) -> str:
        said = (
            f"the prop has drifted: its delay is now about {self.estimate_s * 1000.0:.0f} ms, "
            f"planned were {self.planned_delay_s * 1000.0:.0f} ms."
        )
        if self.corrected_s:
            return f"{said} The cue follows by {self.corrected_s * 1000.0:+.0f} ms."
        return f"{said} Measure it again, or let the scene follow."


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault(ShowEvent):
    """Something is wrong that the show lives on with; `todo` is the next step, if there is one.

    `about`: what it is that has the trouble; a fault takes the place of an earlier one about the same.
    `lasting`: it goes on until a `Recovered` about the same; else it was over as it was told, or ends
    with the next arming of its scene.
    """

    kind: ClassVar[str] = "fault"

    what: str
    todo: str = ""
    about: str = ""
    lasting: bool = False

    @property
    def text(self) -> str:
        return f"{self.what} {self.todo}".rstrip()


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovered(ShowEvent):
    """The lasting fault `about` the same, in the same scene, is over."""

    kind: ClassVar[str] = "recovered"

    what: str
    about: str = ""

    @property
    def text(self) -> str:
        return self.what


@dataclass(frozen=True, slots=True, kw_only=True)
class Discarded(ShowEvent):
    """What a source of contacts took for nothing since the night began."""

    kind: ClassVar[str] = "discarded"

    source: str
    counts: Counts

    @property
    def text(self) -> str:
        return f"{self.source}, taken for nothing so far: {counts_in_words(self.counts)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Note(ShowEvent):
    """Something the operator did or wrote, or that the show wants known."""

    kind: ClassVar[str] = "note"

    what: str

    @property
    def text(self) -> str:
        return self.what


KINDS = tuple(
    event.kind
    for event in (
        StateChanged,
        Triggered,
        PropSwitched,
        PressRefused,
        ContactStuck,
        ScareDone,
        Drifted,
        Fault,
        Recovered,
        Discarded,
        Note,
    )
)
"""Every kind of event that a log can hold."""
