"""Synthesise the sample recordings and clips, from a physical story, with every true time known.

    python sample_audio/make.py            write them beside this file, with truth.json
    python sample_audio/make.py FOLDER     write them into FOLDER

The story of one cycle: the button closes; a small DC motor starts and winds a spring over a gear train;
its speed is ω = V/k − τ·R/k² once it has run up, so the whine sinks while the load τ rises; a pawl clicks
on its ratchet at equal angles; at a certain angle the cam lets go (`release_s`, a sharp tick: that is the
pop); the figure flies and hits its stop (`impact_s`) and rebounds; the motor, free of the spring, speeds up
and turns on until the limit switch opens (`motor_stop_s`), then coasts. The delay is not drawn: it comes out
of the voltage, the friction, and the angle at which the cam lets go, which scatter from cycle to cycle.

Everything is invented; it serves demonstration and tests, and is no measure of real props. Times are those
at the microphone, which hangs at the prop. Needs numpy and soundfile only. One seed, one result.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Way = Literal["contact", "contact-ac", "click", "list", "chirp"]
Misfire = Literal["slip", "dead"]

STEP_S = 0.0005  # of the motor's equation of motion
FULL_SCALE_PEAK = 0.7  # peak of an average impact in a recording


@dataclass(frozen=True, slots=True, kw_only=True)
class Prop:
    """One invented prop: its mechanics in SI units (angles in rad), and how loud its parts are.

    Levels are in dB relative to the peak of its impact. `spring_nm_per_rad` is the load at the motor's shaft
    per radian of the output shaft. `…_sd_…` is the scatter from cycle to cycle.
    """

    name: str
    emf_v_s: float = 0.0075
    resistance_ohm: float = 1.6
    inertia_kg_m2: float = 1.7e-6
    gear_ratio: float = 300.0
    friction_nm: float = 0.0020
    friction_sd_nm: float = 0.0001
    spring_nm_per_rad: float = 0.0062
    release_rad: float = 1.33
    release_sd_rad: float = 0.012
    turn_rad: float = 6.283
    ratchet_rad: float = 0.083
    flight_s: float = 0.034
    rebounds_s: tuple[float, ...] = (0.071, 0.118)
    thump_hz: float = 165.0
    tick_hz: float = 4100.0
    tick_db: float = -9.0
    ratchet_db: float = -17.0
    motor_db: float = -31.0


ATTIC_CRONE = Prop(name="attic crone")
BARREL_RAT = Prop(
    name="barrel rat",
    gear_ratio=190.0,
    spring_nm_per_rad=0.0052,
    release_rad=0.86,
    release_sd_rad=0.010,
    ratchet_rad=0.105,
    flight_s=0.021,
    rebounds_s=(0.048,),
    thump_hz=270.0,
    tick_hz=5600.0,
    tick_db=-12.0,
    ratchet_db=-20.0,
    motor_db=-33.0,
)
SHELF_SKULL = Prop(
    name="shelf skull",
    gear_ratio=420.0,
    friction_nm=0.0035,
    friction_sd_nm=0.0004,
    spring_nm_per_rad=0.0070,
    release_rad=1.56,
    release_sd_rad=0.030,
    ratchet_rad=0.070,
    flight_s=0.052,
    rebounds_s=(0.090, 0.155, 0.190),
    thump_hz=120.0,
    tick_hz=3000.0,
    tick_db=-7.0,
    ratchet_db=-15.0,
    motor_db=-28.0,
)
PROPS = (ATTIC_CRONE, BARREL_RAT, SHELF_SKULL)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueTrial:
    """What really happened, in seconds from the start of the recording; None where it did not happen."""

    trigger_s: float
    release_s: float | None
    impact_s: float | None
    motor_stop_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """`samples` float32 of shape (frames, channels), channels counted from 1, and the truth."""

    samples: NDArray[np.float32]
    rate_hz: int
    way: Way
    contact_channel: int | None
    microphone_channel: int
    trials: tuple[TrueTrial, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MadeClip:
    """`samples` float32 of shape (frames, channels).

    `onset_s` is the first sound, `hit_s` the start of the attack that should meet the pop, `full_s` the end
    of that attack.
    """

    samples: NDArray[np.float32]
    rate_hz: int
    onset_s: float
    hit_s: float
    full_s: float


# --- the prop's mechanics -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cycle:
    """One cycle, in seconds from the trigger. `angle_rad` and `load` (0 … 1) are sampled every STEP_S."""

    angle_rad: Floats
    load: Floats
    free_speed_rad_s: float
    ratchet_s: tuple[float, ...]
    release_s: float | None
    motor_stop_s: float


def run_cycle(prop: Prop, supply_v: float, rng: np.random.Generator, *, slips: bool = False) -> Cycle:
    """Solve J·dω/dt = k·(V − k·ω)/R − τ(θ) from the trigger until the motor has come to rest.

    With `slips` the cam does not catch the spring: the motor turns on and nothing pops.
    """
    k, ohm = prop.emf_v_s, prop.resistance_ohm
    friction_nm = prop.friction_nm + prop.friction_sd_nm * rng.standard_normal()
    release_rad = prop.release_rad + prop.release_sd_rad * rng.standard_normal()

    angle = speed = 0.0
    angles, loads, ratchet_s = [0.0], [0.0], []
    release_s = stop_s = None
    next_click_rad = prop.ratchet_rad * (0.4 + 0.5 * rng.random())
    limit_rad = prop.turn_rad + 0.01 * rng.standard_normal()
    while stop_s is None or speed > 2.0:
        out_rad = angle / prop.gear_ratio
        wound = release_s is None and not slips
        spring_nm = prop.spring_nm_per_rad * out_rad if wound else 0.0
        drive_nm = k * (supply_v - k * speed) / ohm if stop_s is None else 0.0
        acceleration = (drive_nm - spring_nm - friction_nm) / prop.inertia_kg_m2
        step = min(speed + acceleration * STEP_S, supply_v / k)
        if step < 2.0 and stop_s is None and len(angles) * STEP_S > 0.2:
            raise ValueError(f"{prop.name} stalls at {supply_v} V: give it more, or a softer spring")
        new_angle = angle + 0.5 * (speed + max(step, 0.0)) * STEP_S
        now_s, new_out_rad = (len(angles) - 1) * STEP_S, new_angle / prop.gear_ratio

        def crossing_s(
            target_rad: float, now_s: float = now_s, a: float = out_rad, b: float = new_out_rad
        ) -> float:
            return now_s + STEP_S * (target_rad - a) / (b - a)

        if wound and new_out_rad >= next_click_rad and next_click_rad < release_rad - 0.01:
            ratchet_s.append(crossing_s(next_click_rad))
            next_click_rad += prop.ratchet_rad
        if wound and new_out_rad >= release_rad:
            release_s = crossing_s(release_rad)
        if stop_s is None and new_out_rad >= limit_rad:
            stop_s = crossing_s(limit_rad)
        angle, speed = new_angle, max(step, 0.0)
        angles.append(angle)
        loads.append(out_rad / prop.release_rad if wound else 0.0)
    return Cycle(
        angle_rad=np.array(angles),
        load=np.array(loads),
        free_speed_rad_s=supply_v / k,
        ratchet_s=tuple(ratchet_s),
        release_s=release_s,
        motor_stop_s=stop_s,
    )


# --- sounds ---------------------------------------------------------------------------------------


def shaped_noise(
    frames: int, rate_hz: int, gain_at: Sequence[tuple[float, float]], rng: np.random.Generator
) -> Floats:
    """Noise of rms 1 whose spectrum follows the points (frequency in Hz, level in dB), log axis."""
    taps = 4096
    frequency_hz = np.fft.rfftfreq(taps, 1.0 / rate_hz)
    points_hz, points_db = zip(*gain_at, strict=True)
    level_db = np.interp(np.log(np.maximum(frequency_hz, 1.0)), np.log(points_hz), points_db)
    magnitude = 10.0 ** (level_db / 20.0)
    magnitude[0] = 0.0
    response = np.roll(np.fft.irfft(magnitude), taps // 2) * np.hanning(taps)
    response /= np.sqrt(np.sum(response**2))
    noise = rng.standard_normal(frames + taps, dtype=np.float32)
    shaped = convolve(noise, response)
    return shaped[taps // 2 : taps // 2 + frames]


def convolve(samples: NDArray[Any], response: Floats) -> Floats:
    """Overlap-add convolution, same length as `samples` plus the response less one."""
    size = 1 << max(16, int(np.ceil(np.log2(2 * len(response)))))
    block = size - len(response) + 1
    spectrum = np.fft.rfft(response, size)
    out = np.zeros(len(samples) + len(response) - 1)
    for start in range(0, len(samples), block):
        piece = np.fft.irfft(np.fft.rfft(samples[start : start + block], size) * spectrum, size)
        end = min(start + size, len(out))
        out[start:end] += piece[: end - start]
    return out


def room_response(
    rate_hz: int, rng: np.random.Generator, *, decay_s: float = 0.38, tail_db: float = -21.0
) -> Floats:
    """A small room heard from close by: the direct sound first, a few reflections, a darkening tail."""
    time_s = np.arange(int(0.9 * decay_s * rate_hz)) / rate_hz
    tail = shaped_noise(len(time_s), rate_hz, [(60, -6), (300, 0), (2500, -3), (12000, -18)], rng)
    tail *= 10.0 ** (-3.0 * time_s / decay_s) * np.clip((time_s - 0.004) / 0.012, 0.0, 1.0)
    tail *= 10.0 ** (tail_db / 20.0) / np.sqrt(np.mean(tail[: rate_hz // 20] ** 2)) / np.sqrt(rate_hz * 0.02)
    response = tail
    response[0] = 1.0
    for delay_s in 0.0031 + 0.021 * np.sort(rng.random(7)):
        response[round(delay_s * rate_hz)] += rng.choice([-1, 1]) * 0.11 * np.exp(-delay_s / 0.018)
    return response


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Knock:
    """A struck thing: modes that ring down, and a burst of noise at the very first contact."""

    frequency_hz: Floats
    decay_s: Floats
    gain: Floats
    burst_s: float
    burst: float
    length_s: float


def add_knock(
    out: Floats, rate_hz: int, knock: Knock, *, at_s: float, level: float, rng: np.random.Generator
) -> None:
    """Add the knock in place; it starts between two samples if `at_s` says so, and is silent before."""
    first = int(np.ceil(at_s * rate_hz))
    frames = min(int(knock.length_s * rate_hz), len(out) - first)
    if frames <= 0:
        return
    time_s = (first + np.arange(frames)) / rate_hz - at_s
    pitch = 1.0 + 0.01 * rng.standard_normal(len(knock.frequency_hz))
    sound = np.zeros(frames)
    for frequency_hz, decay_s, gain in zip(
        knock.frequency_hz * pitch, knock.decay_s, knock.gain, strict=True
    ):
        if frequency_hz < 0.45 * rate_hz:
            sound += gain * np.exp(-time_s / decay_s) * np.sin(2.0 * np.pi * frequency_hz * time_s)
    sound += knock.burst * np.exp(-time_s / knock.burst_s) * rng.standard_normal(frames)
    out[first : first + frames] += level * sound


def _knock(
    rng: np.random.Generator,
    *,
    lowest_hz: float,
    modes: int,
    spread: float,
    decay_s: float,
    burst: float,
    burst_s: float,
) -> Knock:
    """`modes` partials from `lowest_hz` up, each `spread` times the one before or so; peak about 1."""
    frequency_hz = lowest_hz * spread ** (np.arange(modes) + 0.25 * rng.standard_normal(modes))
    gain = (lowest_hz / frequency_hz) ** 0.5 * (0.6 + 0.8 * rng.random(modes))
    decays_s = decay_s * (lowest_hz / frequency_hz) ** 0.6
    scale = 1.0 / (0.55 * np.sum(gain) + burst)
    return Knock(
        frequency_hz=frequency_hz,
        decay_s=decays_s,
        gain=gain * scale,
        burst_s=burst_s,
        burst=burst * scale,
        length_s=7.0 * float(np.max(decays_s)),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Voice:
    """The knocks of one prop and its button, the same in all its cycles."""

    impact: Knock
    tick: Knock
    ratchet: Knock
    twang: Knock
    button: Knock


def prop_voice(prop: Prop) -> Voice:
    rng = np.random.default_rng(list(prop.name.encode()))
    return Voice(
        impact=_knock(
            rng, lowest_hz=prop.thump_hz, modes=9, spread=1.45, decay_s=0.045, burst=0.8, burst_s=0.004
        ),
        tick=_knock(
            rng, lowest_hz=prop.tick_hz, modes=5, spread=1.22, decay_s=0.0032, burst=1.0, burst_s=0.0007
        ),
        ratchet=_knock(
            rng, lowest_hz=0.62 * prop.tick_hz, modes=4, spread=1.3, decay_s=0.0024, burst=0.7, burst_s=0.0004
        ),
        twang=_knock(
            rng, lowest_hz=2.6 * prop.thump_hz, modes=6, spread=1.31, decay_s=0.060, burst=0.0, burst_s=0.001
        ),
        button=_knock(rng, lowest_hz=2300.0, modes=4, spread=1.5, decay_s=0.0020, burst=0.9, burst_s=0.0004),
    )


def motor_sound(prop: Prop, cycle: Cycle, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Commutator whine, imbalance and gear mesh, all locked to the shaft, and rattle struck by the teeth."""
    steps_s = np.arange(len(cycle.angle_rad)) * STEP_S
    time_s = np.arange(int(steps_s[-1] * rate_hz)) / rate_hz
    angle = np.interp(time_s, steps_s, cycle.angle_rad)
    speed = np.interp(time_s, steps_s, np.gradient(cycle.angle_rad, STEP_S)) / cycle.free_speed_rad_s
    load = np.interp(time_s, steps_s, cycle.load)
    orders = [
        (1, 0.5),
        (2, 0.2),
        (6, 0.9),
        (12, 0.4),
        (18, 0.22),
        (9, 0.5),
        (27, 0.18),
        (2.25, 0.35),
        (36, 0.08),
    ]
    hum = np.zeros(len(time_s))
    for order, gain in orders:
        top_hz = order * cycle.free_speed_rad_s / (2.0 * np.pi)
        if top_hz < 0.45 * rate_hz:
            hum += gain * np.sin(order * angle + 2.0 * np.pi * rng.random())
    wobble = 1.0 + 0.25 * np.sin(angle / 31.0 + 2.0 * np.pi * rng.random())
    rattle = shaped_noise(len(time_s), rate_hz, [(300, -24), (1500, 0), (6000, -3), (11000, -14)], rng)
    rattle *= 0.35 + 1.6 * np.maximum(np.sin(9.0 * angle / 4.0), 0.0) ** 6
    sound = hum * (0.7 + 0.6 * load) * wobble + (0.55 + 0.5 * load) * rattle
    sound *= np.clip(speed, 0.0, None) ** 1.5 * 10.0 ** (prop.motor_db / 20.0)
    return sound


def cycle_sound(
    prop: Prop, voice: Voice, cycle: Cycle, rate_hz: int, rng: np.random.Generator
) -> tuple[Floats, float | None]:
    """The dry sound of one cycle from its trigger, an average impact peaking near 1; when it hits."""
    motor = motor_sound(prop, cycle, rate_hz, rng)
    out = np.concatenate([motor, np.zeros(rate_hz // 2)])
    ratchet_level = 10.0 ** (prop.ratchet_db / 20.0)
    backlash_s = 0.004 + 0.003 * rng.random()
    add_knock(out, rate_hz, voice.ratchet, at_s=backlash_s, level=0.6 * ratchet_level, rng=rng)
    for click_s in cycle.ratchet_s:
        level = ratchet_level * 10.0 ** (0.075 * rng.standard_normal())
        add_knock(out, rate_hz, voice.ratchet, at_s=click_s, level=level, rng=rng)
    # the limit switch
    add_knock(out, rate_hz, voice.button, at_s=cycle.motor_stop_s, level=0.5 * ratchet_level, rng=rng)
    if cycle.release_s is None:
        return out, None
    impact_s = cycle.release_s + prop.flight_s * (1.0 + 0.05 * rng.standard_normal())
    tick_level = 10.0 ** (prop.tick_db / 20.0)
    add_knock(out, rate_hz, voice.tick, at_s=cycle.release_s, level=tick_level, rng=rng)
    add_knock(out, rate_hz, voice.twang, at_s=cycle.release_s, level=0.07, rng=rng)
    first, last = round(cycle.release_s * rate_hz), round(impact_s * rate_hz)
    rustle = shaped_noise(last - first, rate_hz, [(200, -12), (900, 0), (5000, -12)], rng)
    out[first:last] += 0.015 * np.linspace(0.0, 1.0, last - first) ** 2 * rustle
    strength = 10.0 ** (0.04 * rng.standard_normal())
    add_knock(out, rate_hz, voice.impact, at_s=impact_s, level=strength, rng=rng)
    for bounce, after_s in enumerate(prop.rebounds_s, start=1):
        late_s = impact_s + after_s * (1.0 + 0.06 * rng.standard_normal())
        add_knock(out, rate_hz, voice.impact, at_s=late_s, level=strength * 0.38**bounce, rng=rng)
    return out, impact_s


def murmur(length_s: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Somebody talking low: voiced syllables without words, rms near 1 while it sounds."""
    frames = int(length_s * rate_hz)
    time_s = np.arange(frames) / rate_hz
    pitch_hz = (
        118.0 + 14.0 * np.sin(2.0 * np.pi * 0.7 * time_s) + 6.0 * np.sin(2.0 * np.pi * 2.3 * time_s + 1.0)
    )
    syllables = (
        np.maximum(np.sin(2.0 * np.pi * 3.6 * time_s + 1.5 * np.sin(2.0 * np.pi * 0.9 * time_s)), 0.0) ** 0.7
    )
    shift = 1.0 + 0.3 * np.sin(2.0 * np.pi * 1.7 * time_s + rng.random())
    formants = [(520.0 * shift, 90.0), (1350.0 / shift, 130.0), (2500.0 + 0.0 * shift, 180.0)]
    sound = sung(time_s, pitch_hz, formants, tilt=1.4, rate_hz=rate_hz, rng=rng)
    edges = np.clip(np.minimum(time_s, length_s - time_s) / 0.08, 0.0, 1.0)
    sound *= syllables * edges
    sound /= np.sqrt(np.mean(sound**2))
    return sound


def sung(
    time_s: Floats,
    pitch_hz: Floats,
    formants: Iterable[tuple[Floats, float]],
    *,
    tilt: float,
    rate_hz: int,
    rng: np.random.Generator,
) -> Floats:
    """Harmonics of `pitch_hz`, as loud as formants (centre in Hz over time, width in Hz) and tilt say."""
    formants = list(formants)
    phase = 2.0 * np.pi * np.cumsum(pitch_hz) / rate_hz
    sound = np.zeros(len(time_s))
    for harmonic in range(1, int(min(9000.0, 0.45 * rate_hz) / np.min(pitch_hz)) + 1):
        frequency_hz = harmonic * pitch_hz
        throat = np.zeros(len(time_s))
        for centre_hz, width_hz in formants:
            throat += 1.0 / (1.0 + ((frequency_hz - centre_hz) / width_hz) ** 2) ** 0.75
        audible = frequency_hz < 0.45 * rate_hz
        sound += (
            harmonic**-tilt
            * (0.04 + throat)
            * audible
            * np.sin(harmonic * phase + 2.0 * np.pi * rng.random())
        )
    return sound


# --- the contact ----------------------------------------------------------------------------------


def contact_edges_s(closed_s: float, opened_s: float, rng: np.random.Generator) -> list[tuple[float, int]]:
    """Edges of one press: (time in seconds, +1 closes, −1 opens), bouncing as a good push button does.

    Bounce lasts 1.6 ms on average, 6.2 ms at most (Ganssle, "A Guide to Debouncing"); opening bounces less.
    """
    edges: list[tuple[float, int]] = [(closed_s, 1)]
    for start_s, mean_s, last in ((closed_s, 0.0016, 1), (opened_s, 0.0007, -1)):
        count = 2 * int(rng.integers(1, 5))
        apart_s = 0.00006  # metal that has let go takes a moment to meet again
        length_s = min(max(rng.gamma(2.0, mean_s / 2.0), count * apart_s), 0.0062)
        spread_s = np.sort(rng.random(count)) * (length_s - count * apart_s)
        times_s = start_s + spread_s + apart_s * np.arange(1, count + 1)
        edges += [(float(at_s), -last if i % 2 == 0 else last) for i, at_s in enumerate(times_s)]
        if last == 1:
            edges.append((opened_s, -1))
    return edges


def contact_channel(
    frames: int,
    rate_hz: int,
    presses_s: Sequence[tuple[float, float]],
    rng: np.random.Generator,
    *,
    ac_coupled: bool,
) -> Floats:
    """The contact's voltage as a recorder sees it; through a coupling capacitor only its changes are left."""
    level = np.zeros(frames)
    steps = []
    leak_s = 0.035  # the recorder's input high pass, 4.5 Hz
    for closed_s, opened_s in presses_s:
        for at_s, sign in contact_edges_s(closed_s, opened_s, rng):
            first = int(np.ceil(at_s * rate_hz))
            steps.append((first, sign))
            if ac_coupled:
                count = max(0, min(int(12 * leak_s * rate_hz), frames - first))
                time_s = (first + np.arange(count)) / rate_hz - at_s
                level[first : first + count] += sign * 0.4 * np.exp(-time_s / leak_s)
    if not ac_coupled:
        closed = 0
        for (first, sign), (until, _) in zip(steps, [*steps[1:], (frames, 0)], strict=True):
            closed += sign
            level[first:until] = 0.4 * closed
    second = np.arange(rate_hz) / rate_hz
    level += np.resize(0.0002 * np.sin(2.0 * np.pi * 50.0 * second), frames)
    level += 0.00002 * rng.standard_normal(frames, dtype=np.float32)
    return level


# --- whole recordings -----------------------------------------------------------------------------


def make_recording(
    prop: Prop = ATTIC_CRONE,
    *,
    trials: int = 10,
    way: Way = "contact",
    snr_db: float = 60.0,
    supply_v: float = 6.0,
    sag_v: float = 0.0,
    spacing_s: float = 4.5,
    lead_s: float = 1.2,
    misfires: Mapping[int, Misfire] | None = None,
    talk: bool = False,
    chirp: NDArray[np.float32] | None = None,
    chirp_path_s: float = 0.0,
    rate_hz: int = 48000,
    seed: int = 1,
) -> Recording:
    """Record `trials` presses of a prop, about `spacing_s` apart, the first about `lead_s` in.

    `snr_db` is the peak of an average impact over the rms of the room's noise. `sag_v` is what the batteries
    lose from the first press to the last. `misfires` maps a trial, counted from 1, to "slip" (the motor
    turns, nothing pops) or "dead" (silence). `talk` lets somebody murmur between the cycles.

    way: "contact" has the contact's level on channel 1 and the microphone on 2; "contact-ac" the same through
    a coupling capacitor; "click" one channel in which the button is heard; "list" one channel without any
    mark; "chirp" one channel in which `chirp` is heard `chirp_path_s` after each trigger.
    """
    if (way == "chirp") != (chirp is not None):
        raise ValueError('way "chirp" and an array of chirp samples belong together: give both or neither')
    rng = np.random.default_rng(seed)
    misfires = misfires or {}
    voice = prop_voice(prop)
    room = room_response(rate_hz, rng)
    frames = int((lead_s + trials * spacing_s) * rate_hz)
    microphone = shaped_noise(
        frames, rate_hz, [(20, -6), (60, 6), (250, 0), (1000, -10), (4000, -26), (12000, -40)], rng
    )
    microphone *= 10.0 ** (-snr_db / 20.0)

    truth: list[TrueTrial] = []
    presses_s: list[tuple[float, float]] = []
    for number in range(1, trials + 1):
        trigger_s = lead_s + (number - 1) * spacing_s + 0.3 * float(rng.random())
        presses_s.append((trigger_s, trigger_s + 0.09 + 0.16 * float(rng.random())))
        fault = misfires.get(number)
        volts = supply_v - sag_v * (number - 1) / max(1, trials - 1)
        first = int(trigger_s * rate_hz)
        inside_s = trigger_s - first / rate_hz
        dry, release_s, impact_s, stop_s = np.zeros(rate_hz // 2), None, None, None
        if fault != "dead":
            cycle = run_cycle(prop, volts, rng, slips=fault == "slip")
            cycle = _shifted(cycle, inside_s)
            dry, impact_s = cycle_sound(prop, voice, cycle, rate_hz, rng)
            release_s, stop_s = cycle.release_s, cycle.motor_stop_s
        if way == "click":
            add_knock(dry, rate_hz, voice.button, at_s=inside_s, level=0.22, rng=rng)
            let_go_s = presses_s[-1][1] - first / rate_hz
            add_knock(dry, rate_hz, voice.button, at_s=let_go_s, level=0.05, rng=rng)
        if chirp is not None:
            _add_late(dry, chirp * 0.25, (inside_s + chirp_path_s) * rate_hz)
        _add(microphone, convolve(dry, room), first)
        truth.append(
            TrueTrial(
                trigger_s=trigger_s,
                release_s=_plus(first / rate_hz, release_s),
                impact_s=_plus(first / rate_hz, impact_s),
                motor_stop_s=_plus(first / rate_hz, stop_s),
            )
        )
        if talk and number % 2 == 0 and stop_s is not None and spacing_s - stop_s > 1.5:
            speech = 10.0 ** (-36.0 / 20.0) * murmur(min(1.2, spacing_s - stop_s - 0.9), rate_hz, rng)
            _add(microphone, convolve(speech, room), first + round((stop_s + 0.4) * rate_hz))

    microphone *= FULL_SCALE_PEAK
    np.clip(microphone, -1.0, 1.0, out=microphone)
    columns = [microphone]
    if way in ("contact", "contact-ac"):
        columns.insert(0, contact_channel(frames, rate_hz, presses_s, rng, ac_coupled=way == "contact-ac"))
    return Recording(
        samples=np.stack(columns, axis=1, dtype=np.float32, casting="same_kind"),
        rate_hz=rate_hz,
        way=way,
        contact_channel=1 if len(columns) == 2 else None,
        microphone_channel=len(columns),
        trials=tuple(truth),
    )


def _plus(start_s: float, after_s: float | None) -> float | None:
    return None if after_s is None else start_s + after_s


def _shifted(cycle: Cycle, by_s: float) -> Cycle:
    """The same cycle, its knocks `by_s` later: the part of a sample between the frame and the trigger."""
    return replace(
        cycle,
        ratchet_s=tuple(at_s + by_s for at_s in cycle.ratchet_s),
        release_s=_plus(by_s, cycle.release_s),
        motor_stop_s=cycle.motor_stop_s + by_s,
    )


def _add(out: Floats, sound: Floats, first: int) -> None:
    end = min(len(out), first + len(sound))
    out[first:end] += sound[: end - first]


def _add_late(out: Floats, sound: NDArray[Any], late_frames: float) -> None:
    """Add a band-limited sound at a place between two samples."""
    whole = int(late_frames)
    size = 1 << int(np.ceil(np.log2(len(sound) + 64)))
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(size) * (late_frames - whole))
    moved = np.fft.irfft(np.fft.rfft(sound, size) * turn, size)
    _add(out, moved, whole)


# --- clips ----------------------------------------------------------------------------------------


def make_scream(rate_hz: int = 48000) -> MadeClip:
    """A breath drawn in, a moment held, then the scream."""
    rng = np.random.default_rng(31)
    onset_s, breath_end_s, hit_s, full_s, end_s = 0.06, 0.40, 0.46, 0.49, 1.75
    time_s = np.arange(int(1.95 * rate_hz)) / rate_hz

    breath = shaped_noise(
        len(time_s), rate_hz, [(300, -30), (900, -6), (1700, 0), (3200, -4), (9000, -26)], rng
    )
    gone = np.clip((time_s - onset_s) / (breath_end_s - onset_s), 0.0, 1.0)
    breath *= 0.028 * np.sin(np.pi * gone**1.4) ** 1.3

    since_s = np.maximum(time_s - hit_s, 0.0)
    pitch_hz = (
        640.0
        + 380.0 * (1.0 - np.exp(-since_s / 0.09))
        - 330.0 * np.clip((since_s - 0.35) / 0.95, 0, 1) ** 1.6
    )
    drift = np.cumsum(rng.standard_normal(len(time_s))) / np.sqrt(rate_hz)
    pitch_hz *= 1.0 + 0.012 * np.sin(2.0 * np.pi * 7.1 * time_s) + 0.012 * drift
    opening = 1.0 - np.exp(-since_s / 0.06)
    formants = [
        (820.0 + 260.0 * opening, 160.0),
        (1450.0 + 250.0 * opening, 220.0),
        (2900.0 + 0.0 * opening, 300.0),
        (4050.0 + 0.0 * opening, 420.0),
    ]
    voice = sung(time_s, pitch_hz, formants, tilt=0.35, rate_hz=rate_hz, rng=rng)
    rough = 1.0 + 0.55 * np.sin(2.0 * np.pi * 74.0 * time_s + 3.0 * drift)  # screams beat at 30 to 150 Hz
    hiss = shaped_noise(len(time_s), rate_hz, [(500, -20), (2000, 0), (5000, -2), (12000, -16)], rng)
    attack = np.clip((time_s - hit_s) / (full_s - hit_s), 0.0, 1.0) ** 1.5
    fall = np.clip((end_s - time_s) / 0.55, 0.0, 1.0) ** 1.2
    voice = (voice / np.sqrt(np.mean(voice**2)) * rough + 0.12 * hiss) * attack * fall

    dry = breath + 0.16 * voice
    wet = convolve(dry, room_response(rate_hz, rng, decay_s=0.5, tail_db=-18.0))[: len(time_s)]
    return _clip(wet[:, None], rate_hz, onset_s=onset_s, hit_s=hit_s, full_s=full_s)


def make_creak(rate_hz: int = 48000) -> MadeClip:
    """A low build-up: wood that sticks and slips ever faster over a growing rumble, cut off at its height."""
    rng = np.random.default_rng(32)
    onset_s, hit_s = 0.03, 0.86
    time_s = np.arange(int(1.05 * rate_hz)) / rate_hz
    grown = np.clip((time_s - onset_s) / (hit_s - onset_s), 0.0, 1.0)
    closing = np.clip((hit_s + 0.03 - time_s) / 0.03, 0.0, 1.0)

    rumble = shaped_noise(len(time_s), rate_hz, [(20, -20), (45, 0), (110, -3), (400, -30), (4000, -70)], rng)
    out = 0.16 * rumble * grown**2.0
    wood = _knock(rng, lowest_hz=330.0, modes=7, spread=1.38, decay_s=0.012, burst=0.15, burst_s=0.0006)
    slip_s = onset_s
    while slip_s < hit_s:
        done = (slip_s - onset_s) / (hit_s - onset_s)
        strength = (0.08 + 0.5 * done**1.3) * (0.8 + 0.4 * rng.random())
        add_knock(out, rate_hz, wood, at_s=slip_s, level=strength, rng=rng)
        slip_s += (1.0 + 0.12 * rng.standard_normal()) / (14.0 + 62.0 * done**1.5)
    out *= closing
    wet = convolve(out, room_response(rate_hz, rng, decay_s=0.5, tail_db=-18.0))[: len(time_s)]
    return _clip(wet[:, None], rate_hz, onset_s=onset_s, hit_s=hit_s, full_s=hit_s)


def make_sting(rate_hz: int = 48000) -> MadeClip:
    """A stab of close intervals, in stereo."""
    rng = np.random.default_rng(33)
    hit_s, full_s = 0.05, 0.056
    time_s = np.arange(int(1.7 * rate_hz)) / rate_hz
    since_s = np.maximum(time_s - hit_s, 0.0)
    attack = np.clip((time_s - hit_s) / (full_s - hit_s), 0.0, 1.0)
    sides = []
    for side in range(2):
        out = np.zeros(len(time_s))
        for note_hz in (146.8, 207.7, 220.0, 311.1, 622.3, 659.3):
            for harmonic in range(1, 13):
                frequency_hz = note_hz * harmonic * (1.0 + 0.004 * rng.standard_normal() + 0.001 * side)
                decay_s = 0.75 / harmonic**0.6
                phase = 2.0 * np.pi * (frequency_hz * since_s + rng.random())
                out += np.sin(phase) * np.exp(-since_s / decay_s) / harmonic**1.1
        scrape = shaped_noise(len(time_s), rate_hz, [(800, -12), (3000, 0), (9000, -10)], rng)
        out = 0.07 * out * attack + 0.12 * scrape * attack * np.exp(-since_s / 0.03)
        boom = _knock(rng, lowest_hz=62.0, modes=5, spread=1.7, decay_s=0.12, burst=0.3, burst_s=0.003)
        add_knock(out, rate_hz, boom, at_s=hit_s, level=0.5, rng=rng)
        sides.append(convolve(out, room_response(rate_hz, rng, decay_s=0.8, tail_db=-16.0))[: len(time_s)])
    return _clip(np.stack(sides, axis=1), rate_hz, onset_s=hit_s, hit_s=hit_s, full_s=full_s)


def _clip(samples: Floats, rate_hz: int, *, onset_s: float, hit_s: float, full_s: float) -> MadeClip:
    fade = np.clip((len(samples) - np.arange(len(samples))) / (0.04 * rate_hz), 0.0, 1.0)[:, None]
    samples = samples * fade * (0.89 / np.max(np.abs(samples)))
    return MadeClip(
        samples=samples.astype(np.float32), rate_hz=rate_hz, onset_s=onset_s, hit_s=hit_s, full_s=full_s
    )


# --- what is shipped ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Shipped:
    """One recording of the set: its name and the arguments of `make_recording`."""

    file: str
    prop: Prop
    way: Way
    settings: Mapping[str, Any]


RECORDINGS = (
    Shipped(
        file="attic-crone-contact.flac",
        prop=ATTIC_CRONE,
        way="contact",
        settings={
            "trials": 12,
            "snr_db": 62.0,
            "misfires": {8: "slip"},
            "sag_v": 0.06,
            "seed": 101,
            "spacing_s": 3.8,
            "rate_hz": 32000,
        },
    ),
    Shipped(
        file="attic-crone-tired-click.flac",
        prop=ATTIC_CRONE,
        way="click",
        settings={
            "trials": 5,
            "snr_db": 50.0,
            "supply_v": 5.1,
            "sag_v": 0.1,
            "seed": 102,
            "spacing_s": 4.2,
            "rate_hz": 24000,
        },
    ),
    Shipped(
        file="barrel-rat-contact-ac.flac",
        prop=BARREL_RAT,
        way="contact-ac",
        settings={"trials": 6, "snr_db": 56.0, "seed": 103, "spacing_s": 2.8, "rate_hz": 24000},
    ),
    Shipped(
        file="shelf-skull-list.flac",
        prop=SHELF_SKULL,
        way="list",
        settings={
            "trials": 5,
            "snr_db": 42.0,
            "misfires": {4: "dead"},
            "talk": True,
            "seed": 104,
            "spacing_s": 5.4,
            "rate_hz": 24000,
        },
    ),
)
CLIPS = {"scream.flac": make_scream, "creak.flac": make_creak, "sting.flac": make_sting}


def as_pcm16(samples: NDArray[np.float32]) -> NDArray[np.int16]:
    return np.round(np.clip(samples, -1.0, 1.0) * 32767.0).astype(np.int16)


def main(folder: Path) -> None:
    import soundfile  # so that tests need not write files

    truth: dict[str, Any] = {"recordings": {}, "clips": {}}
    for shipped in RECORDINGS:
        made = make_recording(shipped.prop, way=shipped.way, **shipped.settings)
        soundfile.write(folder / shipped.file, as_pcm16(made.samples), made.rate_hz, subtype="PCM_16")
        entry: dict[str, Any] = {
            "prop": shipped.prop.name,
            "way": made.way,
            "rate_hz": made.rate_hz,
            "contact_channel": made.contact_channel,
            "microphone_channel": made.microphone_channel,
            "supply_v": shipped.settings.get("supply_v", 6.0),
            "snr_db": shipped.settings["snr_db"],
        }
        if made.way == "list":
            entry["list"] = shipped.file.replace(".flac", ".txt")
            lines = [f"# seconds from the start of {shipped.file}, one press a line"]
            lines += [f"{trial.trigger_s:.4f}" for trial in made.trials]
            (folder / entry["list"]).write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")
        entry["trials"] = [_rounded(asdict(trial)) for trial in made.trials]
        truth["recordings"][shipped.file] = entry
    for file, make in CLIPS.items():
        clip = make()
        soundfile.write(folder / file, as_pcm16(clip.samples), clip.rate_hz, subtype="PCM_16")
        truth["clips"][file] = {
            "rate_hz": clip.rate_hz,
            "onset_s": clip.onset_s,
            "hit_s": clip.hit_s,
            "full_s": clip.full_s,
        }
    text = json.dumps(truth, indent=1) + "\n"
    (folder / "truth.json").write_text(text, encoding="utf-8", newline="\n")


def _rounded(times_s: dict[str, float | None]) -> dict[str, float | None]:
    return {name: None if time_s is None else round(time_s, 7) for name, time_s in times_s.items()}


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
