"""The pop in a stretch of sound: found on plain energy, timed on a whitened view."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cuesync.hearing import picker
from cuesync.hearing.scan import Coarse
from cuesync.hearing.triggers import Window

Samples = NDArray[np.float64]

BEFORE_S = 0.45
AFTER_S = 0.15
IMPACT_S = 0.01
"""About what an impact fills; the loudest stretch of this length is the loudest bang."""

LEAST_RISE_DB = 9.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PopFinding:
    """One pop; frames count from the start of the recording.

    `release_frame` is the first sound of the transient that leads into the loudest impact, `impact_frame`
    that impact. `level_db` is the impact's energy in 10 ms relative to full scale, `rise_db` how far the
    whitened sound rises at the release. `clipped`: the tops are cut off.
    """

    release_frame: float
    impact_frame: float
    error_frames: float
    level_db: float
    rise_db: float
    confidence: float
    rival_frame: float | None
    reason: str
    clipped: bool


def loudest_places(
    coarse: Coarse, channel: int, start_frame: float, stop_frame: float, most: int = 3
) -> list[int]:
    """Blocks with the loudest bangs between two frames, loudest first, none within 60 ms of another."""
    start = coarse.block_at(start_frame)
    stop = coarse.block_at(stop_frame)
    if stop - start < 4:
        return []
    energy = coarse.energy(channel)[start:stop].copy()
    apart = round(0.06 / coarse.block_s)
    places = []
    for _ in range(most):
        top = int(np.argmax(energy))
        if energy[top] <= 0.0:
            break
        places.append(start + top)
        energy[max(0, top - apart) : top + apart + 1] = 0.0
    return places


def examine(coarse: Coarse, block: int, window: Window, first_frame: float) -> PopFinding | None:
    """Look closely at the bang in `block`; nothing before `first_frame` is taken for it. None: no bang."""
    rate = coarse.rate_hz
    middle = block * coarse.block_frames
    begin = max(0, middle - round((BEFORE_S + 0.05) * rate))
    sound = window(begin, middle + round((AFTER_S + 0.05) * rate))
    width = max(4, round(IMPACT_S * rate))
    if len(sound) < 8 * width:
        return None
    sums = np.concatenate([[0.0], np.cumsum(sound - sound.mean())])
    squares = np.concatenate([[0.0], np.cumsum((sound - sound.mean()) ** 2)])
    energy = (squares[width:] - squares[:-width]) - (sums[width:] - sums[:-width]) ** 2 / width
    near = slice(max(0, middle - begin - round(0.03 * rate)), max(1, middle - begin + round(0.03 * rate)))
    loudest = near.start + int(np.argmax(energy[near]))
    # from here on everything hangs on the sound itself, not on where a block happened to begin
    cut = max(0, loudest - round(BEFORE_S * rate))
    earliest = max(0, round(first_frame) - begin - cut)
    stretch = sound[cut : loudest + width + round(0.02 * rate)]
    loudest -= cut
    begin += cut
    background = stretch[: max(loudest - round(0.03 * rate), 0)]
    if earliest < len(background) - round(0.1 * rate):
        background = background[earliest:]
    taps = picker.prediction_error_filter(background)
    white = picker.whiten(stretch, taps)
    white[: len(taps)] = 0.0
    loudness = np.sqrt(picker.moving_mean(white**2, max(2, round(0.001 * rate))))
    quiet = loudness[len(taps) : max(loudest - round(0.03 * rate), len(taps) + 1)]
    floor = float(np.median(quiet))
    top_at = loudest + int(np.argmax(loudness[loudest : loudest + width]))
    top = float(loudness[top_at])
    if top <= 0.0:
        return None
    floor = max(floor, 1e-6 * top)
    threshold = max(2.5 * floor, 10.0 ** (-45.0 / 20.0) * top)
    gap = round(0.005 * rate)
    loud = np.flatnonzero(loudness[: top_at + 1] > threshold)
    breaks = np.flatnonzero(np.diff(loud) > gap)
    first = int(loud[breaks[-1] + 1]) if len(breaks) else int(loud[0])
    first = max(first, earliest)
    low = max(len(taps), first - round(0.008 * rate))
    high = min(len(white), first + round(0.004 * rate))
    pick = picker.pick_start(white[low:high])
    if pick is None:
        return None
    release = low + pick.frame
    impact = loudest + int(np.argmax(np.abs(stretch[loudest : loudest + width] - stretch.mean())))
    rise_db = 20.0 * np.log10(top / floor)
    edge = np.abs(stretch[loudest : loudest + width])
    flat = int(np.sum(edge >= edge.max() * (1.0 - 1e-6)))
    confidence = float(np.clip((rise_db - LEAST_RISE_DB) / 20.0, 0.0, 1.0))
    return PopFinding(
        release_frame=float(begin + release),
        impact_frame=float(begin + max(impact, release)),
        error_frames=pick.error_frames,
        level_db=float(10.0 * np.log10(max(energy[loudest + cut], 1e-30) / width)),
        rise_db=float(rise_db),
        confidence=confidence,
        rival_frame=None,
        reason=f"loudest bang of the cycle, {rise_db:.0f} dB above the sound before it",
        clipped=flat >= 4,
    )


def choose(
    every: list[list[PopFinding]], triggers: tuple[float, ...], rate_hz: int
) -> list[PopFinding | None]:
    """One pop a trial, or None for a misfire, from the candidates of all trials (loudest first).

    The trials speak for each other: the same prop takes about the same time and bangs about as loud.
    """
    real = [[one for one in trial if one.rise_db >= LEAST_RISE_DB] for trial in every]
    tops = [(trial[0], trigger) for trial, trigger in zip(real, triggers, strict=True) if trial]
    if not tops:
        return [None] * len(every)
    level_db = float(np.median([one.level_db for one, _ in tops]))
    delays = np.array([one.release_frame - trigger for one, trigger in tops])
    middle = float(np.median(delays))
    spread = 1.4826 * float(np.median(np.abs(delays - middle)))
    reach = max(5.0 * spread, 0.06 * rate_hz)
    chosen: list[PopFinding | None] = []
    for trial, trigger in zip(real, triggers, strict=True):
        loud = [one for one in trial if one.level_db >= level_db - 14.0]
        like = [one for one in loud if abs(one.release_frame - trigger - middle) <= reach]
        if len(tops) >= 3 and like and like[0] is not loud[0]:
            reason = f"{like[0].reason}; a louder one is far from where the other trials pop"
            chosen.append(replace(like[0], reason=reason, rival_frame=loud[0].release_frame))
        else:
            chosen.append(loud[0] if loud else None)
    return chosen
