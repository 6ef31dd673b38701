"""A pop that is awaited beside a loudspeaker: heard, missing, or not sure; on made sounds and real ones."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import fftconvolve

from cuesync.hearing.awaited import LATEST_S, STEP_S, AwaitedPop, Finding, Stretch, Verdict, sudden_sounds
from tests import outside

Line = NDArray[np.float64]

RATE_HZ = 44100
TRIGGER_S = 500.0
POP_S = TRIGGER_S + 0.8
EARLY_S, LATE_S = POP_S - 0.06, POP_S + 0.06
END_S = LATE_S + 0.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Room:
    """What comes to one microphone; levels are rms of the loudest 10 ms, and the pop's is 0.1."""

    scream: Line
    scream_level: float
    lag_s: float = 0.05
    rate_hz: int = RATE_HZ
    seed: int = 1
    motor: float = 0.002

    def cue(
        self, number: int, pop_at_s: float | None = POP_S, *, scream_at_s: float = POP_S - 0.02
    ) -> tuple[Stretch, Stretch]:
        """What was heard and what was played; the scream is heard from `scream_at_s` on."""
        random = np.random.default_rng([self.seed, number])
        rate = self.rate_hz
        frames = round((END_S - TRIGGER_S) * rate)
        heard = self.motor * random.standard_normal(frames)
        played = np.zeros(frames)
        for at_s in np.arange(TRIGGER_S + 0.1, EARLY_S - 0.02, 0.08):
            _add(heard, _bang(random, rate, 0.03), at_s, rate)  # a ratchet
        if pop_at_s is not None:
            _add(heard, _bang(random, rate, 0.1), pop_at_s, rate)
        loud = self.scream / _level(self.scream, rate)
        echo = np.zeros(round(0.2 * rate))
        echo[0] = 1.0
        tail = np.arange(len(echo)) / rate
        echo += 0.02 * random.standard_normal(len(echo)) * np.exp(-tail / 0.05) * (tail > 0.003)
        in_room = fftconvolve(np.tanh(loud / 4.0), echo)[: len(loud)]
        _add(heard, self.scream_level * in_room / _level(in_room, rate), scream_at_s, rate)
        _add(played, loud / np.abs(loud).max(), scream_at_s - self.lag_s, rate)
        return _stretch(heard, rate), _stretch(played, rate)


def _stretch(line: Line, rate_hz: int) -> Stretch:
    return Stretch(samples=line[:, None].astype(np.float32), rate_hz=rate_hz, start_s=TRIGGER_S)


def _level(line: Line, rate_hz: int) -> float:
    width = rate_hz // 100
    sums = np.cumsum(np.pad(line**2, (1, 0)))
    return float(np.sqrt((sums[width:] - sums[:-width]).max() / width))


def _bang(random: np.random.Generator, rate_hz: int, level: float) -> Line:
    times_s = np.arange(rate_hz // 10) / rate_hz
    line = random.standard_normal(len(times_s)) * np.exp(-times_s / 0.015)
    return np.asarray(level * line / _level(line, rate_hz), dtype=np.float64)


def _add(line: Line, sound: Line, at_s: float, rate_hz: int) -> None:
    at = round((at_s - TRIGGER_S) * rate_hz)
    part = line[max(at, 0) : at + len(sound)]
    part += sound[max(-at, 0) : max(-at, 0) + len(part)]


def _voice(rate_hz: int = RATE_HZ, seed: int = 7) -> Line:
    """A hoarse voice that sets in within 4 ms."""
    random = np.random.default_rng(seed)
    times_s = np.arange(round(0.8 * rate_hz)) / rate_hz
    line = 0.4 * random.standard_normal(len(times_s))
    for part in range(1, 10):
        line += np.sin(2 * np.pi * 600.0 * part * times_s + 2.0 * np.sin(35.0 * times_s)) / part
    return np.asarray(line * np.clip(times_s / 0.004, 0.0, 1.0), dtype=np.float64)


def _listen(ear: AwaitedPop, sounds: tuple[Stretch, Stretch | None]) -> Finding:
    return ear.listen(*sounds, EARLY_S, LATE_S)


@cache
def _three_pops(rate_hz: int) -> AwaitedPop:
    ear = AwaitedPop()
    soft = Room(scream=_voice(rate_hz), scream_level=0.003, rate_hz=rate_hz)
    for number in range(3):
        assert _listen(ear, soft.cue(100 + number)).verdict is Verdict.HEARD
    return ear


def _taught(room: Room) -> AwaitedPop:
    """An ear that has heard three pops of this prop while the scream was soft."""
    return deepcopy(_three_pops(room.rate_hz))


@pytest.mark.parametrize("rate_hz", [44100, 48000, 22050])
@pytest.mark.parametrize("pop_s", [POP_S - 0.03, POP_S, POP_S + 0.045])
def test_a_pop_is_heard_to_the_sample_where_the_scream_is_soft(rate_hz: int, pop_s: float) -> None:
    room = Room(scream=_voice(rate_hz), scream_level=0.02, rate_hz=rate_hz)
    finding = _listen(AwaitedPop(), room.cue(1, pop_s))
    assert finding.verdict is Verdict.HEARD
    assert finding.at_s == pytest.approx(pop_s, abs=2.0 / rate_hz + 1e-9)


@settings(max_examples=25)
@given(
    level_db=st.floats(-30.0, 40.0),
    lag_s=st.floats(-0.04, 0.3),
    scream_after_s=st.floats(-0.4, 0.15),
    seed=st.integers(0, 10_000),
    taught=st.booleans(),
)
def test_no_pop_is_heard_where_there_is_only_the_scream(
    level_db: float, lag_s: float, scream_after_s: float, seed: int, taught: bool
) -> None:
    room = Room(scream=_voice(seed=seed), scream_level=0.1 * 10 ** (level_db / 20), lag_s=lag_s, seed=seed)
    ear = _taught(room) if taught else AwaitedPop()
    finding = _listen(ear, room.cue(1, None, scream_at_s=POP_S + scream_after_s))
    assert finding.verdict is not Verdict.HEARD


@settings(max_examples=25)
@given(
    level_db=st.floats(-30.0, 40.0),
    pop_after_s=st.floats(-0.05, 0.05),
    seed=st.integers(0, 10_000),
)
def test_a_pop_that_came_is_never_called_missing(level_db: float, pop_after_s: float, seed: int) -> None:
    room = Room(scream=_voice(seed=seed), scream_level=0.1 * 10 ** (level_db / 20), seed=seed)
    finding = _listen(_taught(room), room.cue(1, POP_S + pop_after_s))
    assert finding.verdict is not Verdict.MISSING
    if finding.at_s is not None:
        assert finding.at_s == pytest.approx(POP_S + pop_after_s, abs=0.01)


def test_missing_is_said_once_the_pop_is_known_and_nothing_covers_it() -> None:
    room = Room(scream=_voice(), scream_level=0.01)
    new = _listen(AwaitedPop(), room.cue(1, None))
    assert new.verdict is Verdict.UNSURE
    assert "has not heard 3 pops of this prop yet" in new.reason
    assert _listen(_taught(room), room.cue(1, None)) == Finding(verdict=Verdict.MISSING)


def test_not_sure_where_the_scream_covers_the_pop() -> None:
    room = Room(scream=_voice(), scream_level=1.0)
    for number, pop_s in enumerate((None, POP_S)):
        finding = _listen(_taught(room), room.cue(number, pop_s))
        assert finding.verdict is Verdict.UNSURE
        assert "covered" in finding.reason


def test_without_knowing_what_is_played_the_scream_would_be_the_pop() -> None:
    """What the played sound is for."""
    heard, played = Room(scream=_voice(), scream_level=0.3).cue(1, None)
    assert _listen(AwaitedPop(), (heard, None)).verdict is Verdict.HEARD
    assert _listen(AwaitedPop(), (heard, played)).verdict is Verdict.UNSURE


@pytest.mark.parametrize("seed", range(6))
def test_a_short_scream_beside_a_loud_motor_is_known_all_the_same(seed: int) -> None:
    """Where it comes in can't be told from its rise and fall: ratchet clicks rise and fall as well."""
    ear, short = AwaitedPop(), _voice(seed=seed)[: RATE_HZ * 3 // 20]
    room = Room(scream=short, scream_level=0.1, lag_s=0.11, seed=seed, motor=0.02)
    heard, played = room.cue(1, None, scream_at_s=POP_S - 0.03)
    assert _listen(ear, (heard, played)).verdict is Verdict.UNSURE
    assert int(np.argmax(ear._matches[0])) * STEP_S == pytest.approx(LATEST_S - 0.11, abs=1.5 * STEP_S)
    assert _listen(AwaitedPop(), (heard, None)).verdict is Verdict.HEARD


def test_two_loudspeakers_may_have_different_ways() -> None:
    room, late = (
        Room(scream=_voice(seed=seed), scream_level=0.3, lag_s=lag_s) for seed, lag_s in ((1, 0.02), (2, 0.2))
    )
    heard, played = room.cue(1, None)
    more, played_late = late.cue(2, None, scream_at_s=POP_S + 0.01)
    line = heard.samples[:, 0].astype(np.float64) + more.samples[:, 0]
    both = np.concatenate([played.samples, played_late.samples], axis=1)
    sounds = (_stretch(line, RATE_HZ), Stretch(samples=both, rate_hz=RATE_HZ, start_s=TRIGGER_S))
    assert _listen(AwaitedPop(), sounds).verdict is Verdict.UNSURE


def test_a_bang_in_the_scream_is_no_pop() -> None:
    """A door that slams in the clip, just when the pop is due."""
    scream = np.concatenate([0.02 * _voice()[:882], _bang(np.random.default_rng(3), RATE_HZ, 1.0)])
    room = Room(scream=scream, scream_level=0.1)
    for number in range(5):
        assert _listen(_taught(room), room.cue(number, None)).verdict is Verdict.UNSURE


def test_the_outputs_are_told_apart() -> None:
    """The loud output is in another room; the soft one is here."""
    room = Room(scream=_voice(), scream_level=0.3)
    heard, here = room.cue(1, None)
    _, elsewhere = Room(scream=_voice(seed=9), scream_level=0.3).cue(2, None, scream_at_s=POP_S - 0.4)
    both = np.concatenate([elsewhere.samples, 0.05 * here.samples], axis=1)
    played = Stretch(samples=both, rate_hz=RATE_HZ, start_s=TRIGGER_S)
    assert _listen(_taught(room), (heard, played)).verdict is Verdict.UNSURE
    loud, _ = Room(scream=_voice(), scream_level=0.003).cue(3)
    assert _listen(_taught(room), (loud, played)).verdict is Verdict.HEARD


def test_a_ratchet_inside_the_window_is_no_pop() -> None:
    room = Room(scream=_voice(), scream_level=0.01)
    heard, played = room.cue(1, None)
    line = heard.samples[:, 0].astype(np.float64)
    _add(line, _bang(np.random.default_rng(8), RATE_HZ, 0.03), POP_S, RATE_HZ)
    assert _listen(_taught(room), (_stretch(line, RATE_HZ), played)).verdict is Verdict.MISSING


def test_a_bang_after_the_window_leaves_it_open() -> None:
    room = Room(scream=_voice(), scream_level=0.01)
    finding = _listen(_taught(room), room.cue(1, LATE_S + 0.05))
    assert finding.verdict is Verdict.UNSURE
    assert "after the time in which the pop is expected" in finding.reason


@pytest.mark.parametrize("offset", [0.0, 0.3])
def test_a_dead_microphone_is_no_misfire(offset: float) -> None:
    room = Room(scream=_voice(), scream_level=0.01)
    heard, played = room.cue(1, None)
    dead = Stretch(samples=np.full_like(heard.samples, offset), rate_hz=RATE_HZ, start_s=TRIGGER_S)
    finding = _listen(_taught(room), (dead, played))
    assert finding == Finding(verdict=Verdict.UNSURE, reason="the microphone is silent")


def test_card_and_microphone_may_have_different_rates() -> None:
    room = Room(scream=_voice(48000), scream_level=0.3, rate_hz=48000)
    heard, _ = room.cue(1, None)
    _, played = Room(scream=_voice(22050), scream_level=0.3, rate_hz=22050).cue(1, None)
    assert _listen(_taught(room), (heard, played)).verdict is Verdict.UNSURE


def test_sound_that_does_not_cover_the_window_is_refused() -> None:
    heard, played = Room(scream=_voice(), scream_level=0.1).cue(1)
    with pytest.raises(ValueError, match="does not cover the window"):
        AwaitedPop().listen(heard, played, TRIGGER_S - 0.1, LATE_S)


def test_sudden_sounds_are_found_and_slow_ones_not() -> None:
    random = np.random.default_rng(6)
    line = 0.002 * random.standard_normal(2 * RATE_HZ)
    swell = np.sin(np.pi * np.arange(RATE_HZ // 2) / (RATE_HZ // 2)) * random.standard_normal(RATE_HZ // 2)
    _add(line, 0.1 * swell, TRIGGER_S + 0.2, RATE_HZ)
    _add(line, _bang(random, RATE_HZ, 0.1), TRIGGER_S + 1.0, RATE_HZ)
    _add(line, _bang(random, RATE_HZ, 0.1), TRIGGER_S + 1.1, RATE_HZ)  # its echo
    assert sudden_sounds(_stretch(line, RATE_HZ)) == pytest.approx([TRIGGER_S + 1.0], abs=0.006)


@pytest.mark.outside_data
@pytest.mark.parametrize("scream", ["DSPLPAIN", "DSPODTH1", "DSBRSSIT", "DSCYBSIT"])
@pytest.mark.parametrize("click", ["3a-1.wav", "24-1.wav"])
def test_real_screams_and_springs(scream: str, click: str) -> None:
    """freedoom's screams 10 dB above and below bucklespring's clicks."""
    samples, rate_hz = outside.lump(scream)
    times = np.arange(0.0, len(samples) - 1, rate_hz / RATE_HZ)
    clip = np.interp(times, np.arange(len(samples)), samples)
    spring32, spring_rate_hz = outside.sound("bucklespring-data", click)
    assert spring_rate_hz == RATE_HZ
    spring = spring32.astype(np.float64)
    spring = spring[np.argmax(np.abs(spring) >= 0.02 * np.abs(spring).max()) :]
    for level_db in (-10.0, 10.0):
        room = Room(scream=clip, scream_level=0.1 * 10 ** (level_db / 20))
        ear = AwaitedPop()
        for number in range(6):
            heard, played = room.cue(number, None)
            line = heard.samples[:, 0].astype(np.float64)
            if number != 5:
                _add(line, 0.3 * spring / _level(spring, RATE_HZ), POP_S, RATE_HZ)
            finding = _listen(ear, (_stretch(line, RATE_HZ), played))
            assert finding.verdict is not (Verdict.HEARD if number == 5 else Verdict.MISSING)
            if finding.at_s is not None:
                assert finding.at_s == pytest.approx(POP_S, abs=0.005)
