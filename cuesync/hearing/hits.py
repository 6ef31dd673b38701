"""The instant in a clip that must meet the pop.

A clip has three honest answers: its *onset* (the attack begins), its *attack* (the steepest perceived rise,
where the ear puts the event) and its *peak* (the largest short-term loudness). All are found on the power
that is heard (K-weighted, without rumble and ultrasound), summed over the channels, to the sample and never
on a grid of frames.

Perceived loudness is taken as power to the 0.3 (Stevens' law: twice as loud per 10 dB), instant by instant
and only then averaged, so that a step in the sound stays a step and is found where it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cuesync.errors import ClipError
from cuesync.hearing.weighting import heard_power

HitKind = Literal["onset", "attack", "peak"]

_LOUDNESS_EXPONENT = 0.3
_SILENT = 2.0**-15
"""One step of 16 bits: a clip that never rises above it is taken as silent."""

_GRID_S = 0.001
_TAIL_S = 0.1
_FULL_LOUDNESS_S = 0.04
_SCALES_S = (0.02, 0.04, 0.08, 0.16, 0.32)
"""Rises are compared over these times; the shortest still spans a cycle of a 50 Hz growl."""
_SLOW_PENALTY = 0.3
"""A rise that takes twice as long must be 2^0.3 = 1.23 times as large to count as much."""
_MASKING = (1, 2, 4)
"""What came before is the loudest mean over these multiples of the scale: a mere dip is no new event."""
_APART_S = 0.05
_MAX_RISES = 12
_FIRST_OF_EQUALS = 0.6
_RIVAL_APART_S = 0.15
"""What rises again sooner belongs to the same event."""
_MANY_RIVALS = 4
_RIVALS_NAMED = 2

_STEEP = 0.35
"""Least rise, in parts of the clip's full loudness, that counts as sudden (from 6 dB below to full) at the
shortest scale; at the longest it must be half as large again."""
_STEEP_SLOWNESS = 0.15
_SHARP_S = 0.010
_PEAK_REACH_S = 0.02
_PEAK_SPREAD_RATIO = 10**-0.1
_PEAK_SPREAD_MAX_S = 0.3

_ONSET_BEFORE_S = 0.04
_ONSET_AFTER_S = 0.005
_ONSET_FLOOR = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Hit:
    """Where a clip hits, in seconds from its first sample.

    `at_s` is the instant chosen, `kind` which of the three it is, `reason` why, in words for the user.
    `onset_s`: the attack begins. `attack_s`: the steepest perceived rise, where the ear puts the event.
    `peak_s`: the largest short-term loudness (40 ms). `confidence` runs from 0 to 1; where `clear` is False
    no instant stands out, and the user should give the time. `rivals_s` are the attacks of later rises that
    count nearly as much.
    """

    at_s: float
    kind: HitKind
    reason: str
    confidence: float
    onset_s: float
    attack_s: float
    peak_s: float
    clear: bool
    rivals_s: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rise:
    """`at`: frame; `scale`: frames compared on either side; `score`: how much it counts against others;
    `suddenness`: its height against the least that counts as sudden."""

    at: int
    scale: int
    score: float
    suddenness: float


class _Means:
    """Means of a sequence over any stretch, from its running sum; outside it everything is 0."""

    def __init__(self, values: NDArray[np.float64]) -> None:
        self.frames = len(values)
        self._total = _running_sum(values)

    def __call__(self, start: NDArray[np.intp], stop: NDArray[np.intp]) -> NDArray[np.float64]:
        """Mean from frame `start` up to frame `stop`, element by element."""
        total = self._total
        inside = total[np.clip(stop, 0, self.frames)] - total[np.clip(start, 0, self.frames)]
        mean: NDArray[np.float64] = inside / np.maximum(stop - start, 1)
        return mean


class _Track:
    """The power of a clip and its perceived loudness, and the grid on which they are first looked at."""

    def __init__(self, power: NDArray[np.float64], rate_hz: float) -> None:
        self.power = power
        self.rate_hz = rate_hz
        self.loudness = _Means(power**_LOUDNESS_EXPONENT)
        self.grid_frames = np.arange(0, len(power), max(self.in_frames(_GRID_S), 1))
        self.full = float(
            self.loudness(self.grid_frames, self.grid_frames + self.in_frames(_FULL_LOUDNESS_S)).max()
        )

    def in_frames(self, time_s: float) -> int:
        return round(time_s * self.rate_hz)


def find_hit(samples: ArrayLike, rate_hz: float, kind: HitKind | Literal["auto"] = "auto") -> Hit:
    """Find the hit in a clip of shape (frames,) or (frames, channels), full scale = 1.

    `auto` takes the onset of a sharp sound, the attack of a slower one, the peak of a long swell, and says
    so in `Hit.reason`. Of several rises that count about the same, the first is taken: it is the one that
    startles.

    Raises
    ------
    ClipError
        Empty, silent, or with values that are not numbers.
    """
    part, first = _sounding_part(samples, rate_hz)
    track = _Track(heard_power(part, rate_hz), rate_hz)
    rises = _find_rises(track)
    best = max(rise.score for rise in rises)
    equals = sorted(
        (rise for rise in rises if rise.score >= _FIRST_OF_EQUALS * best), key=lambda rise: rise.at
    )
    rise = next((rise for rise in equals if rise.suddenness >= 1), equals[0])
    apart = rise.at + track.in_frames(_RIVAL_APART_S)
    rivals = [rival for rival in equals if rival.at >= apart and rival.suddenness >= 1]
    peak, spread_s = _find_peak(track)
    frames: dict[HitKind, int] = {
        "onset": _find_onset(track, rise),
        "attack": rise.at,
        "peak": peak,
    }
    times_s: dict[HitKind, float] = {name: (first + frame) / rate_hz for name, frame in frames.items()}
    rivals_s = tuple((first + rival.at) / rate_hz for rival in rivals)
    return _judged(kind, times_s, rise.suddenness, rise.score / best, rivals_s, spread_s)


def _sounding_part(samples: ArrayLike, rate_hz: float) -> tuple[NDArray[np.float64], int]:
    """The clip without constant offset and without the silence around it; the frame where it begins."""
    signal = np.asarray(samples, dtype=np.float64)
    if signal.ndim == 1:
        signal = signal[:, None]
    if signal.size == 0:
        raise ClipError("the clip is empty. Choose another clip, or export this one again.")
    if not np.isfinite(signal).all():
        raise ClipError("some samples are not numbers (NaN or infinite). Export the clip again.")
    # an offset shows in a steady beginning; without one, the beginning is sound and tells nothing
    head = signal[: max(round(0.01 * rate_hz), 1)]
    middle = np.median(head, axis=0)
    steady = np.median(np.abs(head - middle), axis=0) < 0.1 * np.abs(middle)
    signal = signal - np.where(steady, middle, 0.0)
    if np.abs(signal).max() <= _SILENT:
        raise ClipError(
            "the clip is silent from start to end. Choose another clip, or export this one again."
        )
    sounding = np.flatnonzero(np.logical_or.reduce([channel != 0.0 for channel in signal.T]))
    first, stop = int(sounding[0]), int(sounding[-1]) + 1
    tail = np.zeros((round(_TAIL_S * rate_hz), signal.shape[1]))
    return np.concatenate([signal[first:stop], tail]), first


def _find_rises(track: _Track) -> list[_Rise]:
    """Rises of loudness, the strongest first, at least 50 ms apart.

    Looked for on a grid of 1 ms; each place found is then searched frame by frame, so that where the grid
    happens to lie changes nothing.
    """
    scales = [track.in_frames(scale_s) for scale_s in _SCALES_S]
    grid = track.grid_frames
    coarse = np.max([_score(track, grid, scale)[0] for scale in scales], axis=0)
    apart = track.in_frames(_APART_S)
    rises: list[_Rise] = []
    while len(rises) < _MAX_RISES and coarse.max() > 0:
        middle = int(grid[coarse.argmax()])
        near = np.arange(max(middle - apart // 2, 0), middle + apart // 2 + 1)
        for rise in rises:
            near = near[np.abs(near - rise.at) > max(apart, rise.scale)]
        fine = [_score(track, near, scale) for scale in scales]
        scores = np.stack([score for score, _ in fine])
        which, best = np.unravel_index(scores.argmax(), scores.shape)
        at, scale = int(near[best]), scales[which]
        least = _STEEP * (scale / scales[0]) ** _STEEP_SLOWNESS
        rises.append(
            _Rise(
                at=at,
                scale=scale,
                score=float(scores[which, best]),
                suddenness=float(fine[which][1][best]) / least,
            )
        )
        coarse[np.abs(grid - at) <= max(apart, scale)] = 0.0
    return rises


def _score(
    track: _Track, at: NDArray[np.intp], scale: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How much a rise counts at every frame of `at`, and how high it is.

    The height is the mean loudness after minus that before, so it is largest exactly at a step. What
    counts is the height times the loudness reached: a breath may start as suddenly as the scream.
    """
    after = track.loudness(at, at + scale)
    before = np.max([track.loudness(at - times * scale, at) for times in _MASKING], axis=0)
    height = (after - before) / track.full
    slowness = (scale / track.in_frames(_SCALES_S[0])) ** _SLOW_PENALTY
    return height * (after / track.full) / slowness, height


def _find_onset(track: _Track, rise: _Rise) -> int:
    """The frame where the attack of `rise` begins.

    First the sharpest edge inside the rise, at the shortest scale; then, around it, the best place to split
    the power into a quiet and a loud part: the Akaike information criterion of two Gaussian pieces
    (Maeda 1985, as used for first arrivals in seismograms), to the sample.
    """
    scale = track.in_frames(_SCALES_S[0])
    within = np.arange(rise.at - rise.scale, rise.at + scale // 2 + 1)
    edges = track.loudness(within, within + scale) - track.loudness(within - scale, within)
    edge = int(within[edges.argmax()])
    start, stop = edge - track.in_frames(_ONSET_BEFORE_S), edge + track.in_frames(_ONSET_AFTER_S)
    power = np.zeros(stop - start)
    inside = slice(max(start, 0), min(stop, len(track.power)))
    power[inside.start - start : inside.stop - start] = track.power[inside]
    # 60 dB below the attack nothing is heard, and digital silence would outshine every real change
    power += _ONSET_FLOOR * track.power[rise.at : rise.at + rise.scale].mean()
    total = _running_sum(power)
    count = np.arange(2, len(power) - 1)
    rest = len(power) - count
    criterion = count * np.log(total[count] / count) + rest * np.log((total[-1] - total[count]) / rest)
    onset = start + int(count[criterion.argmin()])
    return min(max(onset, 0), rise.at)


def _find_peak(track: _Track) -> tuple[int, float]:
    """The frame of the largest short-term loudness, and over what time the clip comes within 1 dB of it.

    Short-term is a triangle of 40 ms: a running mean of 20 ms, taken twice.
    """
    frames, reach = len(track.power), max(track.in_frames(_PEAK_REACH_S), 1)
    padded = np.pad(track.power, reach)
    for _ in range(2):
        total = _running_sum(padded)
        padded = total[reach:] - total[:-reach]
    # each pass took reach - 1 frames off the 2 · reach that were added, so its middle lies one frame later
    short_term = padded[1 : frames + 1]
    close = np.flatnonzero(short_term >= short_term.max() * _PEAK_SPREAD_RATIO)
    return int(short_term.argmax()), float(close[-1] - close[0]) / track.rate_hz


def _judged(
    kind: HitKind | Literal["auto"],
    times_s: dict[HitKind, float],
    suddenness: float,
    share: float,
    rivals_s: tuple[float, ...],
    spread_s: float,
) -> Hit:
    """Choose between the three answers, and say why.

    `share` is the score of the rise against that of the strongest.
    """
    sudden = suddenness >= 1
    rhythmic = len(rivals_s) >= _MANY_RIVALS
    peaked = spread_s <= _PEAK_SPREAD_MAX_S
    lead_s = round(times_s["attack"] - times_s["onset"], 9)  # the same wherever in the file it lies
    chosen: HitKind
    if kind != "auto":
        chosen = kind
        reason = f"the {_NAMES[kind]}, as asked for"
    elif sudden and lead_s <= _SHARP_S:
        chosen = "onset"
        reason = f"it breaks out sharply, within {lead_s * 1e3:.0f} ms, so the hit is where the attack begins"
    elif sudden:
        chosen = "attack"
        reason = (
            f"it takes {lead_s * 1e3:.0f} ms to break out, and the ear puts such a sound where its loudness "
            "rises most steeply"
        )
    elif peaked:
        chosen = "peak"
        reason = "it swells without a sudden rise, so its loudest moment is taken"
    else:
        chosen = "attack"
        reason = "nothing stands out"
    if chosen == "peak":
        clear = peaked
        confidence = max(1.0 - spread_s / (2 * _PEAK_SPREAD_MAX_S), 0.0)
        doubt = f"it stays near its loudest for {spread_s:.1f} s"
    else:
        clear = sudden and not rhythmic
        confidence = min(suddenness / 2, 1.0) * share / (1 + 0.2 * len(rivals_s))
        doubt = (
            f"it breaks out {len(rivals_s) + 1} times about equally" if sudden else "nothing rises suddenly"
        )
    if not clear:
        confidence *= 0.5
        reason = f"unclear: give the time (hit_s), because {doubt}; {times_s[chosen]:.3f} s is only a guess"
    elif rivals_s and chosen != "peak":
        named = " and ".join(f"{rival_s:.3f} s" for rival_s in rivals_s[:_RIVALS_NAMED])
        reason += f"; it rises about as strongly again at {named} (give hit_s if that is meant)"
    return Hit(
        at_s=times_s[chosen],
        kind=chosen,
        reason=reason,
        confidence=confidence,
        onset_s=times_s["onset"],
        attack_s=times_s["attack"],
        peak_s=times_s["peak"],
        clear=clear,
        rivals_s=rivals_s,
    )


_NAMES: dict[HitKind, str] = {
    "onset": "beginning of the attack",
    "attack": "steepest rise in loudness",
    "peak": "loudest moment",
}


def _running_sum(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shape (n + 1,), starting with 0."""
    total = np.zeros(len(values) + 1)
    np.cumsum(values, out=total[1:])
    return total
