"""What is doubtful in one plan, or could hurt people. It informs; local codes decide."""

from __future__ import annotations

from math import log10

from cuesync.care.flash import TRAIN_S, flashes_by_view
from cuesync.hearing.loudness import true_peak_db
from cuesync.plan.plan import Plan
from cuesync.plan.windows import ACCEPTABLE, DETECTABLE, plan_forecast

_NO_GAP_S = 0.05
"""Shown as 0.0 s: a stretch as short as this is not worth a caution."""
PREPULSE_S = (0.030, 0.240)
"""A weak sound this long before a loud one softens the startle (prepulse inhibition)."""
ENOUGH_TRIALS = 10


def plan_cautions(plan: Plan) -> tuple[str, ...]:
    """What is doubtful or could hurt in this plan, each as one or two sentences."""
    return (
        *_drive_cautions(plan),
        *_flash_cautions(plan),
        *_sound_cautions(plan),
        *_sync_cautions(plan),
    )


def _drive_cautions(plan: Plan) -> list[str]:
    drive = plan.drive
    if drive is None:
        return []
    cautions = [
        f"cuesync itself moves this prop, {drive.start_s:.2f} s after the press, by {drive.output}. Hands "
        "stay clear from the press until it is back; before they go in, cut the power of the output by hand, "
        "lock it off, and relieve or block the spring (OSHA 1910.147). Fit a hard-wired stop that cuts it "
        "whatever cuesync says, and switch low voltage only: mains is for licensed trades."
    ]
    off_s = drive.start_s + drive.max_on_s
    if off_s < plan.delay_s:
        cautions.append(
            f"{drive.output} is off again {(plan.delay_s - off_s) * 1000.0:.0f} ms before the pop. That is "
            "right for a short start pulse; a motor that has to turn until the pop needs a longer max_on_s."
        )
    elif plan.limit_contact is not None and plan.reset_s - off_s > _NO_GAP_S:
        cautions.append(
            f"{drive.output} is off {plan.reset_s - off_s:.1f} s before the prop is back, by its reset. That "
            "is right where it comes back by itself; a motor that brings it back needs a longer max_on_s."
        )
    if plan.limit_contact is None:
        cautions.append(
            f"nothing tells cuesync where the prop stands: {drive.output} is on for {drive.max_on_s:g} s in "
            "every scare, and a jam is not seen. Fit a limit switch (limit_contact)."
        )
    return cautions


def _flash_cautions(plan: Plan) -> list[str]:
    cautions = []
    for view in flashes_by_view([plan]):
        train_s = view.scenes[0].train_s
        if view.scenes[0].counts and train_s > TRAIN_S:
            cautions.append(
                f"flashes follow each other for {train_s:.0f} s, which should be {TRAIN_S:.0f} s at most "
                "(HSE). Put a rest between them."
            )
    sound_ends_s = [sound.start_s + sound.clip.length_s - sound.cut_s for sound in plan.sounds]
    if sound_ends_s:
        cue_end_s = max(sound_ends_s)
        for light in plan.lights:
            over_ms = (light.at_s + light.length_s - cue_end_s) * 1000.0
            if over_ms > 0:
                cautions.append(
                    f"the {light.shape} of {light.light} ends {over_ms:.0f} ms after the last sound. "
                    "Shorten it, unless the light is meant to stay on in silence."
                )
    cautions += [
        f"the {light.shape} of {light.light} is longer than the reset ({plan.reset_s:g} s); "
        "presses are refused until it is over."
        for light in plan.lights
        if light.at_s + light.length_s > plan.reset_s
    ]
    return cautions


def _sound_cautions(plan: Plan) -> list[str]:
    cautions = []
    for sound in plan.sounds:
        name = sound.clip.name
        end_s = sound.start_s + sound.clip.length_s - sound.cut_s
        if end_s > plan.reset_s:
            cautions.append(
                f"{name} is longer than the reset: it plays until {end_s:.1f} s after the trigger, but the "
                f"prop is ready after {plan.reset_s:g} s. Presses are refused until the clip is over; "
                "shorten the clip to have them back."
            )
        peak_db = true_peak_db(sound.clip.samples, sound.clip.rate_hz) + 20.0 * log10(sound.gain)
        if peak_db > 0.05:
            cautions.append(
                f"{name} would be {peak_db:.1f} dB over full scale and is limited. "
                "Lower its level_db by that much."
            )
        before_s = plan.delay_s + plan.bias_s - sound.lands_s
        if PREPULSE_S[0] <= before_s <= PREPULSE_S[1]:
            cautions.append(
                f"{name} hits {before_s * 1000.0:.0f} ms before the pop. A sound 30 to 240 ms before the "
                "loud one softens the startle; move it earlier than 240 ms, or onto the pop."
            )
    return cautions


def _sync_cautions(plan: Plan) -> list[str]:
    if not plan.pops_s:
        return [
            "the delay is given by hand: nobody knows how much it scatters. Measure the prop to find out."
        ]
    cautions = []
    if len(plan.pops_s) < ENOUGH_TRIALS:
        cautions.append(
            f"the delay rests on {len(plan.pops_s)} pops; {ENOUGH_TRIALS} or more tell how far it scatters."
        )
    judged = plan_forecast(plan)
    if judged is not None and judged.unnoticed < judged.n:
        cautions.append(
            f"{judged.n - judged.unnoticed} of {judged.n} measured pops miss the window in which people "
            f"don't notice ({DETECTABLE.early_s * 1000:+.0f}/{DETECTABLE.late_s * 1000:+.0f} ms), "
            f"{judged.n - judged.acceptable} even the acceptable one "
            f"({ACCEPTABLE.early_s * 1000:+.0f}/{ACCEPTABLE.late_s * 1000:+.0f} ms; ITU-R BT.1359-1)."
        )
    return cautions
