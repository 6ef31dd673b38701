"""Cautions: what can hurt people, as far as a plan shows it. They inform; local codes decide."""

from __future__ import annotations

from collections.abc import Sequence
from math import log10

from cuesync.hearing.loudness import true_peak_db
from cuesync.plan.plan import Plan, PlannedLight
from cuesync.plan.windows import ACCEPTABLE, DETECTABLE, plan_forecast

FLASHES_PER_SECOND = 3
"""No more general flashes than this in any one second (WCAG 2.3.1)."""
SAME_FLASH_S = 0.001
"""Lights that come on within this are one flash to the eye."""
PREPULSE_S = (0.030, 0.240)
"""A weak sound this long before a loud one softens the startle (prepulse inhibition)."""
ENOUGH_TRIALS = 10

NO_EMERGENCY_STOP = (
    "cuesync is no emergency stop. A computer must not be the only thing between a person and a moving prop: "
    "fit a hard-wired switch that cuts the prop's power."
)

STANDING = (
    NO_EMERGENCY_STOP,
    "A wound spring bites. Cut the power and relieve or block the spring before hands go in "
    "(OSHA 1910.147(d)(5)(i)); keep gaps that can't crush fingers, hands or heads.",
    "Mains wiring and fire systems are for licensed trades; run props on a fused low-voltage supply.",
    "Keep ways out free and lit. When the alarm goes, light must come up, and scare sound and flashes must "
    "stop (NFPA 101, special amusement buildings): let the alarm system do that, not the laptop.",
    "Local codes and the authority having jurisdiction come first.",
)

FLASH_NOTICE = (
    "Flashing light can trigger seizures. Put a notice at the entrance where people can still turn back: "
    '"Flashing lights and sudden loud sounds are used inside."'
)


def flashes_in_any_second(lights: Sequence[PlannedLight]) -> int:
    """Largest number of flashes that begin within one second; lights that come on together count once."""
    starts_s: list[float] = []
    for start_s in sorted(light.lands_s for light in lights):
        if not starts_s or start_s - starts_s[-1] > SAME_FLASH_S:
            starts_s.append(start_s)
    return max((sum(first_s <= s < first_s + 1.0 for s in starts_s) for first_s in starts_s), default=0)


def plan_cautions(plan: Plan) -> tuple[str, ...]:
    """What is doubtful or could hurt in this plan, each as one or two sentences."""
    return (*_flash_cautions(plan), *_sound_cautions(plan), *_sync_cautions(plan))


def _flash_cautions(plan: Plan) -> list[str]:
    cautions = []
    count = flashes_in_any_second(plan.lights)
    if count > FLASHES_PER_SECOND:
        cautions.append(
            f"{count} flashes within one second; more than {FLASHES_PER_SECOND} can trigger seizures "
            "(WCAG 2.3.1). Leave flashes out, or space them wider."
        )
    sound_ends_s = [sound.start_s + sound.clip.length_s - sound.cut_s for sound in plan.sounds]
    if sound_ends_s:
        cue_end_s = max(sound_ends_s)
        for light in plan.lights:
            over_ms = (light.at_s + light.length_s - cue_end_s) * 1000.0
            if over_ms > 0:
                cautions.append(
                    f"the flash of {light.light} ends {over_ms:.0f} ms after the last sound. "
                    "Shorten it, unless the light is meant to stay on in silence."
                )
    cautions += [
        f"the flash of {light.light} is longer than the reset ({plan.reset_s:g} s); "
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
