"""What a scene may do, and when: the states, the one table of transitions, and the contact that drives it.

    off ──ready──► armed ──trigger──► playing ──cue over──► resetting ──reset over──► armed …
    armed ──wait──► resetting                            (the contact can't be pressed at the moment)
    resetting ──hold──► held                             (the limit switch has not closed in its time)
    playing, resetting ──hold──► held                    (it closed too soon while an output drove the prop)
    any but stopped ──hold──► held ──arm──► resetting
    any ──stop──► stopped ──acknowledge──► off           (so two deliberate steps lead back to armed)

Where an output starts the prop, only a trigger switches it on, and it is on only while playing or resetting.

Pure: times come in, nothing is read or waited for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from cuesync.show.limit_switch import Cycle, LimitNews, LimitSwitch


class State(StrEnum):
    OFF = "off"
    """Loaded, but a press does nothing yet."""
    ARMED = "armed"
    """The next press is the trigger."""
    PLAYING = "playing"
    """From the trigger to the end of the last sound or light."""
    RESETTING = "resetting"
    """The prop winds up again, the contact has not opened yet, or the time between two groups still runs."""
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
    (State.ARMED, Step.WAIT): State.RESETTING,  # its contact was found closed, or is deaf after a refusal
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
    """What a press led to. `wait_s`: seconds until a press would be taken, None where that is open.

    `not_enabled`: it came while armed, and was refused because the enabling contact was not held;
    `not_at_limit`: because cuesync would have to start a prop that does not stand at its limit switch.
    `change`: what a refused press has changed, if anything.
    """

    at_s: float
    taken: bool
    state: State
    wait_s: float | None
    not_enabled: bool = False
    not_at_limit: bool = False
    change: Change | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """The prop's limit switch: closed while the prop stands reset.

    The latest pop is due `pop_by_s` after the trigger; see `limit_switch` for what that decides. The prop is
    taken for jammed when the switch has not closed `jam_s` after the trigger.
    """

    pop_by_s: float
    jam_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OnTime:
    """The output that starts the prop is on from `start_s` after the trigger, for `max_on_s` at most."""

    start_s: float
    max_on_s: float


_NEVER_DRIVEN = frozenset({State.OFF, State.HELD, State.STOPPED})


class SceneState:
    """One scene's state, its lockout and its counts. Times are host times."""

    def __init__(
        self,
        *,
        cue_length_s: float,
        reset_s: float,
        debounce_s: float,
        hold_off_s: float = 0.0,
        between_groups_s: float = 0.0,
        needs_enabling: bool = False,
        limit: Limit | None = None,
        on_time: OnTime | None = None,
    ) -> None:
        """`hold_off_s`: for so long after a press, taken or refused, a closing contact is no press.

        `between_groups_s`: from one trigger to the next at least; the reset counts as well, whichever is
        longer. With `limit` the reset is over when the switch closes; `reset_s` is what is shown, and what
        counts for a trigger from before this program began while the switch has told nothing.
        With `on_time` an output starts the prop, on from `output_from_s` to `output_until_s`.
        """
        self._cue_length_s = cue_length_s
        self._reset_s = reset_s
        self._hold_off_s = hold_off_s
        self._between_groups_s = between_groups_s
        self._limit = limit
        self._on_time = on_time
        self.contact = Contact(debounce_s)
        self.state = State.OFF
        self.enabled = not needs_enabling
        self._limit_switch = LimitSwitch()
        self._returned = True
        self._pop_over_s = -math.inf
        self._jam_s = math.inf
        self._deaf_until_s = -math.inf
        self._group_over_s = -math.inf
        self.output_from_s = -math.inf
        self.output_until_s = -math.inf
        self.output_why = ""
        """Why the output goes off, or went off, at `output_until_s`."""
        self.cue_over_s = -math.inf
        self.reset_over_s = -math.inf
        self.armed_s = math.inf
        self.triggers = 0
        self.refusals = 0

    @property
    def cycle(self) -> Cycle:
        """The prop's cycle since the last trigger, as its limit switch is to see it."""
        return self._limit_switch.cycle

    def step(self, step: Step, at_s: float) -> Change | None:
        """Take this step if the table has it; None when it changes nothing."""
        after = TRANSITIONS.get((self.state, step))
        if after is None:
            return None
        change = Change(at_s=at_s, before=self.state, step=step, after=after)
        self.state = after
        if after in _NEVER_DRIVEN:
            self.cut(at_s, f"the scene is {after}")
        if step is Step.ARM:
            self.reset_over_s = max(self.reset_over_s, at_s)
            self._look_at_limit(at_s)
        if after is State.ARMED:
            self.armed_s = at_s
        return change

    def was_triggered(self, at_s: float) -> None:
        """At this host time, before this program began: the prop may still be on its way back."""
        self.reset_over_s = max(self.reset_over_s, at_s + self._reset_s)
        self._group_over_s = max(self._group_over_s, at_s + self._between_groups_s)
        if self._limit is not None:
            self._pop_over_s = max(self._pop_over_s, at_s + self._limit.pop_by_s)

    def edge(self, closed: bool, at_s: float) -> Press | None:
        """The contact changed; None where that is no press.

        A press while not armed or not enabled is refused and counted, and where an output would start a prop
        that is known not to stand at its limit switch. Where a hold-off follows, a scene that
        was armed waits until its contact counts again.
        """
        if not self.contact.edge(closed, at_s) or at_s < self._deaf_until_s:
            return None
        self._deaf_until_s = at_s + self._hold_off_s
        armed = self.state is State.ARMED and at_s >= self.armed_s
        at_limit = self._limit is None or self._on_time is None or not self._limit_switch.open
        if armed and self.enabled and at_limit:
            self.triggers += 1
            self.step(Step.TRIGGER, at_s)
            self.cue_over_s = at_s + self._cue_length_s
            self.reset_over_s = at_s + self._reset_s
            self._group_over_s = at_s + self._between_groups_s
            if self._limit is not None:
                self._returned = False
                self._pop_over_s = at_s + self._limit.pop_by_s
                self._jam_s = at_s + self._limit.jam_s
                start_s = None if self._on_time is None else at_s + self._on_time.start_s
                self._limit_switch.cycle = Cycle(start_s=start_s, pop_by_s=self._pop_over_s)
            self._drive(at_s)
            return Press(at_s=at_s, taken=True, state=self.state, wait_s=None)
        self.refusals += 1
        state, wait_s = self.state, self.wait_s(at_s)
        change = self.step(Step.WAIT, at_s) if self._hold_off_s else None
        return Press(
            at_s=at_s,
            taken=False,
            state=state,
            wait_s=wait_s,
            not_enabled=armed and not self.enabled,
            not_at_limit=armed and not at_limit,
            change=change,
        )

    def _drive(self, trigger_s: float) -> None:
        """The one place that switches an output on, from a trigger that was taken."""
        if self._on_time is None:
            return
        self.output_from_s = trigger_s + self._on_time.start_s
        self.output_until_s = self.output_from_s + self._on_time.max_on_s
        self.output_why = "its longest time is over"
        if self._limit is not None and self._jam_s < self.output_until_s:
            self.output_until_s = self._jam_s
            self.output_why = "the limit switch has not closed in its time"

    def cut(self, at_s: float, why: str) -> None:
        """The output goes off, or does not go on, until the next trigger."""
        if at_s < self.output_until_s:
            self.output_until_s = at_s
            self.output_why = why

    def limit_edge(self, closed: bool, at_s: float, *, found: bool = False) -> Change | None:
        """The limit switch closed or opened, or was `found` so; the change where that sets the scene aside.

        Nobody knows how far a prop has come that is cut before its pop was due, nor does its plan fit it.
        """
        if self._limit is None:
            return None
        news = self._limit_switch.edge(closed, at_s, found=found)
        driven = at_s < self.output_until_s
        if news is LimitNews.EARLY and not driven:  # its own way back, after a push that was short
            return None
        if news is not LimitNews.NOTHING:
            self.cut(at_s, news.value)
        if news is LimitNews.BACK and not self._returned:
            self._returned = True
            self.reset_over_s = at_s
        return self.step(Step.HOLD, at_s) if news is LimitNews.EARLY else None

    def _look_at_limit(self, at_s: float) -> None:
        """As the scene is armed by hand, the prop stands at its limit switch or has to come there first."""
        if self._limit is None or at_s < self._pop_over_s:
            return
        if self._limit_switch.closed is None and self._returned:
            return  # nothing has told of the prop: what is reckoned stays
        if self._limit_switch.closed is not None:
            self._returned = self._limit_switch.closed
        if self._returned:
            self.reset_over_s = at_s
        else:
            self._jam_s = at_s + self._limit.jam_s

    def found(self, closed: bool, at_s: float) -> Change | None:
        """The contact stands like this, nobody saw why; an armed scene waits until it has opened."""
        self.contact.found(closed, at_s)
        return self.step(Step.WAIT, at_s) if self.contact.closed else None

    def advance(self, now_s: float) -> tuple[Change, ...]:
        """All changes that time alone has brought by now."""
        changes: list[Change] = []
        while self.next_s() <= now_s:
            step = Step.RESET_OVER if self._returned else Step.HOLD
            if self.state is State.PLAYING:
                step = Step.CUE_OVER
            change = self.step(step, self.next_s())
            assert change is not None
            changes.append(change)
        return tuple(changes)

    def next_s(self) -> float:
        """Host time of the next change that time alone brings."""
        if self.state is State.PLAYING:
            return self.cue_over_s
        if self.state is State.RESETTING:
            if not self._returned:
                return max(self._jam_s, self.cue_over_s)
            return max(self.ready_s, self.contact.ready_s)
        return math.inf

    @property
    def ready_s(self) -> float:
        """When a press would be taken, as far as is known, if the contact is open by then."""
        return max(
            self.reset_over_s, self.output_until_s, self.cue_over_s, self._group_over_s, self._deaf_until_s
        )

    def wait_s(self, now_s: float) -> float | None:
        """Seconds until a press would be taken; 0 when armed, None when it does not come by itself."""
        if self.state is State.ARMED:
            return 0.0
        if self.state in (State.PLAYING, State.RESETTING):
            open_s = 0.0 if self.contact.closed else self.contact.ready_s
            return max(self.ready_s, open_s, now_s) - now_s
        return None

    @property
    def stuck(self) -> bool:
        """True when only the contact, still closed, keeps the scene from being armed."""
        return self.state is State.RESETTING and self.contact.closed and self._returned
