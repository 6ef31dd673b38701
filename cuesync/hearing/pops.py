"""The pop after each trigger: found on plain energy, timed on a whitened view, checked against its siblings.

Finding and timing are two problems. On a whitened view sharp ratchet clicks outshine a soft thud, so the
loudest impact is looked for on plain energy; on plain energy a start drowns in rumble, so it is timed on the
whitened one. The trials of a recording are many views of one event: where the delay, the shape of the bang
and the ticks before it agree, they vouch for each other; where they don't, the finding says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from cuesync.hearing import picker
from cuesync.hearing.scan import Coarse
from cuesync.hearing.triggers import Window

Samples = NDArray[np.float64]

BEFORE_S = 0.5
AFTER_S = 0.06
"""How much sound around an impact is looked at."""

IMPACT_S = 0.01
"""About what an impact fills; the loudest stretch of this length is the loudest bang."""

LEAD_S = 0.16
"""A release tick comes at most this much before the impact."""

TOGETHER = 64
"""So many trials are compared with each other at once; it bounds the memory."""

LEAST_RISE_DB = 9.0
"""A bang that stands out less from the sound before it is none."""

SURE_RISE_DB = 13.0
LOW_RATE_HZ = 5500.0
"""Where the bangs stand out less than the first, their low part is looked at as well: as if at this rate."""

ALIKE = 0.6
"""Correlation from which two bangs are believed to be the same sound, so that one can stand for the other."""

FINE_S = 0.00025
"""Step in which events are listed; each is timed to the sample afterwards."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PopFinding:
    """One pop; frames count from the start of the recording.

    `release_frame` is the first sound of the transient that leads into the loudest impact, `impact_frame`
    that impact. `level_db` is the impact's energy in 10 ms relative to full scale, `rise_db` how far the
    whitened sound rises. `likeness` (0 … 1) compares the bang with its siblings', None for a lonely one.
    """

    release_frame: float
    impact_frame: float
    error_frames: float
    level_db: float
    rise_db: float
    confidence: float
    rival_frame: float | None
    likeness: float | None
    reason: str
    clipped: bool


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
    `likeness` says how much it is like them and `aligned` is the frame of the same moment in all of them.
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
    length = float(np.median(lengths))
    window = min(1.0, 2.0 * reach / max(length, 1.0))
    loudest = np.array([energy >= tops[trial] for trial, _, energy in delays])
    inside = np.abs(at - middle) <= reach
    odds = min(
        _at_least(len(set(owner[inside])), count, min(1.0, window * len(delays) / count)),
        _at_least(len(set(owner[inside & loudest])), count, window),
    )
    return Agreement(
        middle=float(np.median(members)),
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
    sums = np.concatenate([[0.0], np.cumsum(sound)])
    squares = np.concatenate([[0.0], np.cumsum(sound**2)])
    energy = (squares[width:] - squares[:-width]) - (sums[width:] - sums[:-width]) ** 2 / width
    near = max(0, middle - begin - round(0.015 * rate))
    loudest = near + int(np.argmax(energy[near : middle - begin + round(0.015 * rate)]))
    # from here on everything hangs on the sound itself, not on where a block happened to begin
    cut = max(0, loudest - round(BEFORE_S * rate), min(round(first_frame) - begin, loudest - 2 * width))
    level = float(energy[loudest])
    return Look(
        begin=begin + cut,
        loudest=loudest - cut,
        sound=sound[cut : loudest + round(AFTER_S * rate)],
        level_db=float(10.0 * np.log10(max(level, 1e-30) / width)),
    )


def _background(one: Look, rate_hz: int) -> Samples:
    """The sound well before the impact: what the motor does."""
    stop = one.loudest - round(0.03 * rate_hz)
    return one.sound[max(0, stop - round(0.4 * rate_hz)) : max(stop, 0)]


def _whiten_alike(looks: list[list[Look]], rate_hz: int) -> None:
    """Look at all trials in one view: the first in which their loudest bangs stand out well, else the best.

    The views: whitened; its low part, whitened finer; and that low part as it is, for a thud that sounds
    like its motor and is only louder.
    """
    firsts = _some([ones[0] for ones in looks if ones])
    every = max(1, round(rate_hz / LOW_RATE_HZ))
    best: tuple[float, int, Samples] | None = None
    for step, white, handicap_db in ((1, True, 0.0), (every, True, 4.0), (every, False, 8.0)):
        taps = np.array([1.0])
        if white:
            noises = [picker.low_view(_background(one, rate_hz), step) for one in firsts]
            taps = picker.prediction_error_filter(noises, step)
        for one in firsts:
            whitened(one, taps, step, rate_hz)
        rise_db = float(np.median([one.rise_db for one in firsts])) - handicap_db
        if best is None or rise_db > best[0]:
            best = (rise_db, step, taps)
        if best[0] > SURE_RISE_DB:
            break
    if best is not None:
        for ones in looks:
            for one in ones:
                whitened(one, best[2], best[1], rate_hz)


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
    one.floor = max(1.1 * float(np.median(quiet)) if len(quiet) else 0.0, 1e-9 * top, 1e-300)
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
    at = np.arange(12, len(steps) - 4)
    after = (sums[at + 4] - sums[at]) / 4.0
    ratio = after / ((sums[at] - sums[at - 12]) / 12.0 + 0.5 * floor)
    high = np.flatnonzero((ratio > 4.0) & (after > 4.0 * floor))
    if not len(high):
        return []
    # a run of places within 2 ms is one event, placed where it rises most
    heads = np.concatenate([[0], np.flatnonzero(np.diff(high) > 8) + 1])
    tails = np.concatenate([heads[1:], [len(high)]])
    peaks = after.copy()
    for shift in range(1, 12):
        np.maximum(peaks[:-shift], after[shift:], out=peaks[:-shift])
    tops = [
        int(high[head + int(np.argmax(ratio[high[head:tail]]))])
        for head, tail in zip(heads, tails, strict=True)
    ]
    levels_db = 10.0 * np.log10(peaks[tops] / floor)
    return [
        Event(at=top + 12, level_db=float(level_db)) for top, level_db in zip(tops, levels_db, strict=True)
    ]


def _snippet(one: Look, at_frame: int, before: int, after: int) -> Samples:
    """White samples around a frame, filled up with zeros at the ends."""
    low, high = at_frame - before, at_frame + after
    part = one.white[max(0, low) : max(0, min(high, len(one.white)))]
    return np.pad(part, (max(0, -low), max(0, high - len(one.white))))[: before + after]


def _similarity(wide: Samples, narrow: Samples) -> tuple[float, float]:
    """Largest normalised correlation of `narrow` inside `wide`, and its lag in samples (interpolated)."""
    products = np.correlate(wide, narrow, mode="valid")
    sums = np.concatenate([[0.0], np.cumsum(wide**2)])
    norms = np.sqrt((sums[len(narrow) :] - sums[: -len(narrow)]) * float(np.sum(narrow**2)))
    values = products / np.maximum(norms, 1e-300)
    top = int(np.argmax(values))
    shift = 0.0
    if 0 < top < len(values) - 1:
        left, middle, right = values[top - 1 : top + 2]
        bend = left - 2.0 * middle + right
        shift = float(0.5 * (left - right) / bend) if bend < 0.0 else 0.0
    return float(max(values[top], 0.0)), top + shift


def _lead_scores(one: Look, rate_hz: int) -> list[tuple[Event, float]]:
    """Events up to `LEAD_S` before the impact, each with how much it speaks for being part of the pop.

    For it: louder than the clicks before, or the sound between it and the impact never falls back.
    Against it: no louder than they, shaped like them, on their beat. Positive: part of the pop.
    """
    size = max(1, round(FINE_S * rate_hz))
    lead = round(LEAD_S / FINE_S)
    impact = next((event for event in one.events if event.at == one.impact), None)
    top_db = impact.level_db if impact is not None else 0.0
    near = [e for e in one.events if one.impact - lead <= e.at < one.impact and e.level_db > top_db - 26.0]
    clicks = [e for e in one.events if e.at < one.impact - lead]
    usual_db = float(np.quantile([e.level_db for e in clicks], 0.9)) if len(clicks) >= 2 else 0.0
    before, after, slack = round(0.0005 * rate_hz), round(0.0035 * rate_hz), round(0.00075 * rate_hz)
    scored = []
    for event in near:
        score = 1.5
        if len(clicks) >= 2:
            score = float(np.clip((event.level_db - usual_db) / 3.0, -1.5, 3.5))
        peers = [e for e in clicks if e.level_db > event.level_db - 8.0]
        if score <= -0.5:
            continue
        if peers:
            wide = _snippet(one, event.at * size, before + slack, after + slack)
            shapes = [_snippet(one, e.at * size, before, after) for e in peers[-8:]]
            alike = max(_similarity(wide, shape)[0] for shape in shapes)
            score -= float(np.clip((alike - 0.4) * 8.0, -0.5, 3.0))
        gaps = np.diff([e.at for e in peers])
        if len(gaps) >= 2:
            beat = float(np.median(gaps))
            if float(np.median(np.abs(gaps - beat))) < 0.12 * beat:
                phase = (event.at - peers[-1].at) / beat
                score += 1.0 if abs(phase - round(phase)) > 0.25 else -0.5
        ahead = float(np.mean(one.steps[max(0, event.at - 12) : event.at])) if event.at else 0.0
        smooth = picker.moving_mean(one.steps[event.at : one.impact], 12)
        rest_db = 10.0 * np.log10(float(smooth.min()) / max(ahead, one.floor))
        score += float(np.clip(rest_db / 3.0, -0.5, 1.5))
        if one.impact - event.at < 0.012 / FINE_S:
            score += 1.0
        scored.append((event, score))
    return scored


def find_pops(
    coarse: Coarse,
    channel: int,
    window: Window,
    triggers: Sequence[float],
    stops: Sequence[float],
    deaf_s: float,
) -> list[PopFinding | None]:
    """The pop of each trial (trigger to stop, in frames), None for a misfire.

    Nothing is looked for within `deaf_s` after a trigger, where the mark itself is still heard.
    """
    rate = coarse.rate_hz
    firsts = [trigger + deaf_s * rate for trigger in triggers]
    places = [
        loudest_places(coarse, channel, first, stop - 0.02 * rate)
        for first, stop in zip(firsts, stops, strict=True)
    ]
    size = coarse.block_frames
    candidates = [
        [((block + 0.5) * size - trigger, energy) for block, energy in ones]
        for ones, trigger in zip(places, triggers, strict=True)
    ]
    agreement = agree(candidates, [stop - first for first, stop in zip(firsts, stops, strict=True)], rate)
    if agreement is None or not agreement.sure:
        return [None] * len(triggers)
    found: list[PopFinding | None] = []
    for begin in range(0, len(triggers), TOGETHER):
        part = slice(begin, begin + TOGETHER)
        looks = [
            _contenders(coarse, ones, delays, window, first, agreement, len(triggers))
            for ones, delays, first in zip(places[part], candidates[part], firsts[part], strict=True)
        ]
        found += _compare(looks, triggers[part], agreement, len(triggers), rate)
    return found


def _contenders(
    coarse: Coarse,
    places: list[tuple[int, float]],
    candidates: list[tuple[float, float]],
    window: Window,
    first_frame: float,
    agreement: Agreement,
    trials: int,
) -> list[Look]:
    """The bangs of one trial that could be its pop: loud, and not far from where the others pop."""
    worths_db = []
    for delay, energy in candidates:
        worth_db = float(10.0 * np.log10(max(energy, 1e-30)))
        if trials >= 3:
            worth_db -= min(12.0, 3.0 * ((delay - agreement.middle) / agreement.reach) ** 2)
        worths_db.append(worth_db)
    looks: list[Look] = []
    for index in sorted(range(len(places)), key=lambda index: -worths_db[index]):
        if looks and worths_db[index] < looks[0].worth_db - 6.0:
            break
        one = look(coarse, places[index][0], window, first_frame)
        if one is not None:
            one.worth_db = worths_db[index]
            looks.append(one)
    return looks


def _compare(
    looks: list[list[Look]],
    triggers: Sequence[float],
    agreement: Agreement,
    trials: int,
    rate_hz: int,
) -> list[PopFinding | None]:
    """Hold the bangs of all trials against each other, choose one in each, and time every release."""
    every = [one for ones in looks for one in ones]
    if not every:
        return [None] * len(looks)
    _whiten_alike(looks, rate_hz)
    chosen = [max(ones, key=_promise, default=None) for ones in looks]
    model = _typical([one for one in chosen if one is not None], rate_hz)
    if model is not None:
        for one in every:
            _align(one, model, rate_hz)
        chosen = [max(ones, key=_promise, default=None) for ones in looks]
    stand_db = [0.0 if one is None else _stands_out_db(one, rate_hz) for one in chosen]
    clear = [the.level_db for the, db in zip(chosen, stand_db, strict=True) if the and db >= LEAST_RISE_DB]
    if not clear:
        return [None] * len(looks)
    level_db = float(np.median(clear))
    popped: list[Look | None] = []
    for best, db, trigger in zip(chosen, stand_db, triggers, strict=True):
        if best is None:
            popped.append(None)
            continue
        least_db, weakest_db = LEAST_RISE_DB, level_db - 14.0
        if trials >= 3:
            away = abs(best.begin + best.loudest - trigger - agreement.middle) / agreement.reach
            like = best.likeness or 0.0
            if away <= 1.0 and best.level_db > level_db - 6.0 and (like >= 0.3 or db > 7.0):
                # where and as loud as the others pop, so less contrast will do
                least_db = 5.0
            elif away > 2.0:
                # far from where they pop, so it must be as loud and sound the same
                weakest_db = level_db - 6.0
                least_db = LEAST_RISE_DB if like >= 0.25 else np.inf
        popped.append(best if db >= least_db and best.level_db >= weakest_db else None)
    family = _Family.of([one for one in popped if one is not None], rate_hz)
    return [
        None if one is None else family.settle(one, _rival(one, ones))
        for one, ones in zip(popped, looks, strict=True)
    ]


def _promise(one: Look) -> float:
    """How much a bang promises to be its trial's pop, in dB: loud, clear, and like its siblings."""
    return one.worth_db + 0.3 * min(one.rise_db, 30.0) + 15.0 * (one.likeness or 0.0)


def _rival(one: Look, others: list[Look]) -> Look | None:
    """Another bang of the trial that promises nearly as much."""
    rest = [other for other in others if other is not one and _promise(other) > _promise(one) - 4.0]
    return max(rest, key=_promise, default=None)


def _stands_out_db(one: Look, rate_hz: int) -> float:
    """How far the bang stands out on the better of two views: a soft thud does so on plain energy only."""
    width = max(4, round(IMPACT_S * rate_hz))
    before = _background(one, rate_hz)
    rows = before[: len(before) // width * width].reshape(-1, width)
    if not len(rows):
        return one.rise_db
    usual = float(np.median(rows.var(axis=1)))
    return max(one.rise_db, one.level_db - float(10.0 * np.log10(max(usual, 1e-30))))


def _typical(chosen: list[Look], rate_hz: int) -> Look | None:
    """The bang that is most like the others, or None with fewer than three; at most eight are compared."""
    some = _some(chosen)
    if len(chosen) < 3:
        return None
    means = []
    for model in some:
        values = [_same_moment(one, model, rate_hz)[0] for one in some if one is not model]
        means.append(float(np.median(values)))
    return some[int(np.argmax(means))]


def _some(looks: list[Look]) -> list[Look]:
    """At most eight, evenly spread."""
    return looks[:: -(-len(looks) // 8)] if looks else []


def _same_moment(one: Look, model: Look, rate_hz: int) -> tuple[float, float]:
    """Correlation (0 … 1) of a bang with the model's first 12 ms, and where in it the model's impact is.

    A bang without a sudden rise, such as a lasting noise that is loudest anywhere, is searched more widely.
    """
    size = max(1, round(FINE_S * rate_hz))
    before, after = round(0.001 * rate_hz), round(0.012 * rate_hz)
    ahead, behind = round((0.012 if _sudden(one) else 0.08) * rate_hz), round(0.012 * rate_hz)
    middle = one.impact * size
    shape = _snippet(model, model.impact * size, before, after)
    alike, lag = _similarity(_snippet(one, middle, before + ahead, after + behind), shape)
    return alike, middle + lag - ahead


def _sudden(one: Look) -> bool:
    return any(event.at == one.impact for event in one.events)


def _align(one: Look, model: Look, rate_hz: int) -> None:
    one.likeness, at = _same_moment(one, model, rate_hz)
    size = max(1, round(FINE_S * rate_hz))
    if one.likeness >= ALIKE:
        one.aligned = at
        if not _sudden(one):
            one.impact = round(at / size)
    elif _sudden(one):
        picked = _pick(one, one.impact, size)
        one.aligned = float(one.impact * size) if picked is None else picked[0]
    else:
        one.aligned = at if one.likeness >= 0.35 else None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Family:
    """What the trials of one recording share about the time between release and impact.

    `scores` and `vouched` weigh each look's events; `lead` is the time from release to impact in fine steps
    that all agree on (0: the impact itself is the first sound, None: too few to say); `offset` and `spread`
    are, in frames, where releases lie relative to the moment that was aligned.
    """

    rate_hz: int
    scores: dict[int, list[tuple[Event, float]]]
    vouched: dict[int, dict[int, float]]
    lead: float | None
    offset: float | None
    spread: float

    @classmethod
    def of(cls, members: list[Look], rate_hz: int) -> _Family:
        scores = {id(one): _lead_scores(one, rate_hz) for one in members}
        vouched = _shared_leads(members, scores) if len(members) >= 3 else {}
        aligned = [one for one in members if one.aligned is not None]
        lead = _common_lead(aligned, rate_hz) if len(aligned) >= 3 else None
        first = cls(rate_hz=rate_hz, scores=scores, vouched=vouched, lead=lead, offset=None, spread=0.0)
        alike = [one for one in aligned if (one.likeness or 0.0) >= ALIKE]
        offsets = [first.release(one)[0] - one.aligned for one in alike if one.aligned is not None]
        if len(offsets) < 3:
            return first
        offset = float(np.median(offsets))
        spread = 1.4826 * float(np.median(np.abs(np.array(offsets) - offset)))
        return replace(first, offset=offset, spread=max(spread, 0.5))

    @property
    def size(self) -> int:
        return max(1, round(FINE_S * self.rate_hz))

    def _vouched(self, one: Look, event: Event) -> float:
        return self.vouched.get(id(one), {}).get(one.impact - event.at, 0.0)

    def target(self, one: Look) -> int:
        """Fine step of the release."""
        weighed = []
        for event, score in self.scores[id(one)]:
            # a ratchet may keep step with the release; siblings can't vouch for what is like its clicks
            vouched = self._vouched(one, event)
            weighed.append((event, score + (vouched if score >= 0.0 else min(vouched, 0.0))))
        if self.lead is not None and one.aligned is not None:
            expected = one.aligned / self.size - self.lead
            near = [event for event in one.events if abs(event.at - expected) <= 0.004 / FINE_S]
            if self.lead > 0.0 and near:
                return max(near, key=lambda event: event.level_db - 0.5 * abs(event.at - expected)).at
        if self.lead is not None:
            # what no sibling has about there must speak very clearly for itself
            weighed = [
                (event, score if self._vouched(one, event) >= 0.5 else score - 2.0)
                for event, score in weighed
            ]
        least = max([1.0, *(score - 4.0 for _, score in weighed)])
        part = [event.at for event, score in weighed if score >= least]
        if self.lead and one.aligned is not None:
            # masked here, but the siblings say where it must be
            return part[0] if part else round(one.aligned / self.size - self.lead)
        return part[0] if part else one.impact

    def release(self, one: Look) -> tuple[float, float]:
        """Frame (in the look) of the release, and its standard error in frames."""
        at = self.target(one)
        return _pick(one, at, self.size) or (float(at * self.size), 0.002 * self.rate_hz)

    def settle(self, one: Look, rival: Look | None) -> PopFinding:
        """The finding for one trial."""
        frame, error = self.release(one)
        impact = _pick(one, one.impact, self.size)
        ms = 1000.0 / self.rate_hz
        reason = f"loudest bang of the cycle, {one.rise_db:.0f} dB above the sound before it"
        confidence = float(np.clip((one.rise_db - LEAST_RISE_DB + 4.0) / 16.0, 0.1, 1.0))
        if self.offset is not None and one.aligned is not None and (one.likeness or 0.0) >= ALIKE:
            usual = one.aligned + self.offset
            doubt = float(np.hypot(self.spread, 0.00002 * self.rate_hz / max(one.likeness or 0.0, 0.1)))
            if abs(frame - usual) > max(4.0 * doubt, 0.0003 * self.rate_hz) and error > 0.3 * doubt:
                reason += (
                    f"; its start is masked and taken from its siblings ({(usual - frame) * ms:+.1f} ms)"
                )
                frame, error = usual, doubt
                confidence *= 0.8
        impact_frame = frame if impact is None else max(frame, impact[0])
        if impact_frame - frame > 0.002 * self.rate_hz:
            reason += f"; let go {(impact_frame - frame) * ms:.1f} ms before it"
        rival_frame = None
        if rival is not None:
            rival_frame = float(rival.begin + rival.impact * self.size)
            away_s = (rival_frame - one.begin - frame) / self.rate_hz
            reason += f"; a bang {away_s:+.3f} s from it is nearly as good"
            confidence *= 0.5
        crest = np.abs(one.sound[one.loudest : one.loudest + round(IMPACT_S * self.rate_hz)])
        return PopFinding(
            release_frame=float(one.begin + frame),
            impact_frame=float(one.begin + impact_frame),
            error_frames=error,
            level_db=one.level_db,
            rise_db=one.rise_db,
            confidence=confidence,
            rival_frame=rival_frame,
            likeness=one.likeness,
            reason=reason,
            clipped=int(np.sum(crest >= crest.max() * (1.0 - 1e-6))) >= 4,
        )


def _common_lead(aligned: list[Look], rate_hz: int) -> float:
    """Fine steps from the release to the aligned moment, from all trials laid on top of each other.

    A sound that belongs to the pop is there in nearly every trial at the same place, and a ratchet click is
    not, so the profile is what seven of ten trials reach within 1.5 ms. It is compared with itself at leads
    that are longer than a release can have. 0 where nothing precedes the impact.
    """
    size = max(1, round(FINE_S * rate_hz))
    longest = round(LEAD_S / FINE_S)
    profiles = []
    for one in aligned:
        if one.aligned is None:
            continue
        smooth = 10.0 * np.log10(picker.moving_mean(one.steps, 6) / one.floor + 0.1)
        wide = smooth.copy()
        for shift in range(1, 7):
            np.maximum(wide[:-shift], smooth[shift:], out=wide[:-shift])
            np.maximum(wide[shift:], smooth[:-shift], out=wide[shift:])
        impact = round(one.aligned / size)
        line = wide[max(0, impact - 2 * longest) : impact + 1][::-1]
        if len(line) >= round(1.25 * longest):
            profiles.append(line)
    if len(profiles) < 3:
        return 0.0
    shortest = min(len(line) for line in profiles)
    profile, loud = np.quantile(np.array([line[:shortest] for line in profiles]), [0.3, 0.7], axis=0)
    far = profile[longest:]
    usual = float(np.median(far))
    noise = 1.4826 * float(np.median(np.abs(far - usual)))
    over = profile[: longest + 1] - usual
    # clicks that happen to fall together are loud in some trials and absent in others
    # and a ratchet that keeps step with the release does so earlier, too
    least = max(6.0 * noise, 3.0, 1.3 * float(far.max() - usual))
    high = (over > least) & (over > 0.45 * (loud[: longest + 1] - usual))
    # what smoothing and widening smear ahead of a start
    smear = 9
    leads = np.flatnonzero(high)
    if not len(leads):
        return 0.0
    runs = np.split(leads, np.flatnonzero(np.diff(leads) > 1) + 1)
    solid = [int(run[-1]) - smear for run in runs if len(run) >= 8]
    return float(max((lead for lead in solid if lead > 8), default=0))


def _pick(one: Look, at: int, size: int) -> tuple[float, float] | None:
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


def _shared_leads(
    good: list[Look], scored: dict[int, list[tuple[Event, float]]]
) -> dict[int, dict[int, float]]:
    """For every look and lead (in fine steps), how much its siblings vouch for that event.

    A release tick keeps its distance from the impact, a ratchet click drifts against it: so count the
    trials with an event about as loud at about that lead, and compare with what other leads would give.
    """
    near = round(0.005 / FINE_S)
    longest = round(LEAD_S / FINE_S)
    # row 0 asks about the event's own lead, the others about leads where only chance would answer
    shifts = near * np.array([0, -10, -8, -6, -4, 4, 6, 8, 10])
    pairs = [
        (index, event, one.impact - event.at)
        for index, one in enumerate(good)
        for event, _ in scored[id(one)]
    ]
    owners = np.array([index for index, _, _ in pairs], dtype=np.intp)
    leads = np.array([lead for _, _, lead in pairs], dtype=np.int64)
    levels_db = np.array([event.level_db for _, event, _ in pairs])
    bonus: dict[int, dict[int, float]] = {id(one): {} for one in good}
    for index, event, lead in pairs:
        asked = lead + shifts
        asked = asked[(shifts == 0) | ((asked > near) & (asked < longest))]
        others = (levels_db > event.level_db - 6.0) & (owners != index)
        rows, hits = np.nonzero(np.abs(asked[:, np.newaxis] - leads[others]) <= near)
        answers = np.zeros((len(asked), len(good)), dtype=bool)
        answers[rows, owners[others][hits]] = True
        shares = answers.sum(axis=1) / (len(good) - 1)
        chance = float(shares[1:].mean()) if len(shares) > 1 else 0.0
        bonus[id(good[index])][lead] = 5.0 * (float(shares[0]) - chance) - 1.0
    return bonus
