"""The stroke that all trials share: the first that outdoes what motor and ratchet did before.

A thing that still rings adds to its own rebound, so the loudest moment of a trial may come after the rebound.
What tells a stroke from a click is not how loud it is but that it brings more than any click does in some
octave. So each octave's new energy is held against the most that the usual trial heard there before its bang,
and the trials are laid on top of each other: clicks and voices fall here and there, a stroke does not.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from cuesync.hearing import picker
from cuesync.hearing.bangs import IMPACT_S, Look, Samples, some_of

REBOUND_S = 0.25
"""A rebound comes at most this much after its stroke."""

STEP_S = 0.0025
SPAN = round(REBOUND_S / STEP_S)
"""Step in which strokes are looked for, and place of the loudest moment in a line of steps."""

TAIL = 12
"""Steps of a line after the loudest moment."""

FULL_DB = 15.0
"""What outdoes the motor by more counts no more."""

LEAST_DB = 4.0
STROKE_DB = 6.0
"""How far a stroke outdoes the motor, and how much less than the strongest it may."""

SAME_DB = 1.5
"""Of strokes that bring as much energy within this, the first is the impact: a rebound may be lifted by the
ringing that it falls into."""


def to_common_stroke(looks: list[list[Look]], triggers: Sequence[float], rate_hz: int) -> list[list[Look]]:
    """Move every look to the same stroke of its trial, the strongest; looks that come to one are one.

    Looks that fit their siblings less lose worth. Where no trial has sound enough before its bang, or nothing
    outdoes it, all stay as they are.
    """
    firsts = [ones[0] for ones in looks if ones]
    lines = _outdone(looks, firsts, rate_hz)
    if not lines:
        return looks
    stack = _stacked([lines[id(one)] for one in firsts])
    high = np.flatnonzero(
        np.maximum(stack, np.append(stack[1:], 0.0)) >= max(LEAST_DB, float(stack.max()) - STROKE_DB)
    )
    if not len(high):
        return looks
    shifts = _shifts(looks, triggers, lines, stack, rate_hz)
    strokes: list[tuple[int, float]] = []
    for place in (high + 1).tolist():
        if not strokes or place >= strokes[-1][0] + 0.012 / STEP_S:
            rises = [_rise(one, place + shifts[id(one)], rate_hz)[1] for one in firsts]
            strokes.append((place, float(picker.median(rises))))
    least = 10.0 ** (-SAME_DB / 10.0) * max(rise for _, rise in strokes)
    stroke = next(place for place, rise in strokes if rise >= least)
    kept: list[list[Look]] = []
    for ones in looks:
        moved: list[Look] = []
        for one in ones:
            _move(one, _rise(one, stroke + shifts[id(one)], rate_hz)[0], rate_hz)
            at = one.begin + one.loudest
            if all(abs(at - other.begin - other.loudest) > 0.03 * rate_hz for other in moved):
                moved.append(one)
        kept.append(moved)
    return kept


def _outdone(looks: list[list[Look]], firsts: list[Look], rate_hz: int) -> dict[int, Samples]:
    """For each look and step, by how many dB the best octave outdoes what the usual trial heard before.

    Shape (SPAN + TAIL,), the loudest moment at place SPAN. Empty where no trial has sound before.
    """
    news = {id(one): _news(one, rate_hz) for ones in looks for one in ones}
    hop = _hop(rate_hz)
    usual = []
    for one in firsts:
        before = news[id(one)][: max(0, one.loudest // hop - SPAN)]
        if len(before) >= 0.06 / STEP_S:
            usual.append(before.max(axis=0))
    if not usual:
        return {}
    most = np.maximum(picker.median(np.transpose(usual)), 1e-300)
    lines = {}
    for one in (one for ones in looks for one in ones):
        outdone_db = 10.0 * np.log10((news[id(one)] / most).max(axis=1) + 1e-12)
        place = one.loudest // hop
        part = outdone_db[max(0, place - SPAN) : place + TAIL]
        line = np.zeros(SPAN + TAIL)
        line[max(0, SPAN - place) :][: len(part)] = np.clip(part, 0.0, FULL_DB)
        lines[id(one)] = line
    return lines


def _news(one: Look, rate_hz: int) -> Samples:
    """New energy in each octave from 100 Hz up: 10 ms from every step on against the 10 ms before it.

    Shape (steps, octaves). The first steps, which have nothing before them, hold zeros.
    """
    ahead = round(IMPACT_S / STEP_S)
    hop = _hop(rate_hz)
    rows = np.lib.stride_tricks.sliding_window_view(one.sound.astype(np.float32), ahead * hop)[::hop]
    # numpy goes by float32 only where it has to scale
    spectra = np.fft.rfft(rows, axis=1, norm="forward")
    octaves = max(1, int(np.log2(0.5 * rate_hz / 100.0)))
    power = np.add.reduceat(spectra.real**2 + spectra.imag**2, 2 ** np.arange(octaves), axis=1)
    news: Samples = np.zeros(power.shape)
    news[ahead:] = np.maximum(power[ahead:] - power[:-ahead], 0.0)
    return news


def _hop(rate_hz: int) -> int:
    return max(1, round(STEP_S * rate_hz))


def _stacked(lines: list[Samples]) -> Samples:
    """The mean of all lines, each moved to where it fits the others best."""
    if len(lines) < 3:
        stack = lines[0]
    else:
        some = some_of(lines)
        sums = [sum(float(_fits(other, line).max()) for other in some) for line in some]
        stack = some[int(np.argmax(sums))]
    for _ in range(2):
        shifts = [int(np.argmax(_fits(line, stack))) - len(stack) + 1 for line in lines]
        moved = [_moved(line, shift) for line, shift in zip(lines, shifts, strict=True)]
        stack = np.stack(moved).mean(axis=0)
    return stack


def _fits(line: Samples, stack: Samples) -> Samples:
    """How well `line` fits when it is later than `stack` by 1 − len(stack) … len(line) − 1 steps."""
    products: Samples = np.correlate(line, stack, mode="full")
    return products


def _moved(line: Samples, shift: int) -> Samples:
    """The line `shift` steps earlier, filled up with zeros."""
    moved: Samples = np.zeros_like(line)
    low, high = max(0, shift), min(len(line), len(line) + shift)
    moved[low - shift : high - shift] = line[low:high]
    return moved


def _shifts(
    looks: list[list[Look]],
    triggers: Sequence[float],
    lines: dict[int, Samples],
    stack: Samples,
    rate_hz: int,
) -> dict[int, int]:
    """By how many steps each look's line is later than the stack.

    The delay scatters about as much as its siblings do, so what fits nearly as well at the usual delay is
    believed rather than what fits at an odd one.
    """
    hop, zero = _hop(rate_hz), len(stack) - 1
    shifts = {key: int(np.argmax(_fits(line, stack))) - zero for key, line in lines.items()}
    delays = [
        ones[0].begin + ones[0].loudest + shifts[id(ones[0])] * hop - trigger
        for ones, trigger in zip(looks, triggers, strict=True)
        if ones
    ]
    if len(delays) < 3:
        return shifts
    middle = float(picker.median(delays))
    spread = max(1.4826 * float(picker.median(np.abs(np.array(delays) - middle))), 0.01 * rate_hz)
    for ones, trigger in zip(looks, triggers, strict=True):
        tops = []
        for one in ones:
            fits = _fits(lines[id(one)], stack)
            away = one.begin + one.loudest + (np.arange(len(fits)) - zero) * hop - trigger - middle
            top = int(np.argmax(fits / (1.0 + (away / (3.0 * spread)) ** 2)))
            # the usual delay chooses among the places, it doesn't pull at them
            low = max(0, top - 4)
            shifts[id(one)] = low + int(np.argmax(fits[low : top + 5])) - zero
            tops.append(float(fits[shifts[id(one)] + zero]))
        for one, fit in zip(ones, tops, strict=True):
            one.worth_db += float(20.0 * np.log10((fit + 1e-9) / (max(tops) + 1e-9)))
    return shifts


def _rise(one: Look, place: int, rate_hz: int) -> tuple[int, float]:
    """Where the plain energy rises most around a place in the line, and by how much.

    10 ms are held against the 10 ms before them.
    """
    width = max(4, round(IMPACT_S * rate_hz))
    low = max(one.loudest + (place - SPAN) * _hop(rate_hz) - round(0.008 * rate_hz), width)
    part = one.sound[low - width : low + 3 * width]
    if len(part) < 3 * width:
        return one.loudest, 0.0
    sums = np.concatenate([[0.0], np.cumsum(part**2)])
    energy = sums[width:] - sums[:-width]
    rise = energy[width:] - energy[:-width]
    top = int(np.argmax(rise))
    return low + top, float(max(rise[top], 0.0))


def _move(one: Look, at: int, rate_hz: int) -> None:
    """Take a frame for the look's loudest moment; a slow sound gets louder for a little longer."""
    width = max(4, round(IMPACT_S * rate_hz))
    sums = np.concatenate([[0.0], np.cumsum(one.sound[at : at + 3 * width] ** 2)])
    energy = sums[width:] - sums[:-width]
    one.loudest = at
    one.level_db = float(10.0 * np.log10(max(float(energy.max(initial=0.0)), 1e-30) / width))
