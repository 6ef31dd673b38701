"""The pop after each trigger: found on plain energy, timed on a whitened view, checked against its siblings.

Finding and timing are two problems. On a whitened view sharp ratchet clicks outshine a soft thud, so the
loudest impact is looked for on plain energy; on plain energy a start drowns in rumble, so it is timed on the
whitened one. The trials of a recording are many views of one event: where the delay, the shape of the bang
and the ticks before it agree, they vouch for each other; where they don't, the finding says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cuesync.hearing import picker
from cuesync.hearing.scan import Coarse
from cuesync.hearing.triggers import Window

Samples = NDArray[np.float64]

BEFORE_S = 0.7
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
    """A sudden rise: `at` in fine steps, `level_db` above the floor, `rise_db` above what was before."""

    at: int
    level_db: float
    rise_db: float


@dataclass(slots=True, kw_only=True, eq=False)
class Look:
    """The sound around one trial's loudest bang, cut so that it hangs on the sound and not on a block.

    `sound` starts at `begin` frames of the recording; `loudest` is where its loudest 10 ms begin. `white`,
    `steps` (energy of each fine step), `floor` (energy of a quiet step) and `events` come from `whitened`.
    """

    begin: int
    loudest: int
    sound: Samples
    level_db: float
    white: Samples
    steps: Samples
    floor: float
    events: list[Event]
    impact: int


def loudest_places(
    coarse: Coarse, channel: int, start_frame: float, stop_frame: float, most: int = 3
) -> list[tuple[int, float]]:
    """Blocks with the loudest bangs between two frames and their energy, loudest first, 60 ms apart."""
    start = coarse.block_at(start_frame)
    stop = coarse.block_at(stop_frame)
    if stop - start < 4:
        return []
    energy = coarse.energy_between(channel, start, stop)
    apart = round(0.06 / coarse.block_s)
    places = []
    for _ in range(most):
        top = int(np.argmax(energy))
        if energy[top] <= 0.0:
            break
        places.append((start + top, float(energy[top])))
        energy[max(0, top - apart) : top + apart + 1] = 0.0
    return places


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """What the trials of a recording agree on: `middle` and `reach` of the delay in frames, `share` of the
    trials inside, and whether that is more than chance."""

    middle: float
    reach: float
    share: float
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
    inside = {trial for trial, delay, _ in delays if abs(delay - middle) <= reach}
    count = len(candidates)
    members = at[np.abs(at - middle) <= reach]
    chance = float(
        np.median(
            [min(1.0, 2.0 * reach * max(1, len(delays) / count) / max(length, 1.0)) for length in lengths]
        )
    )
    return Agreement(
        middle=float(np.median(members)),
        reach=reach,
        share=len(inside) / count,
        sure=count < 3 or (len(inside) >= count / 3 and _at_least(len(inside), count, chance) < 1e-3),
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
    near = max(0, middle - begin - round(0.03 * rate))
    loudest = near + int(np.argmax(energy[near : middle - begin + round(0.03 * rate)]))
    # from here on everything hangs on the sound itself, not on where a block happened to begin
    cut = max(0, loudest - round(BEFORE_S * rate), min(round(first_frame) - begin, loudest - 2 * width))
    level = float(energy[loudest])
    return Look(
        begin=begin + cut,
        loudest=loudest - cut,
        sound=sound[cut : loudest + round(AFTER_S * rate)],
        level_db=float(10.0 * np.log10(max(level, 1e-30) / width)),
        white=np.zeros(0),
        steps=np.zeros(0),
        floor=0.0,
        events=[],
        impact=0,
    )


def _background(one: Look, rate_hz: int) -> Samples:
    """The sound well before the impact: what the motor does."""
    stop = one.loudest - round(0.03 * rate_hz)
    return one.sound[max(0, stop - round(0.4 * rate_hz)) : max(stop, 0)]


def whitened(one: Look, taps: Samples, rate_hz: int) -> None:
    """Fill in the whitened view, its events, and the one that is the impact."""
    one.white = picker.whiten(one.sound, taps)
    one.white[: len(taps)] = 0.0
    size = max(1, round(FINE_S * rate_hz))
    count = len(one.white) // size
    one.steps = (one.white[: count * size].reshape(count, size) ** 2).mean(axis=1)
    loud = one.loudest // size
    quiet = one.steps[len(taps) // size + 1 : max(loud - round(0.02 / FINE_S), len(taps) // size + 2)]
    top = float(one.steps[max(0, loud - 8) : loud + 48].max(initial=0.0))
    # the median of energies of few samples lies below their mean; 1.3 is about right for six or more
    one.floor = max(1.3 * float(np.median(quiet)) if len(quiet) else 0.0, 1e-9 * top, 1e-300)
    one.events = _events(one.steps, one.floor)
    width = round(IMPACT_S / FINE_S)
    near = [event for event in one.events if loud - width // 2 <= event.at <= loud + width]
    if near:
        one.impact = max(near, key=lambda event: event.level_db).at
    else:
        one.impact = loud + int(np.argmax(one.steps[loud : loud + width])) if loud < count else count - 1


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
    rises_db = 10.0 * np.log10(ratio[tops])
    return [
        Event(at=top + 12, level_db=float(level_db), rise_db=float(rise_db))
        for top, level_db, rise_db in zip(tops, levels_db, rises_db, strict=True)
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
        looks = []
        for ones, delays, first in zip(places[part], candidates[part], firsts[part], strict=True):
            looks.append(_best_look(coarse, ones, delays, window, first, agreement, len(triggers)))
        found += _compare(looks, triggers[part], agreement, rate)
    return found


def _best_look(
    coarse: Coarse,
    places: list[tuple[int, float]],
    candidates: list[tuple[float, float]],
    window: Window,
    first_frame: float,
    agreement: Agreement,
    trials: int,
) -> Look | None:
    """The loudest bang where the other trials pop; else the loudest of all."""
    order = list(range(len(places)))
    if trials >= 3:
        order.sort(key=lambda index: abs(candidates[index][0] - agreement.middle) > agreement.reach)
    for index in order:
        one = look(coarse, places[index][0], window, first_frame)
        if one is not None:
            return one
    return None


def _compare(
    looks: list[Look | None], triggers: Sequence[float], agreement: Agreement, rate_hz: int
) -> list[PopFinding | None]:
    """Whiten all looks alike, hold the bangs against each other, and time every release."""
    heard = [one for one in looks if one is not None]
    if not heard:
        return [None] * len(looks)
    taps = picker.prediction_error_filter([_background(one, rate_hz) for one in heard])
    for one in heard:
        whitened(one, taps, rate_hz)
    size = max(1, round(FINE_S * rate_hz))
    rises = [_rise_db(one) for one in heard]
    good = [one for one, rise_db in zip(heard, rises, strict=True) if rise_db >= LEAST_RISE_DB]
    level_db = float(np.median([one.level_db for one in good])) if good else 0.0
    scored = {id(one): _lead_scores(one, rate_hz) for one in good}
    shared = _shared_leads(good, scored) if len(good) >= 3 else {}
    likeness = _likeness(good, rate_hz) if len(good) >= 3 else {}
    found: list[PopFinding | None] = []
    for seen, trigger in zip(looks, triggers, strict=True):
        if seen is None or id(seen) not in scored or seen.level_db < level_db - 14.0:
            found.append(None)
            continue
        delay = seen.begin + seen.loudest - trigger
        outside = len(looks) >= 3 and abs(delay - agreement.middle) > agreement.reach
        alike = likeness.get(id(seen))
        if outside and (seen.level_db < level_db - 6.0 or (alike is not None and alike < 0.2)):
            found.append(None)
            continue
        found.append(_time(seen, scored[id(seen)], shared.get(id(seen), {}), alike, size, outside))
    return found


def _rise_db(one: Look) -> float:
    top = float(one.steps[one.impact : one.impact + 12].max(initial=0.0))
    return float(10.0 * np.log10(max(top, 1e-300) / one.floor))


def _shared_leads(
    good: list[Look], scored: dict[int, list[tuple[Event, float]]]
) -> dict[int, dict[int, float]]:
    """For every look and lead (in fine steps), how much its siblings vouch for that event.

    A release tick keeps its distance from the impact, a ratchet click drifts against it: so count the
    trials with an event about as loud at about that lead, and compare with what other leads would give.
    """
    near = round(0.004 / FINE_S)
    ones = [
        (
            np.array([one.impact - event.at for event, _ in scored[id(one)]], dtype=np.int64),
            np.array([event.level_db for event, _ in scored[id(one)]]),
        )
        for one in good
    ]
    shifts = near * np.array([-10, -8, -6, -4, 4, 6, 8, 10])
    bonus: dict[int, dict[int, float]] = {}
    for index, one in enumerate(good):
        bonus[id(one)] = {}
        others = [pair for other, pair in enumerate(ones) if other != index]
        for lead, level_db in zip(*ones[index], strict=True):
            hits = [leads[levels > level_db - 6.0] for leads, levels in others]
            share = float(np.mean([bool(np.any(np.abs(at - lead) <= near)) for at in hits]))
            asked = lead + shifts[(lead + shifts > near) & (lead + shifts < round(LEAD_S / FINE_S))]
            chance = float(
                np.mean(
                    [
                        np.any(np.abs(at[:, None] - asked) <= near, axis=0).mean() if len(at) else 0.0
                        for at in hits
                    ]
                )
            )
            bonus[id(one)][int(lead)] = 5.0 * (share - chance) - 1.0
    return bonus


def _likeness(good: list[Look], rate_hz: int) -> dict[int, float]:
    """Median correlation of each bang's first 12 ms with its siblings'; at most twelve of them are asked."""
    size = max(1, round(FINE_S * rate_hz))
    before, after, slack = round(0.001 * rate_hz), round(0.012 * rate_hz), round(0.003 * rate_hz)
    chosen = good[:: max(1, len(good) // 12)]
    shapes = {id(one): _snippet(one, one.impact * size, before, after) for one in chosen}
    values = {}
    for one in good:
        wide = _snippet(one, one.impact * size, before + slack, after + slack)
        others = [_similarity(wide, shape)[0] for key, shape in shapes.items() if key != id(one)]
        values[id(one)] = float(np.median(others))
    return values


def _time(
    one: Look,
    scores: list[tuple[Event, float]],
    shared: dict[int, float],
    alike: float | None,
    size: int,
    outside: bool,
) -> PopFinding | None:
    """Settle which event is the release and time it to the sample."""
    events = [(event, score + shared.get(one.impact - event.at, 0.0)) for event, score in scores]
    least = max([1.0, *(score - 2.5 for _, score in events)])
    part = [event for event, score in events if score >= least]
    release_at = part[0].at if part else one.impact
    release = _pick(one, release_at, size)
    impact = _pick(one, one.impact, size)
    if release is None:
        return None
    frame, error = release
    impact_frame = frame if release_at == one.impact or impact is None else impact[0]
    doubtful = [event for event, score in events if abs(score - least) < 1.0 and event.at != release_at]
    rise_db = _rise_db(one)
    crest = np.abs(one.sound[one.loudest : one.loudest + 40 * size])
    confidence = float(np.clip((rise_db - LEAST_RISE_DB + 4.0) / 16.0, 0.1, 1.0))
    reason = f"loudest bang of the cycle, {rise_db:.0f} dB above the sound before it"
    if release_at != one.impact:
        lead_ms = (impact_frame - frame) / size * FINE_S * 1000.0
        reason += f"; let go {lead_ms:.1f} ms before it"
    if outside:
        reason += "; far from where the other trials pop"
        confidence *= 0.6
    rival = None
    if doubtful:
        picked = _pick(one, doubtful[0].at, size)
        if picked is not None:
            rival = one.begin + picked[0]
            reason += (
                f"; a click {abs(picked[0] - frame) / size * FINE_S * 1000.0:.1f} ms away could be it as well"
            )
            confidence *= 0.7
    return PopFinding(
        release_frame=float(one.begin + frame),
        impact_frame=float(one.begin + max(frame, impact_frame)),
        error_frames=error,
        level_db=one.level_db,
        rise_db=rise_db,
        confidence=confidence,
        rival_frame=rival,
        likeness=alike,
        reason=reason,
        clipped=int(np.sum(crest >= crest.max() * (1.0 - 1e-6))) >= 4,
    )


def _pick(one: Look, at: int, size: int) -> tuple[float, float] | None:
    """Start of the event at a fine step: frame in the look, and its standard error in frames."""
    earlier = [event.at for event in one.events if event.at < at - 4]
    low = max(at - round(0.008 / FINE_S), (earlier[-1] + 4) if earlier else 0, 0)
    low = min(low, at - 8) * size
    low = max(low, 0)
    high = min((at + round(0.002 / FINE_S)) * size, len(one.white))
    pick = picker.pick_start(one.white[low:high])
    if pick is None:
        return None
    return float(low + pick.frame), pick.error_frames
