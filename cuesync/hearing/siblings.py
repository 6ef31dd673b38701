"""Trials as many views of one event: how alike the bangs are, where each has the same moment, what precedes.

A prop pops alike every time, and what belongs to the pop keeps its distance from the impact; a ratchet's
clicks drift against it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cuesync.hearing import picker
from cuesync.hearing.bangs import FINE_S, Event, Look, Samples, some_of, sudden, time_event

LEAD_S = 0.16
"""A release tick comes at most this much before the impact."""

SCATTER = 0.08
MOST_SCATTER_S = 0.004
"""By what share of itself the time from release to impact scatters from trial to trial, and at most."""

ALIKE = 0.6
"""Correlation from which two bangs are believed to be the same sound, so that one can stand for the other."""

VERY_ALIKE = 0.8
"""Correlation from which the shape is believed rather than the envelope; a bell is like itself a cycle on."""

_BACK_S = 0.006
_BACKS = 12
_LEAST_GAIN = 4.0
"""Before a start a softer one is looked for in this stretch, and the like of it in those before that; each
trial must find it likelier than no start by this (natural logarithm)."""


def typical(chosen: list[Look], rate_hz: int) -> Look | None:
    """The bang that is most like the others, or None with fewer than three; at most eight are compared."""
    some = some_of(chosen)
    if len(chosen) < 3:
        return None
    means = []
    for model in some:
        values = [_same_moment(one, model, rate_hz)[0] for one in some if one is not model]
        means.append(float(picker.median(values)))
    return some[int(np.argmax(means))]


def _same_moment(one: Look, model: Look, rate_hz: int) -> tuple[float, float]:
    """Correlation (0 … 1) of a bang with the model's first 12 ms, and where in it the model's impact is.

    A bang without a sudden rise, such as a lasting noise that is loudest anywhere, is searched more widely.
    """
    size = max(1, round(FINE_S * rate_hz))
    before, after = round(0.001 * rate_hz), round(0.012 * rate_hz)
    ahead, behind = round((0.012 if sudden(one) else 0.08) * rate_hz), round(0.012 * rate_hz)
    middle = one.impact * size
    shape = snippet(model, model.impact * size, before, after)
    alike, lag = similarity(snippet(one, middle, before + ahead, after + behind), shape)
    return alike, middle + lag - ahead


def align(one: Look, model: Look, rate_hz: int) -> None:
    """Say how much a bang is like the model, and where the same moment is in it."""
    one.likeness, at = _same_moment(one, model, rate_hz)
    size = max(1, round(FINE_S * rate_hz))
    one.by_shape = one.likeness >= ALIKE
    if one.by_shape:
        one.aligned = at
        if not sudden(one):
            one.impact = round(at / size)
    elif sudden(one):
        picked = time_event(one, one.impact, size)
        one.aligned = float(one.impact * size) if picked is None else picked[0]
    else:
        one.aligned = at if one.likeness >= 0.35 else None


def lay_together(members: list[Look], rate_hz: int) -> None:
    """Give all trials the same impact: their envelopes are laid on top of each other.

    The impact is where the mean envelope rises most, in each trial the event there. Fewer than three trials
    stay as they are.
    """
    if len(members) < 3:
        return
    size = max(1, round(FINE_S * rate_hz))
    ahead, behind, slack = (round(seconds / FINE_S) for seconds in (0.02, 0.03, 0.012))
    lines = [
        _envelope(one, one.loudest // size - ahead - slack, ahead + behind + 2 * slack) for one in members
    ]
    some = some_of(lines)
    shapes = [line[slack : slack + ahead + behind] for line in some]
    shape = max(shapes, key=lambda shape: sum(float(_closeness(line, shape).max()) for line in some))
    lags = [0]
    for _ in range(3):
        lags = [int(np.argmax(_closeness(line, shape))) for line in lines]
        parts = [line[lag : lag + ahead + behind] for line, lag in zip(lines, lags, strict=True)]
        shape = np.stack(parts).mean(axis=0)
    low, high = ahead - round(0.01 / FINE_S), ahead + round(0.01 / FINE_S)
    rises = [float(shape[at : at + 6].mean() - shape[at - 12 : at].mean()) for at in range(low, high)]
    impact = low + int(np.argmax(rises))
    near = 0.0015 / FINE_S
    places = [
        float(one.loudest // size - ahead - slack + lag + impact)
        for one, lag in zip(members, lags, strict=True)
    ]
    told = [
        one.by_shape and abs((one.aligned or 0.0) / size - place) <= near
        for one, place in zip(members, places, strict=True)
    ]
    # where shape and envelope agree in most trials, the shape, which is finer, is believed in the others
    if 2 * sum(told) > sum(one.by_shape for one in members):
        for at, one in enumerate(members):
            if one.by_shape and not told[at] and (one.likeness or 0.0) >= VERY_ALIKE:
                places[at], told[at] = (one.aligned or 0.0) / size, True
    for one, place, tell in zip(members, places, told, strict=True):
        events = [event.at for event in one.events if abs(event.at - place) <= near]
        one.impact = min(events, key=lambda at: abs(at - place), default=round(place))
        one.by_shape = tell
        if not tell:
            picked = time_event(one, one.impact, size) if events else None
            one.aligned = place * size if picked is None else picked[0]


def _envelope(one: Look, begin: int, count: int) -> Samples:
    """Fourth root of the energy of `count` fine steps over the largest of them, zeros beyond the ends.

    The root keeps a soft start in sight, and a click that falls beside the bang from outweighing it.
    """
    part = picker.moving_mean(one.steps, 3)[max(0, begin) : max(0, begin + count)]
    line: Samples = np.zeros(count)
    line[max(0, -begin) :][: len(part)] = (part / max(float(part.max(initial=0.0)), 1e-300)) ** 0.25
    return line


def _closeness(line: Samples, shape: Samples) -> Samples:
    """Minus the squared distance between `shape` and each part of `line`."""
    sums = np.concatenate([[0.0], np.cumsum(line**2)])
    closeness: Samples = (
        2.0 * np.correlate(line, shape, mode="valid")
        - (sums[len(shape) :] - sums[: -len(shape)])
        - float(np.sum(shape**2))
    )
    return closeness


def snippet(one: Look, at_frame: int, before: int, after: int) -> Samples:
    """White samples around a frame, filled up with zeros at the ends."""
    low, high = at_frame - before, at_frame + after
    if low >= 0 and high <= len(one.white):
        return one.white[low:high]
    part = one.white[max(0, low) : max(0, min(high, len(one.white)))]
    return np.pad(part, (max(0, -low), max(0, high - len(one.white))))[: before + after]


def similarity(wide: Samples, narrow: Samples) -> tuple[float, float]:
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


def most_alike(wide: Samples, shapes: list[Samples]) -> float:
    """The largest `similarity` that any of the shapes, all of one length, finds inside `wide`."""
    rows = np.array(shapes)
    parts = np.lib.stride_tricks.sliding_window_view(wide, rows.shape[1])
    squares = np.einsum("ij,ij->i", parts, parts)[:, None] * np.einsum("ij,ij->i", rows, rows)
    values = parts @ rows.T / np.maximum(np.sqrt(squares), 1e-300)
    return max(float(values.max()), 0.0)


def shared_leads(
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


def common_lead(aligned: list[Look], rate_hz: int) -> float:
    """Fine steps from the release to the aligned moment, from all trials laid on top of each other.

    What belongs to the pop rises in seven of ten trials at the same lead, and a ratchet's click does not: so
    the rise that they reach is compared with itself at leads that are longer than a release can have. Teeth
    of the ratchet and the rattle of gears keep step with the release as well, but they rise as much a little
    earlier or later; so what all rise at one lead must also be more than what they rise somewhere within the
    scatter of a release that takes longer. Where no lead is that constant, the release is what they rise
    somewhere within its own scatter, and rise nowhere else. 0 where nothing precedes the impact.
    """
    longest, least = round(LEAD_S / FINE_S), 12
    lines = _back_from_impact(aligned, rate_hz)
    if lines is None:
        return 0.0
    narrow = picker.quantile(lines.T, 0.3)
    scattered = _within_scatter(lines).T
    wide, loud = (picker.quantile(scattered, share) for share in (0.3, 0.7))
    over = _over_far(narrow, narrow, 5.0, 0.0)
    for _, first in reversed(_runs(over[:longest] > 0.0, least)):
        low = max(least, first - 4)
        lead = low + int(np.argmax(over[low : first + 1]))
        beyond = lead + round(SCATTER * lead) + 8
        if narrow[lead] > float(picker.median(wide[beyond : beyond + longest])):
            return float(lead)
    # clicks that happen to fall together are loud in some trials and absent in others
    runs = _runs(_over_far(wide, loud, 6.0, 3.0)[:longest] > 0.0, least)
    return 0.5 * sum(runs[-1]) if runs else 0.0


def _over_far(line: Samples, far_line: Samples, noises: float, least_db: float) -> Samples:
    """By how much `line` outdoes all that `far_line` holds at leads longer than a release can have."""
    longest = round(LEAD_S / FINE_S)
    far, loud = line[longest:], far_line[longest:]
    usual = float(picker.median(far))
    noise = 1.4826 * float(picker.median(np.abs(far - usual)))
    loudest = float(loud.max() - np.median(loud))
    over: Samples = line - usual - max(noises * noise, 1.3 * loudest, least_db)
    return over


def _runs(high: NDArray[np.bool_], least: int) -> list[tuple[int, int]]:
    """First and last place of each run in `high` from place `least` on."""
    places = least + np.flatnonzero(high[least:])
    if not len(places):
        return []
    runs = np.split(places, np.flatnonzero(np.diff(places) > 1) + 1)
    return [(int(run[0]), int(run[-1])) for run in runs]


def _within_scatter(lines: Samples) -> Samples:
    """The largest value within the scatter of each lead; shape as `lines`, whose places are leads."""
    wide = lines.copy()
    count = lines.shape[1]
    for shift in range(1, round(MOST_SCATTER_S / FINE_S) + 1):
        low = int(np.ceil(shift / SCATTER))
        np.maximum(wide[:, low : count - shift], lines[:, low + shift :], out=wide[:, low : count - shift])
        np.maximum(wide[:, low:], lines[:, low - shift : count - shift], out=wide[:, low:])
    return wide


def _back_from_impact(aligned: list[Look], rate_hz: int) -> Samples | None:
    """Sudden rises of each trial from the aligned moment back to twice `LEAD_S`; shape (trials, fine steps).

    Trials with too little sound before are left out; None where fewer than three are left.
    """
    size = max(1, round(FINE_S * rate_hz))
    longest = round(LEAD_S / FINE_S)
    lines = []
    for one in aligned:
        if one.aligned is not None:
            impact = round(one.aligned / size)
            line = _sudden_rise_db(one)[max(0, impact - 2 * longest) : impact + 1][::-1]
            if len(line) >= round(1.25 * longest):
                lines.append(line)
    if len(lines) < 3:
        return None
    shortest = min(len(line) for line in lines)
    return np.array([line[:shortest] for line in lines])


def _sudden_rise_db(one: Look) -> Samples:
    """How far the millisecond from each fine step on stands above the three before it."""
    sums = np.concatenate([[0.0], np.cumsum(one.steps / one.floor)])
    here = sums[12:-4]
    rise_db = np.zeros(len(one.steps))
    rise_db[12:-3] = 10.0 * np.log10(((sums[16:] - here) / 4.0 + 0.25) / ((here - sums[:-16]) / 12.0 + 0.25))
    return rise_db


def shared_start(alike: list[Look], offsets: Samples, rate_hz: int) -> float | None:
    """Where all trials together start, in frames from the aligned moment; None where they don't start alike.

    `offsets` is where each starts by itself. Around the middle of that their likelihoods are multiplied, and
    what comes before is then searched for a start that is too soft for one trial. At most sixteen are asked.
    """
    each = -(-len(alike) // 16)
    alike, offsets = alike[::each], offsets[::each]
    moments = np.array([one.aligned for one in alike], dtype=np.float64)
    middle = float(picker.median(offsets))
    ahead, behind = round(0.003 * rate_hz), round(0.001 * rate_hz)
    curves = []
    for one, place in zip(alike, np.round(moments + middle).astype(int).tolist(), strict=True):
        curve = picker.start_curve(one.view, one.white, max(0, place - ahead), place + behind, one.every)
        if curve is not None and len(curve) == ahead + behind + 1:
            # no trial outweighs the others
            curves.append(np.minimum(curve - curve.min(), 40.0))
    if len(curves) < 3:
        return None
    start = middle + int(np.argmin(np.sum(curves, axis=0))) - ahead
    # the release may scatter against the impact, the more the longer it lasts
    scatter = float(picker.quantile(np.abs(offsets - start), 0.25)) / 0.32
    if abs(start) > 0.005 * rate_hz and scatter > 0.0005 * rate_hz:
        return None
    while step := _earlier_start(alike, moments + start, rate_hz):
        start -= step
    return start


def _earlier_start(alike: list[Look], starts: Samples, rate_hz: int) -> int:
    """By how many frames all trials have another start before the one given; 0 without.

    Seven of ten must get louder at the same place by more than they do anywhere in the noise before.
    """
    width = round(_BACK_S * rate_hz)
    ends = np.round(starts).astype(int).tolist()
    count = min(_BACKS, *(end // width for end in ends))
    if count < _BACKS // 2:
        return 0
    parts = [
        one.white[end - count * width : end].reshape(count, width)[::-1]
        for one, end in zip(alike, ends, strict=True)
    ]
    gains = np.array([[picker.louder_from(part) for part in rows] for rows in parts])
    shared = picker.quantile(np.moveaxis(gains, 0, -1), 0.3)
    # in a low view, neighbouring samples tell the same
    least = 2.0 * _LEAST_GAIN * alike[0].every
    if float(shared[0].max()) <= max(1.3 * float(shared[2:].max()), least):
        return 0
    return width - int(np.argmax(shared[0]))
