"""Trials as many views of one event: how alike the bangs are, where each has the same moment, what precedes.

A prop pops alike every time, and what belongs to the pop keeps its distance from the impact; a ratchet's
clicks drift against it.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from cuesync.hearing import picker
from cuesync.hearing.bangs import FINE_S, Event, Look, Samples, some_of, sudden, time_event

LEAD_S = 0.16
"""A release tick comes at most this much before the impact."""

_APART_S = 0.005
"""Places further apart than this, from which all trials share a sound, are several sounds."""

ALIKE = 0.6
"""Correlation from which two bangs are believed to be the same sound, so that one can stand for the other."""


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
    if one.likeness >= ALIKE:
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
    for one, lag in zip(members, lags, strict=True):
        place = one.loudest // size - ahead - slack + lag + impact
        events = [event.at for event in one.events if abs(event.at - place) <= near]
        one.impact = min(events, key=lambda at: abs(at - place), default=place)
        told = one.aligned is not None and abs(one.aligned / size - place) <= near
        if not told or (one.likeness or 0.0) < ALIKE:
            picked = time_event(one, one.impact, size) if events else None
            one.aligned = float(place * size) if picked is None else picked[0]


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


def _loud_lead(aligned: list[Look], rate_hz: int) -> float:
    """`common_lead` by what is loud within 1.5 ms of one place in seven of ten trials."""
    longest = round(LEAD_S / FINE_S)
    profiles = _back_from_impact(aligned, _loudness_db, rate_hz)
    if profiles is None:
        return 0.0
    profile, loud = (picker.quantile(profiles.T, share) for share in (0.3, 0.7))
    far = profile[longest:]
    usual = float(picker.median(far))
    noise = 1.4826 * float(picker.median(np.abs(far - usual)))
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


def common_lead(aligned: list[Look], rate_hz: int) -> float:
    """Fine steps from the release to the aligned moment, from all trials laid on top of each other.

    A sound that belongs to the pop starts in nearly every trial at the same place, and a ratchet click does
    not: so the profile is the sudden rise that seven of ten trials reach, and it is compared with itself at
    leads that are longer than a release can have. Where several sounds keep step with the impact, the teeth
    of the ratchet that drives it are among them, and only what is loud in every trial counts. 0 where nothing
    precedes the impact.
    """
    longest, least = round(LEAD_S / FINE_S), 12
    lines = _back_from_impact(aligned, _sudden_rise_db, rate_hz)
    if lines is None:
        return 0.0
    profile = picker.quantile(lines.T, 0.3)
    far = profile[longest:]
    usual = float(picker.median(far))
    noise = 1.4826 * float(picker.median(np.abs(far - usual)))
    # a ratchet that keeps step with the release does so earlier, too
    over = profile[:longest] - usual - max(5.0 * noise, 1.3 * float(far.max() - usual))
    over[:least] = -np.inf
    high = np.flatnonzero(over > 0.0)
    if not len(high):
        return 0.0
    if np.any(np.diff(high) > _APART_S / FINE_S):
        return _loud_lead(aligned, rate_hz)
    first = int(high[-1])
    return float(max(0, first - 4) + int(np.argmax(over[max(0, first - 4) : first + 1])))


def _back_from_impact(aligned: list[Look], view: Callable[[Look], Samples], rate_hz: int) -> Samples | None:
    """A view of each trial from the aligned moment back to twice `LEAD_S`; shape (trials, fine steps).

    Trials with too little sound before are left out; None where fewer than three are left.
    """
    size = max(1, round(FINE_S * rate_hz))
    longest = round(LEAD_S / FINE_S)
    lines = []
    for one in aligned:
        if one.aligned is not None:
            impact = round(one.aligned / size)
            line = view(one)[max(0, impact - 2 * longest) : impact + 1][::-1]
            if len(line) >= round(1.25 * longest):
                lines.append(line)
    if len(lines) < 3:
        return None
    shortest = min(len(line) for line in lines)
    return np.array([line[:shortest] for line in lines])


def _loudness_db(one: Look) -> Samples:
    """The largest level over the floor within 1.5 ms of each fine step."""
    smooth = 10.0 * np.log10(picker.moving_mean(one.steps, 6) / one.floor + 0.1)
    wide: Samples = smooth.copy()
    for shift in range(1, 7):
        np.maximum(wide[:-shift], smooth[shift:], out=wide[:-shift])
        np.maximum(wide[shift:], smooth[:-shift], out=wide[shift:])
    return wide


def _sudden_rise_db(one: Look) -> Samples:
    """How far the millisecond from each fine step on stands above the three before it, at most 4 dB."""
    sums = np.concatenate([[0.0], np.cumsum(one.steps / one.floor)])
    here = sums[12:-4]
    rise_db = np.zeros(len(one.steps))
    rise_db[12:-3] = 10.0 * np.log10(((sums[16:] - here) / 4.0 + 0.25) / ((here - sums[:-16]) / 12.0 + 0.25))
    return np.clip(rise_db, -4.0, 4.0)
