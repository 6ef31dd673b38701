"""Plays a plan with no hardware: the same show on the simulated clock, answered by a simulated prop."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

import numpy as np

from cuesync import signs
from cuesync.devices.ports import LightCommand, Samples
from cuesync.devices.simulated import (
    SimulatedClock,
    SimulatedContacts,
    SimulatedCycle,
    SimulatedLights,
    SimulatedOutput,
    SimulatedProp,
)
from cuesync.devices.simulated_sound import SimulatedAudio
from cuesync.errors import CuesyncError
from cuesync.plan.plan import Plan
from cuesync.show.engine import Show
from cuesync.show.events import MessageSent, PropSwitched, ScareDone, ShowEvent
from cuesync.show.prepared import channels_needed
from cuesync.show.sound import LocalSoundDesk

_SETTLE_S = 1.0
_HOLD_S = 0.1
_SPARE_S = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedScare:
    """One press. Times in seconds from its trigger.

    `sounds_land_s`: each sound's hit at the guest, in the plan's order, None where it was not heard.
    `offset_s`: the sound meant for the pop against this pop, in the sign of `signs.audio_offset_s`
    (positive = sound first); None in a plan without sound.
    """

    pop_s: float
    sounds_land_s: tuple[float | None, ...]
    offset_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rehearsal:
    """`sound` (frames, channels) of the first press; sample 0 is handed over at the trigger.

    `commands`: what the lights were told at the first press, with seconds from the trigger; `messages`: what
    went to other gear then; `switched`: what the output that starts the prop did, at host times from the
    trigger.
    """

    sound: Samples
    rate_hz: int
    commands: tuple[tuple[float, LightCommand], ...]
    messages: tuple[MessageSent, ...]
    switched: tuple[PropSwitched, ...]
    scares: tuple[RehearsedScare, ...]

    @property
    def lights(self) -> tuple[tuple[str, bool, float], ...]:
        """The commands as (light, on, seconds from the trigger)."""
        return tuple((command.light, command.on, at_s) for at_s, command in self.commands)


def rehearse(plan: Plan, *, rate_hz: int = 48000, presses: int = 100, seed: int = 1) -> Rehearsal:
    """Press the contact again and again, as soon as the prop is ready, and see how well all lands.

    The pops are drawn from `plan.pops_s`, or are all `plan.delay_s` where nothing was measured. The first
    press falls on a frame exactly, so the sound can be laid against the plan sample by sample; the others
    fall anywhere. InputError for presses < 1.
    """
    draw = random.Random(seed)
    clock = SimulatedClock()
    contacts = SimulatedContacts(clock, seed)
    lights = SimulatedLights(clock)
    channels = max(1, channels_needed([plan]))
    events: list[ShowEvent] = []
    audio = SimulatedAudio(
        clock, rate_hz=rate_hz, channels=channels, block_frames=256, quiet=lambda: sound.quiet
    )
    sound = LocalSoundDesk(audio, lambda: audio)
    output = None if plan.drive is None else SimulatedOutput(clock)
    show = Show(
        (plan,),
        clock=clock,
        sound=sound,
        lights=lights,
        messages=lights,
        report=events.append,
        outputs={} if output is None else {plan.title: output},
    )

    def popped(cycle: SimulatedCycle) -> None:
        if plan.pop_contact is not None and cycle.pop_s is not None:
            contacts.press(plan.pop_contact, cycle.pop_s, hold_s=_HOLD_S)

    prop = SimulatedProp(
        contacts,
        plan.contact,
        draw_delay_s=lambda: (draw.choice(plan.pops_s) if plan.pops_s else plan.delay_s) - plan.started_s,
        reset_s=plan.reset_s - plan.started_s,
        popped=popped,
        limit_contact=plan.limit_contact,
        output=output,
    )
    clock.sleep_s(0.0)  # the limit switch stands as it stands before anybody looks
    clock.attend(show)
    for desk in show.desks:
        clock.attend(desk)
    for starter in show.starters:
        clock.attend(starter.guard)
    contacts.open(show.contacts, show.put)
    show.start()

    if plan.enable_contact is not None:
        contacts.edge(plan.enable_contact, True)
    cycle_s = plan.busy_s + _HOLD_S + plan.debounce_s + _SPARE_S
    first_s = clock.now_s() + _SETTLE_S
    press_s = first_s
    for _ in range(presses):
        contacts.press(plan.contact, press_s, hold_s=_HOLD_S, bounces=2)
        press_s += cycle_s + draw.random() * _SPARE_S
    clock.run_until(first_s + cycle_s)
    audio.keep = False
    sound.mixer.stop_loops()  # heard once is enough, and without them long waits take no time
    clock.run_until(press_s)
    sound.close()

    done = {event.trigger_s: event for event in events if isinstance(event, ScareDone)}
    if len(done) != presses or len(prop.cycles) != presses:
        raise CuesyncError(
            f"the rehearsal played {len(done)} of {presses} presses; this is a fault in cuesync."
        )
    frames = max(1, math.ceil(plan.cue_length_s * rate_hz))
    return Rehearsal(
        sound=np.ascontiguousarray(audio.sound_from(first_s, frames)),
        rate_hz=rate_hz,
        commands=tuple(
            (at_s - first_s, command)
            for at_s, command in lights.sent
            if first_s <= at_s <= first_s + cycle_s  # before that, fixtures went to their rest
        ),
        messages=done[first_s].messages,
        switched=tuple(
            replace(event, at_s=event.at_s - first_s)
            for event in events
            if isinstance(event, PropSwitched) and event.at_s <= first_s + cycle_s
        ),
        scares=tuple(
            _scare(plan, cycle.pop_s, scare) for cycle, scare in zip(prop.cycles, done.values(), strict=True)
        ),
    )


def _scare(plan: Plan, pop_at_s: float | None, done: ScareDone) -> RehearsedScare:
    assert pop_at_s is not None  # drawn above, never a misfire
    pop_s = pop_at_s - done.trigger_s
    lands_s = tuple(sound.lands_s for sound in done.sounds)
    meant = plan.pop_sound
    sound_s = next(
        (at_s for planned, at_s in zip(plan.sounds, lands_s, strict=True) if planned is meant), None
    )
    return RehearsedScare(
        pop_s=pop_s,
        sounds_land_s=lands_s,
        offset_s=None if sound_s is None else signs.audio_offset_s(sound_s, pop_s),
    )
