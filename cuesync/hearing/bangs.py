"""Where the bangs of a trial are, and the sound around each: proposed on plain energy, seen whitened.

On a whitened view sharp ratchet clicks outshine a soft thud, so bangs are looked for on plain energy; on
plain energy a start drowns in rumble, so it is timed on the whitened one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from cuesync.hearing import picker
from cuesync.hearing.scan import Coarse
from cuesync.hearing.triggers import Window

Samples = NDArray[np.float64]
Item = TypeVar("Item")

BEFORE_S = 0.5
AFTER_S = 0.06
"""How much sound around an impact is looked at."""

IMPACT_S = 0.01
"""About what an impact fills; the loudest stretch of this length is the loudest bang."""

SURE_RISE_DB = 13.0
LOW_RATE_HZ = 5500.0
"""Where the bangs stand out less than the first, their low part is looked at as well: as if at this rate."""

FINE_S = 0.00025
"""Step in which events are listed; each is timed to the sample afterwards."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """A sudden rise: `at` in fine steps, `level_db` above the floor."""

    at: int
    level_db: float


@dataclass(slots=True, kw_only=True, eq=False)
class Look:
    """The sound around one trial's bang, cut so that it hangs on the sound and not on a block.

    `sound` starts at `begin` frames of the recording; `loudest` is where its loudest 10 ms begin, and
    `level_db` their energy; `worth_db` weighs it against the trial's other bangs. `whitened` fills in `view`
    (the sound, or its low part where `every` > 1), `white`, `steps` (energy of each fine step), `floor` (that
    of a quiet one), `events`, `impact` (a fine step) and `rise_db` of the impact. Where it has siblings,
    `likeness` says how much it is like them and `aligned` is the frame of the same moment in all of them,
    which was found `by_shape` or else by the envelope.
    `picks` remembers what was timed.
    """

    begin: int
    loudest: int
    sound: Samples
    level_db: float
    worth_db: float = 0.0
    every: int = 1
    rise_db: float = 0.0
    view: Samples = field(default_factory=lambda: np.zeros(0))
    white: Samples = field(default_factory=lambda: np.zeros(0))
    steps: Samples = field(default_factory=lambda: np.zeros(0))
    floor: float = 0.0
    events: list[Event] = field(default_factory=list)
    impact: int = 0
    likeness: float | None = None
    aligned: float | None = None
    by_shape: bool = False
    picks: dict[int, tuple[float, float] | None] = field(default_factory=dict)


def loudest_places(
    coarse: Coarse, channel: int, start_frame: float, stop_frame: float
) -> list[tuple[int, float]]:
    """Blocks with the loudest bangs between two frames and their energy, 30 ms apart.

    The three that add most to the energy of 20 ms before (a lasting sound may be loudest long after it
    began) and are over 0.2 s later (unlike a motor that starts), and the two sharpest, which rumble can't
    hide.
    """
    start = coarse.block_at(start_frame)
    stop = coarse.block_at(stop_frame)
    if stop - start < 4:
        return []
    ahead, behind, wide = (round(s / coarse.block_s) for s in (0.02, 0.2, 0.2))
    energy = coarse.energy_between(channel, start, stop)
    before = np.concatenate([np.full(ahead, energy[0]), energy])[: len(energy)]
    sums = np.cumsum(np.concatenate([energy, np.full(behind + wide, energy[-1])]), dtype=np.float64)
    after = (sums[behind + wide :] - sums[behind:-wide]) / wide
    rise = energy - np.maximum(before, after.astype(np.float32))
    places: list[int] = []
    for view, most in ((rise, 3), (coarse.sharp[channel, start:stop], 2)):
        places += _peaks(view, most, round(0.03 / coarse.block_s), places)
    return [(start + place, float(energy[max(0, place - 3) : place + 4].max())) for place in places]


def _peaks(view: NDArray[np.float32], most: int, apart: int, taken: Sequence[int]) -> list[int]:
    """Places of the largest values, none within `apart` of another or of those taken already."""
    left = view.copy()
    found: list[int] = []
    for _ in range(most):
        top = int(np.argmax(left))
        if left[top] <= 0.0:
            break
        left[max(0, top - apart) : top + apart + 1] = 0.0
        if all(abs(top - other) > apart for other in taken):
            found.append(top)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """What the trials of a recording agree on: `middle` and `reach` of the delay in frames, and whether
    that is more than chance."""

    middle: float
    reach: float
    sure: bool


def agree(
    candidates: Sequence[Sequence[tuple[float, float]]], lengths: Sequence[float], rate_hz: int
) -> Agreement | None:
    """The delay at which most trials have a loud bang; candidates: (delay in frames, energy) of each trial.

    None where no trial has any. `lengths` are the stretches searched, in frames: they give the odds of
    agreeing by chance.
    """
    delays = [(trial, delay, energy) for trial, ones in enumerate(candidates) for delay, energy in ones]
    if not delays:
        return None
    tops = {trial: max(energy for other, _, energy in delays if other == trial) for trial, _, _ in delays}
    best, middle, reach = -1.0, 0.0, 1.0
    at = np.array([delay for _, delay, _ in delays])
    owner = np.array([trial for trial, _, _ in delays])
    weight = np.array([energy / tops[trial] for trial, _, energy in delays])
    for centre in at:
        around = max(0.05 * rate_hz, 0.06 * centre)
        near = np.abs(at - centre) <= around
        each = np.zeros(len(candidates))
        np.maximum.at(each, owner[near], weight[near] * (1.0 - 0.5 * np.abs(at[near] - centre) / around))
        if float(each.sum()) > best:
            best, middle, reach = float(each.sum()), float(centre), around
    count = len(candidates)
    members = at[np.abs(at - middle) <= reach]
    # how likely so many trials agree if bangs fell anywhere: on all their candidates, or on the loudest alone
    length = float(picker.median(lengths))
    window = min(1.0, 2.0 * reach / max(length, 1.0))
    loudest = np.array([energy >= tops[trial] for trial, _, energy in delays])
    inside = np.abs(at - middle) <= reach
    odds = min(
        _at_least(len(set(owner[inside])), count, min(1.0, window * len(delays) / count)),
        _at_least(len(set(owner[inside & loudest])), count, window),
    )
    return Agreement(
        middle=float(picker.median(members)),
        reach=reach,
        sure=count < 3 or odds < (0.02 if count < 6 else 0.001),
    )


def _at_least(hits: int, count: int, chance: float) -> float:
    """Binomial probability of `hits` or more out of `count`."""
    total, term = 0.0, (1.0 - chance) ** count
    for k in range(count + 1):
        if k >= hits:
            total += term
        if chance >= 1.0:
            return 1.0
        term *= (count - k) / (k + 1) * chance / (1.0 - chance)
    return total


def look(coarse: Coarse, block: int, window: Window, first_frame: float) -> Look | None:
    """Fetch the sound around the bang in `block`; what lies before `first_frame` is left out.

    None where there is too little sound.
    """
    rate = coarse.rate_hz
    middle = block * coarse.block_frames
    begin = max(0, middle - round((BEFORE_S + 0.05) * rate))
    sound = window(begin, middle + round((AFTER_S + 0.05) * rate))
    width = max(4, round(IMPACT_S * rate))
    if len(sound) < 8 * width:
        return None
    sound = sound - sound.mean()
    near = max(0, middle - begin - round(0.015 * rate))
    part = sound[near : middle - begin + round(0.015 * rate) + width - 1]
    if len(part) < width:
        return None
    sums = np.concatenate([[0.0], np.cumsum(part)])
    squares = np.concatenate([[0.0], np.cumsum(part**2)])
    energy = (squares[width:] - squares[:-width]) - (sums[width:] - sums[:-width]) ** 2 / width
    loudest = near + int(np.argmax(energy))
    # from here on everything hangs on the sound itself, not on where a block happened to begin
    cut = max(0, loudest - round(BEFORE_S * rate), min(round(first_frame) - begin, loudest - 2 * width))
    level = float(energy[loudest - near])
    return Look(
        begin=begin + cut,
        loudest=loudest - cut,
        sound=sound[cut : loudest + round(AFTER_S * rate)],
        level_db=float(10.0 * np.log10(max(level, 1e-30) / width)),
    )


def background(one: Look, rate_hz: int) -> Samples:
    """The sound well before the impact: what the motor does."""
    stop = one.loudest - round(0.03 * rate_hz)
    return one.sound[max(0, stop - round(0.4 * rate_hz)) : max(stop, 0)]


def whiten_alike(looks: list[list[Look]], rate_hz: int) -> None:
    """Look at all trials in one view: the first in which their loudest bangs stand out well, else the best.

    The views: whitened; its low part, whitened finer; and that low part as it is, for a thud that sounds
    like its motor and is only louder.
    """
    firsts = some_of([ones[0] for ones in looks if ones])
    every = _low_every(rate_hz)
    best: tuple[float, int, Samples] | None = None
    for step, white, handicap_db in ((1, True, 0.0), (every, True, 4.0), (every, False, 8.0)):
        taps = np.array([1.0])
        if white:
            taps = _whitening(firsts, step, rate_hz)
        for one in firsts:
            whitened(one, taps, step, rate_hz)
        rise_db = float(picker.median([one.rise_db for one in firsts])) - handicap_db
        if best is None or rise_db > best[0]:
            best = (rise_db, step, taps)
        if best[0] > SURE_RISE_DB:
            break
    if best is not None:
        ready = firsts if best[2] is taps else []
        for one in (one for ones in looks for one in ones if one not in ready):
            whitened(one, best[2], best[1], rate_hz)


def in_other_view(one: Look, rate_hz: int) -> Look | None:
    """The same bang, whitened in its low part instead of in full, or in full instead of in its low part.

    None at a rate so low that the two are the same.
    """
    every = _low_every(rate_hz) if one.every == 1 else 1
    if every == one.every:
        return None
    other = replace(one, picks={})
    whitened(other, _whitening([one], every, rate_hz), every, rate_hz)
    return other


def _low_every(rate_hz: int) -> int:
    return max(1, round(rate_hz / LOW_RATE_HZ))


def _whitening(looks: Sequence[Look], every: int, rate_hz: int) -> Samples:
    """The filter that whitens what precedes these bangs."""
    noises = [picker.low_view(background(one, rate_hz), every) for one in looks]
    return picker.prediction_error_filter(noises, every)


def whitened(one: Look, taps: Samples, every: int, rate_hz: int) -> None:
    """Fill in the whitened view, its events, and the one that is the impact."""
    one.every = every
    one.picks.clear()
    one.view = picker.low_view(one.sound, every)
    one.white = picker.whiten(one.view, taps)
    one.white[: len(taps) + every] = 0.0
    size = max(1, round(FINE_S * rate_hz))
    count = len(one.white) // size
    one.steps = (one.white[: count * size].reshape(count, size) ** 2).mean(axis=1)
    smooth = picker.moving_mean(one.steps, 4)
    loud = one.loudest // size
    first = (len(taps) + every) // size + 1
    quiet = smooth[first : max(loud - round(0.02 / FINE_S), first + 1)]
    top = float(smooth[max(0, loud - 8) : loud + 48].max(initial=0.0))
    one.floor = max(1.1 * float(picker.median(quiet)) if len(quiet) else 0.0, 1e-9 * top, 1e-300)
    one.events = _events(one.steps, one.floor)
    width = round(IMPACT_S / FINE_S)
    near = [event for event in one.events if loud - width // 2 <= event.at <= loud + width]
    if not near:
        near = _lasting_since(one, loud)
    if near:
        one.impact = max(near, key=lambda event: event.level_db).at
    else:
        one.impact = min(loud + int(np.argmax(one.steps[loud : loud + width])), count - 1)
    peak = float(smooth[one.impact : one.impact + 12].max(initial=0.0))
    one.rise_db = float(10.0 * np.log10(max(peak, 1e-300) / one.floor))


def _lasting_since(one: Look, loud: int) -> list[Event]:
    """The event since which the sound has not fallen back: a lasting noise is loudest anywhere."""
    smooth = picker.moving_mean(one.steps, 12)
    for event in one.events:
        if loud - 0.1 / FINE_S <= event.at < loud:
            ahead = float(np.mean(one.steps[max(0, event.at - 12) : event.at]))
            if float(smooth[event.at : loud].min()) > 4.0 * max(ahead, one.floor):
                return [event]
    return []


def _events(steps: Samples, floor: float) -> list[Event]:
    """Sudden rises of 6 dB or more: 1 ms after against the 3 ms before."""
    if len(steps) < 24:
        return []
    sums = np.concatenate([[0.0], np.cumsum(steps)])
    here = sums[12:-5]
    after = (sums[16:-1] - here) / 4.0
    ratio = after / ((here - sums[:-17]) / 12.0 + 0.5 * floor)
    high = np.flatnonzero((ratio > 4.0) & (after > 4.0 * floor))
    if not len(high):
        return []
    # a run of places within 2 ms is one event, placed where it rises most
    runs = np.cumsum(np.diff(high, prepend=high[0]) > 8)
    heads = np.searchsorted(runs, np.arange(runs[-1] + 1))
    tops = high[np.lexsort((-ratio[high], runs))[heads]]
    peaks = after.copy()
    for shift in range(1, 12):
        np.maximum(peaks[:-shift], after[shift:], out=peaks[:-shift])
    levels_db = 10.0 * np.log10(peaks[tops] / floor)
    return [
        Event(at=at, level_db=level_db)
        for at, level_db in zip((tops + 12).tolist(), levels_db.tolist(), strict=True)
    ]


def stands_out_db(one: Look, rate_hz: int) -> float:
    """How far the bang stands out on the better of two views: a soft thud does so on plain energy only."""
    width = max(4, round(IMPACT_S * rate_hz))
    before = background(one, rate_hz)
    rows = before[: len(before) // width * width].reshape(-1, width)
    if not len(rows):
        return one.rise_db
    usual = float(picker.median(rows.var(axis=1)))
    return max(one.rise_db, one.level_db - float(10.0 * np.log10(max(usual, 1e-30))))


def time_event(one: Look, at: int, size: int) -> tuple[float, float] | None:
    """Start of the event at a fine step: frame in the look, and its standard error in frames."""
    if at in one.picks:
        return one.picks[at]
    earlier = [event.at for event in one.events if event.at < at - 4]
    low = max(at - round(0.005 / FINE_S), (earlier[-1] + 4) if earlier else 0, 0)
    low = max(min(low, at - 8) * size, 0)
    high = min((at + round(0.0025 / FINE_S)) * size, len(one.white))
    pick = picker.pick_start(one.view, one.white, low, high, one.every)
    one.picks[at] = None if pick is None else (float(pick.frame), pick.error_frames)
    return one.picks[at]


def some_of(items: list[Item]) -> list[Item]:
    """At most eight, evenly spread."""
    return items[:: -(-len(items) // 8)] if items else []


def sudden(one: Look) -> bool:
    """Does the impact begin with a sudden rise?"""
    return any(event.at == one.impact for event in one.events)
