"""Where a sound's start comes to lie, and what happens to a start before the trigger."""

from __future__ import annotations

from dataclasses import replace

from cuesync.errors import InputError
from cuesync.plan.drive import as_early_as_can_be, moved_by
from cuesync.plan.plan import Plan, PlannedSound

CUT_FADE_S = 0.005
"""Fade-in over a cut head: long enough not to click, too short to be heard as a fade."""
ROUNDING_S = 1e-9
"""Sums of times differ by less than this from rounding alone: far below a sample."""


def with_device_latency(plan: Plan, latency_s: float, device: str) -> Plan:
    """The plan for a sound device that reports `latency_s`; sounds whose latency was given stay as they are.

    A note is added where the prop was measured through another device than `device`. Where cuesync starts the
    prop, that waits for the sound as far as it may.

    Raises:
        InputError: with this latency a hit can't be there in time.
    """
    if plan.drive is not None:
        plan = moved_by(plan, plan.drive.latest_start_s - plan.drive.start_s)
    sounds = []
    for sound in plan.sounds:
        if sound.device_s is not None:
            sounds.append(sound)
            continue
        moved = replace(
            sound,
            start_s=sound.start_s - sound.cut_s - latency_s,
            path_s=sound.path_s + latency_s,
            device_s=latency_s,
        )
        planned = placed(moved)
        early_ms = too_early_ms(planned)
        if early_ms > 0:
            raise InputError(
                f"{plan.title}: {too_early_words(planned, early_ms)} The sound device adds "
                f"{latency_s * 1000.0:.1f} ms: use one that is quicker (no wireless loudspeaker), or raise "
                "the sound's at_ms."
            )
        sounds.append(planned)
    notes = plan.notes
    if plan.sound_device and plan.sound_device != device:
        notes += (
            f'the prop was measured through the sound device "{plan.sound_device}", but this is "{device}": '
            "measure again through this one, or the sounds are off by the difference between the two",
        )
    return as_early_as_can_be(replace(plan, sounds=tuple(sounds), notes=notes))


def placed(sound: PlannedSound) -> PlannedSound:
    """A sound whose start lies before the trigger starts with it, without the head that comes too early."""
    cut_s = max(0.0, -sound.start_s)
    return replace(
        sound, start_s=max(0.0, sound.start_s), cut_s=cut_s, fade_in_s=CUT_FADE_S if cut_s else 0.0
    )


def too_early_ms(sound: PlannedSound) -> float:
    """By how much the hit itself is cut away; 0 where it is not."""
    early_s = sound.cut_s - sound.hit_s
    return early_s * 1000.0 if early_s > ROUNDING_S else 0.0


def too_early_words(sound: PlannedSound, early_ms: float) -> str:
    return (
        f"the hit of {sound.clip.name} can't be there in time: even without its head it would have to leave "
        f"{early_ms:.1f} ms before the trigger."
    )
