"""Plans and measurements for the tests of this room, built from a few numbers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from cuesync.clip import Clip
from cuesync.measuring.trial import Measurement, Trial
from cuesync.plan.plan import LightShape, LightStep, Plan, PlannedLight, PlannedMessages, PlannedSound
from cuesync.signs import light_send_s, sound_start_s

DELAY_S = 0.6423


def clip(
    name: str = "scream.wav", *, hit_s: float = 0.31, length_s: float = 1.9, rate_hz: int = 8000
) -> Clip:
    """Noise that swells up to the hit and dies away after it."""
    times_s = np.arange(int(length_s * rate_hz)) / rate_hz
    swell = np.where(times_s < hit_s, 0.2 * times_s / hit_s, np.exp(-(times_s - hit_s)))
    noise = np.random.default_rng(1).uniform(-1.0, 1.0, len(times_s))
    return Clip(name=name, samples=(swell * noise).astype(np.float32)[:, np.newaxis], rate_hz=rate_hz)


def sound(
    name: str = "scream.wav",
    *,
    delay_s: float = DELAY_S,
    at_s: float = 0.0,
    bias_s: float = 0.0,
    hit_s: float = 0.31,
    length_s: float = 1.9,
    path_s: float = 0.0167,
) -> PlannedSound:
    start_s = sound_start_s(delay_s, at_s, bias_s, hit_s, path_s)
    cut_s = max(0.0, -start_s)
    return PlannedSound(
        clip=clip(name, hit_s=hit_s, length_s=length_s),
        hit_s=hit_s,
        hit_kind="peak",
        hit_reason="the loudest moment",
        start_s=max(0.0, start_s),
        cut_s=cut_s,
        fade_in_s=0.005 if cut_s else 0.0,
        gain=0.7,
        outputs=(1, 2),
        lands_s=max(0.0, start_s) + hit_s - cut_s + path_s,
        path_s=path_s,
    )


def light(
    name: str = "midi:36",
    *,
    delay_s: float = DELAY_S,
    at_s: float = 0.0,
    length_s: float = 0.08,
    path_s: float = 0.004,
    shape: LightShape = "flash",
    steps: Sequence[tuple[float, float]] = ((0.0, 1.0),),
) -> PlannedLight:
    return PlannedLight(
        light=name,
        at_s=light_send_s(delay_s, at_s, path_s),
        length_s=length_s,
        lands_s=delay_s + at_s,
        path_s=path_s,
        shape=shape,
        steps=tuple(LightStep(at_s=step_s, level=level) for step_s, level in steps),
    )


def all_shapes() -> tuple[PlannedLight, ...]:
    """One light of each shape, on four lamps."""
    strobe = ((0.0, 1.0), (0.1, 0.0), (0.2, 1.0), (0.3, 0.0))
    return (
        light("midi:36", steps=((0.0, 0.5),)),
        light("midi:36", at_s=0.2, length_s=0.4, shape="strobe", steps=strobe),
        light("midi:37", at_s=-0.3, length_s=0.2, shape="blackout", steps=((0.0, 0.0),)),
        light("midi:38", length_s=0.4, shape="fade", steps=((0.0, 1.0), (0.2, 0.25))),
        light("midi:39", at_s=0.1, length_s=0.4, shape="flicker", steps=((0.0, 0.75), (0.2, 0.25))),
        light("midi:37", at_s=0.3, length_s=0.8, shape="eyes"),
    )


def to_other_gear() -> tuple[PlannedMessages, ...]:
    """A command that takes 40 ms to act with the pop, and time code of two messages."""
    return (
        PlannedMessages(
            name="go 12 lighting 1",
            at_s=DELAY_S - 0.04,
            lands_s=DELAY_S,
            path_s=0.04,
            messages=((0.0, b"\xf0\x7f\x01\x02\x01\x0112\xf7"),),
        ),
        PlannedMessages(
            name="time code 25",
            at_s=0.0,
            lands_s=0.0,
            path_s=0.0,
            messages=((0.0, b"\xf1\x00"), (1.5, b"\xf1\x10")),
        ),
    )


def plan(
    title: str = "Cellar door",
    *,
    delay_s: float = DELAY_S,
    pops_s: Sequence[float] = (0.6350, 0.6423, 0.6501, 0.6390, 0.6449),
    sounds: Sequence[PlannedSound] = (),
    lights: Sequence[PlannedLight] = (),
    reset_s: float = 30.0,
    notes: Sequence[str] = (),
) -> Plan:
    return Plan(
        title=title,
        contact="key:space",
        debounce_s=0.03,
        delay_s=delay_s,
        delay_source=f"median of {len(pops_s)} measured pops" if pops_s else "given in the scene",
        bias_s=0.0,
        reset_s=reset_s,
        reset_source="the longest heard",
        pops_s=tuple(pops_s),
        sounds=tuple(sounds),
        lights=tuple(lights),
        notes=tuple(notes),
    )


def measurement(trials: Sequence[Trial], name: str = "cellar.wav", rate_hz: int = 48000) -> Measurement:
    return Measurement(
        recording=name,
        rate_hz=rate_hz,
        length_s=max((trial.trigger_s for trial in trials), default=0.0) + 5.0,
        way="contact",
        way_reason="channel 1 looks like a contact",
        trials=tuple(trials),
    )
