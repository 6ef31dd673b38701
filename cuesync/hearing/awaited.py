"""A pop that is awaited: heard, missing, or covered by what the loudspeakers play meanwhile.

What a microphone hears and what was played become power in bands, in steps of `STEP_S`. How loud the played
sound is at the microphone is fitted to each cue anew, band by band and output by output, as a direct part
and two tails (multiplicative updates under the Itakura-Saito divergence: Févotte, Bertin & Durrieu,
"Nonnegative matrix factorization with the Itakura-Saito divergence", Neural Computation 21, 2009, with the
patterns held). Only a sudden sound counts that this can't explain and that outdoes all that was heard before
the pop was due: ratchet clicks, say.

Powers are added, never phases: the two clocks may drift, the loudspeaker may distort, and the way of the
sound need not be known. The price is that a pop must outshine the scream for a moment in some band.

Whether a missing pop would have been heard is asked of the same detector: the usual pop of this prop, a few
decibels weaker, is added at every moment at which it was due. Where one such moment goes unnoticed the
answer is "not sure".
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from cuesync.hearing import picker

Samples = NDArray[np.float32]
Powers = NDArray[np.float64]

STEP_S = 0.00125
WINDOW_S = 0.005
EDGES_HZ = (150.0, 400.0, 800.0, 1500.0, 2500.0, 4000.0, 6000.0, 9000.0, 14000.0)
"""Limits of the bands; those above half the rate are left out."""

AFTER_STEPS = 4
BEFORE_STEPS = (3, 20)
LEAK_STEPS = 6
"""5 ms of sound are weighed against the 4 to 25 ms before, and against all that is played within 7.5 ms."""

LEAK_MARGIN = 4.0
BEFORE_MARGIN = 1.25
"""Power over what is played, and over what was heard before, from which a band counts."""

MOST_DB = 15.0
LEAST_DB = 8.0
"""What one band may add, and the sum from which a sound is a bang."""

TAILS_S = (0.015, 0.06)
MATCH_HZ = (300.0, 8000.0)
MATCH_EVENED = 0.85
MATCH_KEPT = 0.3
"""Which band is matched, how far its spectrum is evened out, and how much of the cues before counts."""

LATEST_S = 0.35
EARLIEST_S = 0.05
"""Sound is heard up to `LATEST_S` after it was handed over; or `EARLIEST_S` before, where a driver reports a
longer way in than there is."""

FIT_ROUNDS = 30

WEAKER_DB = 6.0
LEAST_POPS = 3
KEPT_POPS = 9
"""A missing pop counts as `WEAKER_DB` weaker than the usual one, once `LEAST_POPS` were heard."""

MUCH_WEAKER_DB = 12.0
"""What is weaker than the usual pop by more than this is none."""

BANG_DB = 40.0
APART_S = 0.25
"""A bang as a person claps or knocks; those that follow sooner are its echo."""

FIRST_STAGE_S = 0.09
"""How far ahead of its loudest bang a pop may begin."""

AHEAD_S = 1.0
BEHIND_S = 0.3
"""How much sound before and after the window is of use, from the trigger on."""


SILENT = 1e-5
"""A microphone that hears less than this (rms; a third of the smallest step of 16 bits) hears nothing."""

_SILENCE = 1e-20
_NOTHING = 1e-30


class Verdict(StrEnum):
    HEARD = "heard"
    MISSING = "missing"
    UNSURE = "unsure"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretch:
    """Sound, float32 (frames, channels), whose first sample is at `start_s`."""

    samples: Samples
    rate_hz: int
    start_s: float

    @property
    def end_s(self) -> float:
        return self.start_s + len(self.samples) / self.rate_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """`at_s`: when the pop came, where it was heard. `reason`: why nothing can be said, where it can't."""

    verdict: Verdict
    at_s: float | None = None
    reason: str = ""


class AwaitedPop:
    """The pops of one prop at one microphone; it learns how loud they are there as the night goes on."""

    def __init__(self) -> None:
        self._pops: deque[Powers] = deque(maxlen=KEPT_POPS)
        self._matches: dict[int, Powers] = {}

    def listen(self, heard: Stretch, played: Stretch | None, early_s: float, late_s: float) -> Finding:
        """Look for a pop between `early_s` and `late_s`, in the clock of both stretches.

        `heard` has one channel; `played` has one for each output, None where nothing was played, as it was
        handed to the sound card, from `LATEST_S` before `heard` begins to `EARLIEST_S` after it ends.
        ValueError where `heard` does not cover the window.
        """
        if heard.start_s > early_s or heard.end_s < late_s:
            raise ValueError(
                f"the sound heard from {heard.start_s} s to {heard.end_s} s does not cover the window from "
                f"{early_s} s to {late_s} s"
            )
        if float(heard.samples.std()) < SILENT:
            return Finding(verdict=Verdict.UNSURE, reason="the microphone is silent")
        levels = _levels(heard.samples[:, 0], heard.rate_hz)
        leak = np.zeros_like(levels)
        if played is not None:
            leak = _leak(levels, self._patterns(heard, played, levels.shape[1]))
        first, last = (
            int(np.clip(round((at_s - heard.start_s) / STEP_S), 0, levels.shape[1] - 1))
            for at_s in (early_s, late_s)
        )
        scale = _Scale(levels, leak, first)
        power = scale.excess.sum(axis=0)
        usual = self._usual()
        bangs = scale.strengths() >= LEAST_DB
        if usual is not None:
            bangs &= power >= usual.sum() * 10.0 ** (-MUCH_WEAKER_DB / 10.0)
        if bangs[first : last + 1].any():
            loudest = first + int(np.argmax(np.where(bangs, power, 0.0)[first : last + 1]))
            self._pops.append(scale.excess[:, loudest])
            begin = max(first, loudest - round(FIRST_STAGE_S / STEP_S))
            step = begin + int(np.argmax(bangs[begin : loudest + 1]))
            return Finding(verdict=Verdict.HEARD, at_s=heard.start_s + _start_s(heard, step))
        return self._without_pop(scale, usual, bangs, first, last)

    def _without_pop(
        self, scale: _Scale, usual: Powers | None, bangs: NDArray[np.bool_], first: int, last: int
    ) -> Finding:
        if usual is None:
            reason = (
                f"the microphone heard none, and has not heard {LEAST_POPS} pops of this prop yet, "
                "from which it knows how loud they are"
            )
        elif bangs[last + 1 :].any():
            reason = "a bang came after the time in which the pop is expected"
        elif (scale.strengths(usual * 10.0 ** (-WEAKER_DB / 10.0))[first : last + 1] < LEAST_DB).any():
            reason = "the microphone heard none, but other sound may have covered it"
        else:
            return Finding(verdict=Verdict.MISSING)
        return Finding(verdict=Verdict.UNSURE, reason=reason)

    def _patterns(self, heard: Stretch, played: Stretch, steps: int) -> list[Powers]:
        """How the sound of each output that plays would come in, as levels: direct, and its tails."""
        lags = round((LATEST_S + EARLIEST_S) / STEP_S)
        patterns = []
        for output, line in enumerate(played.samples.T):
            if not line.any():
                continue
            # on the clock of what was heard, from as early as its sound can have been handed over
            frames = len(heard.samples) + round((LATEST_S + EARLIEST_S) * heard.rate_hz)
            at_s = heard.start_s - LATEST_S - played.start_s + np.arange(frames) / heard.rate_hz
            sound = np.interp(at_s * played.rate_hz, np.arange(len(line)), line, left=0.0, right=0.0)
            match = _match(heard.samples[:, 0], sound, heard.rate_hz, lags)
            if output in self._matches:
                match += MATCH_KEPT * self._matches[output]
            self._matches[output] = match
            lag = int(np.argmax(match))
            levels = _levels(sound, heard.rate_hz, steps + lags)
            patterns += [each[:, lag : lag + steps] for each in (levels, *_tails(levels))]
        return patterns

    def _usual(self) -> Powers | None:
        if len(self._pops) < LEAST_POPS:
            return None
        usual: Powers = np.exp(np.median(np.log(np.maximum(self._pops, _NOTHING)), axis=0))
        return usual


class _Scale:
    """What every moment is weighed against."""

    def __init__(self, levels: Powers, leak: Powers, first: int) -> None:
        self._after = _mean_ahead(levels, AFTER_STEPS)
        near, far = BEFORE_STEPS
        before = np.zeros_like(levels)
        for back in range(near, far + 1):
            np.maximum(before[:, back:], levels[:, :-back], out=before[:, back:])
        floor = before.copy()
        before *= BEFORE_MARGIN
        around = leak.copy()
        for shift in range(1, LEAK_STEPS + 1):
            np.maximum(around[:, shift:], leak[:, :-shift], out=around[:, shift:])
            np.maximum(around[:, :-shift], leak[:, shift:], out=around[:, :-shift])
        around *= LEAK_MARGIN
        ahead = max(0, first - AFTER_STEPS)
        unexplained = np.where(self._after > around, self._after, 0.0)[:, :ahead]
        earlier = BEFORE_MARGIN * unexplained.max(axis=1, initial=0.0)
        tiny = 1e-9 * float(levels.max(initial=0.0)) + _SILENCE
        self._against = np.maximum(np.maximum(before, around), np.maximum(earlier, tiny)[:, None])
        self.excess = np.maximum(self._after - floor - around / LEAK_MARGIN, 0.0)

    def strengths(self, added: Powers | None = None) -> Powers:
        """How far each moment stands out in all bands together, in dB; `added` (bands,) on top of it."""
        after = self._after if added is None else self._after + added[:, None]
        ratio_db = 10.0 * np.log10(np.maximum(after / self._against, 1.0))
        total: Powers = np.minimum(ratio_db, MOST_DB).sum(axis=0)
        return total


def sudden_sounds(heard: Stretch) -> list[float]:
    """Every sudden sound in one channel, where nothing is played; times in the clock of the stretch."""
    levels = _levels(heard.samples[:, 0], heard.rate_hz)
    strengths = _Scale(levels, np.zeros_like(levels), 0).strengths()
    strengths[: BEFORE_STEPS[1]] = 0.0  # there is no before yet
    found: list[float] = []
    for step in np.flatnonzero(strengths >= BANG_DB):
        at_s = heard.start_s + int(step) * STEP_S
        if not found or at_s - found[-1] > APART_S:
            found.append(at_s)
    return found


def _mean_ahead(levels: Powers, steps: int) -> Powers:
    sums = np.cumsum(np.pad(levels, ((0, 0), (1, steps))), axis=1)
    means: Powers = (sums[:, steps : steps + levels.shape[1]] - sums[:, : levels.shape[1]]) / steps
    return means


def _levels(samples: Samples | Powers, rate_hz: int, steps: int | None = None) -> Powers:
    """Power in each band around each step; shape (bands, steps)."""
    width = round(WINDOW_S * rate_hz)
    if steps is None:
        steps = max(1, int(len(samples) / rate_hz / STEP_S))
    at = np.round(np.arange(steps) * STEP_S * rate_hz).astype(int)
    line = np.pad(samples.astype(np.float64), (width // 2, max(0, int(at[-1]) + width - len(samples))))
    windows = np.lib.stride_tricks.sliding_window_view(line, width)[at] * np.hanning(width)
    power = np.abs(np.fft.rfft(windows, axis=1)) ** 2 / width
    edges = [edge for edge in EDGES_HZ if edge <= rate_hz / 2.0]
    bins = np.round(np.array(edges) * width / rate_hz).astype(int)
    sums = np.cumsum(np.pad(power, ((0, 0), (1, 0))), axis=1)
    levels: Powers = (sums[:, bins[1:]] - sums[:, bins[:-1]]).T
    return levels


def _tails(levels: Powers) -> list[Powers]:
    """What a room makes of these levels, dying away by each of `TAILS_S`."""
    tails = []
    for tail_s in TAILS_S:
        decay = np.exp(-np.arange(0, 8.0 * tail_s, STEP_S) / tail_s)
        size = levels.shape[1] + len(decay)
        spectrum = np.fft.rfft(levels, size) * np.fft.rfft(decay / decay.sum(), size)
        tails.append(np.maximum(np.fft.irfft(spectrum, size)[:, : levels.shape[1]], 0.0))
    return tails


def _match(heard: Samples, sound: Powers, rate_hz: int, lags: int) -> Powers:
    """How well `heard` matches `sound` from each of `lags` steps on; 1 is no match.

    Their cross-correlation with the spectrum evened out (generalised cross-correlation: Knapp & Carter, "The
    generalized correlation method for estimation of time delay", IEEE Trans. ASSP 24, 1976).
    """
    size = 1 << (len(sound) - 1).bit_length()
    cross = np.fft.rfft(sound, size) * np.conj(np.fft.rfft(heard, size))
    at_hz = np.arange(len(cross)) * rate_hz / size
    strength = np.abs(cross)
    cross[(at_hz < MATCH_HZ[0]) | (at_hz > MATCH_HZ[1])] = 0.0
    cross /= strength**MATCH_EVENED + 1e-12 * float(strength.max()) ** MATCH_EVENED + _NOTHING
    squares = np.fft.irfft(cross, size) ** 2
    ends = np.round(np.arange(lags + 1) * STEP_S * rate_hz).astype(int)
    match: Powers = np.maximum.reduceat(squares, ends)[:-1]
    return match / max(float(np.median(match)), _NOTHING)


def _leak(levels: Powers, patterns: list[Powers]) -> Powers:
    """The share of `levels`, shape (bands, steps), that these patterns explain."""
    if not patterns:
        return np.zeros_like(levels)
    # first what is there all the time, then what is played
    shapes = np.stack([np.ones_like(levels), *patterns])
    top = shapes.max(axis=2)
    shapes /= np.maximum(top, _NOTHING)[:, :, None]
    gains = (top > 1e5 * _NOTHING) * levels.mean(axis=1) / len(shapes)
    floor = 1e-6 * levels.mean(axis=1)[:, None] + _SILENCE
    for _ in range(FIT_ROUNDS):
        model = np.einsum("pb,pbs->bs", gains, shapes) + floor
        seen = np.minimum(levels, LEAK_MARGIN * model)
        gains *= np.einsum("pbs,bs->pb", shapes, seen / model**2) / np.maximum(
            np.einsum("pbs,bs->pb", shapes, 1.0 / model), _NOTHING
        )
    leak: Powers = np.einsum("pb,pbs->bs", gains[1:], shapes[1:])
    return leak


def _start_s(heard: Stretch, step: int) -> float:
    """The start near a step, to the sample where the sound allows it; in seconds of the stretch."""
    rate = heard.rate_hz
    at = round(step * STEP_S * rate)
    begin = max(0, at - round(0.2 * rate))
    sound = heard.samples[begin : at + round(0.03 * rate), 0].astype(np.float64)
    reach = round(0.006 * rate)
    low, high = max(0, at - begin - reach), min(len(sound), at - begin + reach)
    taps = picker.prediction_error_filter([sound[:low]])
    pick = picker.pick_start(sound, picker.whiten(sound, taps), low, high)
    return step * STEP_S if pick is None else (begin + pick.frame) / rate
