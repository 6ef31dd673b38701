"""Plans for the tests of the show; nothing here is measured."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cuesync.clip import Clip
from cuesync.plan.plan import Plan, PlannedLight, PlannedSound


def click(rate_hz: int = 48000, length_s: float = 0.2, hit_s: float = 0.1, channels: int = 1) -> Clip:
    """Silence with one sample of 0.5 at the hit."""
    samples: NDArray[np.float32] = np.zeros((round(length_s * rate_hz), channels), dtype=np.float32)
    samples[round(hit_s * rate_hz)] = 0.5
    return Clip(name="click.wav", samples=samples, rate_hz=rate_hz)


def sound(
    clip: Clip,
    *,
    start_s: float,
    hit_s: float = 0.1,
    cut_s: float = 0.0,
    path_s: float = 0.0,
    fade_in_s: float = 0.0,
    gain: float = 1.0,
    outputs: tuple[int, ...] = (1, 2),
) -> PlannedSound:
    return PlannedSound(
        clip=clip,
        hit_s=hit_s,
        hit_kind="peak",
        hit_reason="given",
        start_s=start_s,
        cut_s=cut_s,
        fade_in_s=fade_in_s,
        gain=gain,
        outputs=outputs,
        lands_s=start_s + hit_s - cut_s + path_s,
        path_s=path_s,
    )


def light(at_s: float, length_s: float = 0.08, address: str = "midi:36") -> PlannedLight:
    return PlannedLight(light=address, at_s=at_s, length_s=length_s, lands_s=at_s, path_s=0.0)


def plan(
    *,
    title: str = "Cellar door",
    contact: str = "key:space",
    delay_s: float = 0.6,
    reset_s: float = 5.0,
    pops_s: tuple[float, ...] = (),
    sounds: tuple[PlannedSound, ...] | None = None,
    lights: tuple[PlannedLight, ...] = (),
    debounce_s: float = 0.03,
) -> Plan:
    """By default one click whose hit lands on the pop."""
    if sounds is None:
        sounds = (sound(click(), start_s=delay_s - 0.1),)
    return Plan(
        title=title,
        contact=contact,
        debounce_s=debounce_s,
        delay_s=delay_s,
        delay_source="given",
        bias_s=0.0,
        reset_s=reset_s,
        reset_source="given",
        pops_s=pops_s,
        sounds=sounds,
        lights=lights,
        notes=(),
    )
