"""What a scene may do, and when: the states, the one table of transitions, and the contact that drives it.

    off ──ready──► armed ──trigger──► playing ──cue over──► resetting ──reset over──► armed …
    armed ──wait──► resetting                            (the contact was found closed: it must open first)
    any but stopped ──hold──► held ──arm──► resetting
    any ──stop──► stopped ──acknowledge──► off           (so two deliberate steps lead back to armed)

Pure: times come in, nothing is read or waited for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


class State(StrEnum):
    OFF = "off"
    """Loaded, but a press does nothing yet."""
    ARMED = "armed"
    """The next press is the trigger."""
    PLAYING = "playing"
    """From the trigger to the end of the last sound or light."""
    RESETTING = "resetting"
    """The prop winds up again, or the contact has not opened yet."""
    HELD = "held"
    """Set aside after misfires or a failure, until the operator arms it again; the others go on."""
    STOPPED = "stopped"
    """Everything was stopped; needs two steps to come back."""


class Step(StrEnum):
    ARM = "arm"
    TRIGGER = "trigger"
    CUE_OVER = "cue over"
    RESET_OVER = "reset over"
    WAIT = "wait"
    HOLD = "hold"
    STOP = "stop"
    ACKNOWLEDGE = "acknowledge"


TRANSITIONS: dict[tuple[State, Step], State] = {
    (State.OFF, Step.ARM): State.RESETTING,  # armed as soon as the prop is reset and the contact open
    (State.RESETTING, Step.RESET_OVER): State.ARMED,
    (State.ARMED, Step.TRIGGER): State.PLAYING,
    (State.ARMED, Step.WAIT): State.RESETTING,  # its contact was found closed, and so can't be pressed
    (State.PLAYING, Step.CUE_OVER): State.RESETTING,
    (State.OFF, Step.HOLD): State.HELD,
    (State.ARMED, Step.HOLD): State.HELD,
    (State.PLAYING, Step.HOLD): State.HELD,
    (State.RESETTING, Step.HOLD): State.HELD,
    (State.HELD, Step.ARM): State.RESETTING,
    (State.OFF, Step.STOP): State.STOPPED,
    (State.ARMED, Step.STOP): State.STOPPED,
    (State.PLAYING, Step.STOP): State.STOPPED,
    (State.RESETTING, Step.STOP): State.STOPPED,
    (State.HELD, Step.STOP): State.STOPPED,
    (State.STOPPED, Step.ACKNOWLEDGE): State.OFF,
}
"""Every transition there is; a step that is not here changes nothing."""


class Contact:
    """Tells presses from bounce. The first closing edge is the press; debounce never delays it.

    A closing edge is a press when the contact had been open for at least `debounce_s`; so bounce, chatter
    and a contact that stays closed all give one press, and a release must come before the next.
    """

    def __init__(self, debounce_s: float) -> None:
        self.debounce_s = debounce_s
        self.closed = False
        self.changed_s = -math.inf
        self.bounces = 0

    def edge(self, closed: bool, at_s: float) -> bool:
        """True when this edge is a press."""
        if closed == self.closed:
            return False
        open_s = at_s - self.changed_s
        self.closed = closed
        self.changed_s = at_s
        if not closed:
            return False
        if open_s < self.debounce_s:
            self.bounces += 1
            return False
        return True

    def found(self, closed: bool, at_s: float) -> None:
        """This is how the contact stands; nobody saw it change, so it has not been pressed."""
        if closed != self.closed:
            self.closed = closed
            self.changed_s = at_s

    @property
    def ready_s(self) -> float:
        """When a closing edge would count as a press again; infinite while the contact is closed."""
        return math.inf if self.closed else self.changed_s + self.debounce_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A scene went from one state to another at host time `at_s`."""

    at_s: float
    before: State
    step: Step
    after: State


@dataclass(frozen=True, slots=True, kw_only=True)
class Press:
    """What a press led to. `wait_s`: seconds until a press would be taken, None where that is open."""

    at_s: float
    taken: bool
    state: State
    wait_s: float | None


class SceneState:
    """One scene's state, its lockout and its counts. Times are host times."""

    def __init__(self, *, cue_length_s: float, reset_s: float, debounce_s: float) -> None:
        self._cue_length_s = cue_length_s
        self._reset_s = reset_s
        self.contact = Contact(debounce_s)
        self.state = State.OFF
        self.cue_over_s = -math.inf
        self.reset_over_s = -math.inf
        self.armed_s = math.inf
        self.triggers = 0
        self.refusals = 0

    def step(self, step: Step, at_s: float) -> Change | None:
        """Take this step if the table has it; None when it changes nothing."""
        after = TRANSITIONS.get((self.state, step))
        if after is None:
            return None
        change = Change(at_s=at_s, before=self.state, step=step, after=after)
        self.state = after
        if step is Step.ARM:
            self.reset_over_s = max(self.reset_over_s, at_s)
        if after is State.ARMED:
            self.armed_s = at_s
        return change

    def edge(self, closed: bool, at_s: float) -> Press | None:
        """The contact changed; None where that is no press.

        A press while not armed is refused and counted.
        """
        if not self.contact.edge(closed, at_s):
            return None
        if self.state is State.ARMED and at_s >= self.armed_s:
            self.triggers += 1
            self.step(Step.TRIGGER, at_s)
            self.cue_over_s = at_s + self._cue_length_s
            self.reset_over_s = at_s + self._reset_s
            return Press(at_s=at_s, taken=True, state=self.state, wait_s=None)
        self.refusals += 1
        return Press(at_s=at_s, taken=False, state=self.state, wait_s=self.wait_s(at_s))

    def found(self, closed: bool, at_s: float) -> Change | None:
        """The contact stands like this, nobody saw why; an armed scene waits until it has opened."""
        self.contact.found(closed, at_s)
        return self.step(Step.WAIT, at_s) if self.contact.closed else None

    def advance(self, now_s: float) -> tuple[Change, ...]:
        """All changes that time alone has brought by now."""
        changes: list[Change] = []
        while self.next_s() <= now_s:
            step = Step.CUE_OVER if self.state is State.PLAYING else Step.RESET_OVER
            change = self.step(step, self.next_s())
            assert change is not None
            changes.append(change)
        return tuple(changes)

    def next_s(self) -> float:
        """Host time of the next change that time alone brings."""
        if self.state is State.PLAYING:
            return self.cue_over_s
        if self.state is State.RESETTING:
            return max(self.reset_over_s, self.cue_over_s, self.contact.ready_s)
        return math.inf

    def wait_s(self, now_s: float) -> float | None:
        """Seconds until a press would be taken; 0 when armed, None when it does not come by itself."""
        if self.state is State.ARMED:
            return 0.0
        if self.state in (State.PLAYING, State.RESETTING):
            open_s = 0.0 if self.contact.closed else self.contact.ready_s
            return max(self.reset_over_s, self.cue_over_s, open_s, now_s) - now_s
        return None

    @property
    def stuck(self) -> bool:
        """True when only the contact, still closed, keeps the scene from being armed."""
        return self.state is State.RESETTING and self.contact.closed
