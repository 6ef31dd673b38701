"""What the show keeps of each scene, and what an armed one still lacks."""

from __future__ import annotations

from dataclasses import dataclass

from cuesync.devices.contact_addresses import in_words, is_microphone
from cuesync.hearing.awaited import AwaitedPop
from cuesync.plan.plan import Plan, PlannedBackground, PlannedSound
from cuesync.show.pops import PopWatch
from cuesync.show.prepared import PreparedSound, prepare_background, prepare_sound
from cuesync.show.scare import Scare
from cuesync.show.sound import SoundDesk
from cuesync.show.starter import Starter
from cuesync.show.states import Limit, OnTime, Press, SceneState


@dataclass(slots=True, kw_only=True, eq=False)
class Staged:
    """One scene of a show. The number beside a sound is its place among all that the show has prepared."""

    plan: Plan
    state: SceneState
    sounds: tuple[tuple[PlannedSound, int], ...]
    backgrounds: tuple[tuple[PlannedBackground, int], ...]
    pops: PopWatch | None
    starter: Starter | None
    ear: AwaitedPop | None
    scare: Scare | None = None
    told_stuck: bool = False


def staged(
    plan: Plan,
    sound: SoundDesk | None,
    prepared: list[PreparedSound],
    starter: Starter | None,
    *,
    hears: bool,
) -> Staged:
    """The scene of this plan; its sounds are added to `prepared`. `hears`: somebody serves microphones.

    DeviceError where the sound card lacks an output.
    """
    sounds: list[tuple[PlannedSound, int]] = []
    backgrounds: list[tuple[PlannedBackground, int]] = []
    if sound is not None:
        for planned in plan.sounds:
            sounds.append((planned, len(prepared)))
            prepared.append(prepare_sound(planned, sound.rate_hz, sound.channels))
        for background in plan.backgrounds:
            backgrounds.append((background, len(prepared)))
            prepared.append(prepare_background(background, sound.rate_hz, sound.channels))
    ear = AwaitedPop() if plan.pop_contact and is_microphone(plan.pop_contact) else None
    return Staged(
        plan=plan,
        state=_state(plan),
        sounds=tuple(sounds),
        backgrounds=tuple(backgrounds),
        pops=_pops(plan) if plan.pop_contact is not None and (ear is None or hears) else None,
        starter=starter,
        ear=ear,
    )


def _state(plan: Plan) -> SceneState:
    limit, on_time = None, None
    if plan.limit_contact is not None:
        limit = Limit(pop_by_s=plan.pop_by_s, jam_s=plan.reset_s + plan.limit_margin_s)
    if plan.drive is not None:
        on_time = OnTime(start_s=plan.drive.start_s, max_on_s=plan.drive.max_on_s)
    return SceneState(
        cue_length_s=plan.cue_length_s,
        reset_s=plan.reset_s,
        debounce_s=plan.debounce_s,
        hold_off_s=plan.hold_off_s,
        between_groups_s=plan.between_groups_s,
        needs_enabling=plan.enable_contact is not None,
        limit=limit,
        on_time=on_time,
    )


def _pops(plan: Plan) -> PopWatch:
    return PopWatch(
        plan.delay_s,
        plan.pops_s,
        hold_after=plan.hold_after,
        correct_within_s=plan.correct_within_s,
        started_s=plan.started_s,
    )


def missing(plan: Plan, press: Press) -> str:
    """What an armed scene lacked to take this press; empty if nothing."""
    if press.not_enabled and plan.enable_contact is not None:
        return f"A press counts only while {in_words(plan.enable_contact)} is held; hold it and press again."
    if press.not_at_limit and plan.limit_contact is not None:
        return (
            f"The limit switch, {in_words(plan.limit_contact)}, does not tell that the prop is reset. "
            "Cut the prop's power before you reach in; look at the switch and at what it hangs on."
        )
    return ""
