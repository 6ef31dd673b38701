"""How well a microphone hears the pop beside the scream: nights of one prop, put together from real sounds.

    python tests/bench/microphone.py              fifteen nights of twenty scares at each level, ten minutes
    python tests/bench/microphone.py --nights 5   fewer
    python tests/bench/microphone.py --worst      names what went wrong as well

Pops, ratchets, motors and rooms are those of `pops.py`: a real snap, ratchet clicks 6 to 14 dB softer up to
the moment of the pop, a motor 25 dB softer, a rebound. A real scream (freedoom, freedink, hedgewars) comes
out of a loudspeaker (band limits, saturation) 10 to 120 ms after it was handed over, through another room,
its hit 10 ms after the median pop. In every second scare a guest screams, 0 to 20 dB softer than the pop,
from 0.3 s before to 0.6 s after it. The prop fails in a quarter of the scares, but not in the first four.
Levels are rms of the loudest 10 ms at the microphone; the ratio is the pop over the scream.

The rows "worked on" take the half of the sounds on which the limits were chosen, "held out" the other half.
After the first reading one thing was changed: waveforms are matched instead of rise and fall, for the sake of
a false bang in "worked on".
The rows "sound not known" get the same microphone without the played sound: what knowing it is worth.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cuesync.hearing.awaited import AHEAD_S, BEHIND_S, EARLIEST_S, LATEST_S, AwaitedPop, Stretch, Verdict
from cuesync.hearing.hits import find_hit
from cuesync.plan.listening import listening_s
from tests import outside
from tests.bench import pops

Samples = NDArray[np.float64]
T = TypeVar("T")

RATE_HZ = pops.RATE_HZ
RATIOS_DB = (20, 10, 0, -10)
SCARES = 20
BEFORE_S = 1.5
FAILS = 0.25
WRONG_S = 0.015

LUMPS = (
    *("DSPLPAIN", "DSPODTH1", "DSBRSSIT", "DSCYBSIT", "DSPEPAIN", "DSVILSIT", "DSKNTDTH", "DSSGTSIT"),
    *("DSPOPAIN", "DSMANSIT"),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scare:
    """One press at host time 0; `pop_s` is None where the prop failed."""

    heard: Stretch
    played: Stretch
    early_s: float
    late_s: float
    pop_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Props:
    """What nights are put together from."""

    snaps: list[pops.Snap]
    ratchets: list[Samples]
    motors: list[tuple[str, Samples]]
    screams: list[tuple[str, Samples]]
    guests: list[tuple[str, Samples]]


def screams() -> list[tuple[str, Samples]]:
    named = [(name, pops.mono(*outside.lump(name))) for name in LUMPS]
    named.append(("wscream.wav", pops.mono(*outside.sound("freedink-data", "wscream.wav"))))
    named += pops.hedgewars("voices/Default/Nooo.ogg", "voices/Default/Ow1.ogg")
    return [(name, pops.fill(line)) for name, line in named]


def halves() -> Iterator[tuple[str, Props]]:
    every, _ = pops.snaps()
    ratchets, motors, voices = pops.ratchets(), pops.motors(), screams()
    for name, first in (("worked on", 0), ("held out", 1)):
        yield (
            name,
            Props(
                snaps=every[first::2],
                ratchets=ratchets[first::2],
                motors=motors[first::2],
                screams=voices[first::2],
                guests=voices,
            ),
        )


def drawn(items: Sequence[T], rng: np.random.Generator) -> T:
    return items[int(rng.integers(len(items)))]


def at_level(line: Samples, level: float) -> Samples:
    return line * (level / pops.loudest(line)[1])


def loudspeaker(line: Samples, rng: np.random.Generator) -> Samples:
    """Two band limits of first order, and some saturation."""
    edges = np.array([rng.uniform(80.0, 250.0), rng.uniform(7_000.0, 14_000.0)]) / (RATE_HZ / 2)
    b, a = butter(1, edges, "band")
    return np.asarray(lfilter(b, a, np.tanh(1.5 * line)), dtype=np.float64)


def night(props: Props, ratio_db: float, rng: np.random.Generator) -> Iterator[tuple[str, Scare]]:
    """One prop, one place of the microphone, one clip."""
    snap, ratchet = drawn(props.snaps, rng), drawn(props.ratchets, rng)
    (motor_name, motor), (name, clip) = drawn(props.motors, rng), drawn(props.screams, rng)
    delay_s, sd_s = rng.uniform(0.6, 1.2), rng.uniform(0.003, 0.012)
    hit_s = find_hit(clip[:, None].astype(np.float32), RATE_HZ, "auto").at_s
    cut_s = max(0.0, hit_s - delay_s - 0.01)
    start_s = delay_s + 0.01 - hit_s + cut_s
    lag_s = rng.uniform(0.01, 0.12)
    prop_room, speaker_room = pops.room(rng), pops.room(rng)
    level = pops.loudest(snap.samples)[1]
    loud = at_level(pops.through(loudspeaker(clip, rng), speaker_room), level * 10.0 ** (-ratio_db / 20.0))[
        round(cut_s * RATE_HZ) :
    ]
    beat_s, click_db = rng.uniform(0.05, 0.12), -rng.uniform(6.0, 14.0)
    rebound_s, rebound_db = rng.uniform(0.05, 0.15), -rng.uniform(4.0, 10.0)
    known_s = delay_s + sd_s * rng.standard_normal(12)
    early_s, late_s = listening_s(float(np.median(known_s)), tuple(known_s))
    fails = 4 + rng.permutation(SCARES - 4)[: round(FAILS * SCARES)]
    frames = round((BEFORE_S + late_s + BEHIND_S + EARLIEST_S + 0.1) * RATE_HZ)

    def at(time_s: float) -> int:
        return round((BEFORE_S + time_s) * RATE_HZ)

    for scare in range(SCARES):
        comes = scare not in fails
        pop_s = delay_s + sd_s * rng.standard_normal()
        dry = np.zeros(frames)
        if comes:
            body = snap.samples[snap.start :]
            pitch = 1.0 + 0.01 * rng.standard_normal()
            body = np.interp(np.arange(int(len(body) / pitch)) * pitch, np.arange(len(body)), body)
            body = body - 0.25 * rng.random() * np.concatenate([[0.0], body[:-1]])
            body = body * 10.0 ** (rng.normal(0.0, 1.5) / 20.0)
            pops.put(dry, body, at(pop_s))
            pops.put(dry, body * 10.0 ** (rebound_db / 20.0), at(pop_s + rebound_s))
        tick_s = 0.06 + beat_s * rng.random()
        while tick_s < (pop_s - 0.01 if comes else 1.4 * delay_s):
            pops.put(dry, ratchet * 10.0 ** ((click_db + rng.normal(0.0, 1.0)) / 20.0), at(tick_s))
            tick_s += beat_s * (1.0 + 0.03 * rng.standard_normal())
        heard = pops.through(dry, prop_room)[:frames]
        heard += level * 10.0 ** (-25.0 / 20.0) * pops.endless(motor, frames, rng)
        played = np.zeros(frames)
        pops.put(played, clip[round(cut_s * RATE_HZ) :], at(start_s - lag_s))
        pops.put(heard, loud, at(start_s))
        if rng.random() < 0.5:
            guest = pops.through(drawn(props.guests, rng)[1], speaker_room)
            guest = at_level(guest, level * 10.0 ** (rng.uniform(-20.0, 0.0) / 20.0))
            pops.put(heard, guest, min(at(pop_s + rng.uniform(-0.3, 0.6)), frames))
        from_s = max(0.0, early_s - AHEAD_S)
        yield (
            f"{snap.name}, {name}, {motor_name}, scare {scare + 1}",
            Scare(
                heard=stretch(heard, from_s, late_s + BEHIND_S),
                played=stretch(played, from_s - LATEST_S, late_s + BEHIND_S + EARLIEST_S),
                early_s=early_s,
                late_s=late_s,
                pop_s=pop_s if comes else None,
            ),
        )


def stretch(line: Samples, from_s: float, to_s: float) -> Stretch:
    first, end = (round((BEFORE_S + time_s) * RATE_HZ) for time_s in (from_s, to_s))
    samples = np.ascontiguousarray(line[first : end + 1, None], dtype=np.float32)
    return Stretch(samples=samples, rate_hz=RATE_HZ, start_s=first / RATE_HZ - BEFORE_S)


def row(props: Props, ratio_db: float, nights: int, *, known: bool, worst: bool) -> str:
    rng = np.random.default_rng(1)
    counts: Counter[tuple[bool, str]] = Counter()
    errors_ms: list[float] = []
    bad: list[str] = []
    for _ in range(nights):
        ear = AwaitedPop()
        for name, scare in night(props, ratio_db, rng):
            found = ear.listen(scare.heard, scare.played if known else None, scare.early_s, scare.late_s)
            verdict = str(found.verdict)
            if scare.pop_s is not None and found.at_s is not None:
                errors_ms.append(1000.0 * abs(found.at_s - scare.pop_s))
                if errors_ms[-1] > 1000.0 * WRONG_S:
                    verdict = "wrong"
            counts[scare.pop_s is not None, verdict] += 1
            if verdict in ("wrong", Verdict.HEARD if scare.pop_s is None else Verdict.MISSING):
                bad.append(f"      {verdict} ({'pop' if scare.pop_s is not None else 'no pop'}): {name}")
    shares = []
    for comes, verdicts in (
        (True, ("heard", "wrong", "unsure", "missing")),
        (False, ("missing", "unsure", "heard")),
    ):
        every = sum(count for (there, _), count in counts.items() if there is comes)
        shares.append("".join(f"{100.0 * counts[comes, verdict] / every:8.1f}" for verdict in verdicts))
    middle, high = np.percentile(errors_ms, [50, 90]) if errors_ms else (np.nan, np.nan)
    line = f"{ratio_db:>4} dB {shares[0]}   | {shares[1]}   | {middle:8.2f} {high:8.2f}"
    return "\n".join([line, *(bad if worst else [])])


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--nights", type=int, default=15)
    parser.add_argument("--worst", action="store_true")
    asked = parser.parse_args()
    scares = asked.nights * SCARES
    print(
        f"{scares} scares a row; per cent of those with a pop, and of those without; error in ms, absolute\n"
    )
    head = (
        f"{'pop over':<8}{'heard':>8}{'wrong':>8}{'unsure':>8}{'misfire':>8}   | {'misfire':>7}{'unsure':>8}"
    )
    head += f"{'heard':>8}   | {'median':>8} {'90 %':>8}"
    for half, props in halves():
        for known in (True, False):
            print(f"{half}{'' if known else ', sound not known'}\n{head}")
            for ratio_db in RATIOS_DB:
                print(row(props, ratio_db, asked.nights, known=known, worst=asked.worst), flush=True)
            print()


if __name__ == "__main__":
    main()
