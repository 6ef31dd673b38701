"""Triggers: contact edges (a level, or a spike behind a capacitor; bounce, hum) and a button's clicks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cuesync.hearing import picker
from cuesync.hearing.scan import Coarse

Samples = NDArray[np.float64]
Window = Callable[[int, int], Samples]
"""Reads samples start … stop of one channel at full rate; shorter at the recording's ends."""

BOUNCE_S = 0.03
"""Edges closer than this to the one before belong to it (worst good switch 6.2 ms, Ganssle)."""

RINGING_S = 0.024
"""Bounce is over after this; a sound that rings on is no contact."""

APART_S = 0.3
"""A second closing sooner than this is a very bad switch, not a second press (one such: 157 ms, Ganssle)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """First edge of a bouncing contact.

    `frame` is where it is half-way, between samples; `height` how far the line moves in the next 2 ms,
    positive upwards; `sharpness` the share of the jump's energy in a few single steps: near 1 for a contact,
    small for a sound.
    """

    frame: float
    height: float
    sharpness: float


def find_edges(coarse: Coarse, channel: int, window: Window, most: int | None = None) -> list[Edge]:
    """Edges in one channel, bounce merged, in order of time; at most the first `most`."""
    sharp = coarse.sharp[channel]
    if not len(sharp):
        return []
    top = float(sharp.max())
    floor = float(picker.median(sharp))
    # a fifth of the largest jump, and well above the line's own noise
    threshold = max(0.04 * top, 40.0 * floor)
    if top <= threshold:
        return []
    starts = groups(np.flatnonzero(sharp > threshold), max(1, round(BOUNCE_S / coarse.block_s)))
    edges = []
    for block in starts[:most]:
        edge = _first_step(coarse, block, window)
        if edge is not None:
            edges.append(edge)
    return edges


def closings(edges: list[Edge]) -> list[Edge]:
    """Those edges that close the contact: the direction of the first one, very late bounce left out."""
    return [edge for edge in edges if edge.height * edges[0].height > 0.0]


def contact_likeness(coarse: Coarse, channel: int, window: Window) -> float:
    """0 … 1: how much a channel looks like a contact: few single steps, and nothing in between.

    A microphone's channel is near 0, as its bangs ring and its rest is noise.
    """
    sharp = coarse.sharp[channel]
    top = float(sharp.max(initial=0.0))
    if top <= 0.0:
        return 0.0
    gap = max(1, round(BOUNCE_S / coarse.block_s))
    count = len(groups(np.flatnonzero(sharp > 0.04 * top), gap))
    if int(np.sum(sharp > 1e-3 * top)) * coarse.block_s > RINGING_S * count:
        return 0.0
    edges = find_edges(coarse, channel, window, most=8)
    return float(picker.median([edge.sharpness for edge in edges])) if edges else 0.0


def groups(places: NDArray[np.intp], gap: int) -> list[int]:
    """First of every run of places that follow each other within `gap`."""
    if not len(places):
        return []
    return [int(places[0]), *(int(place) for place in places[1:][np.diff(places) > gap])]


def _first_step(coarse: Coarse, block: int, window: Window) -> Edge | None:
    before = round(0.02 * coarse.rate_hz)
    after = round(0.02 * coarse.rate_hz)
    begin = max(0, block * coarse.block_frames - before)
    line = window(begin, begin + before + after)
    steps = np.diff(line)
    if len(steps) < 8:
        return None
    largest = float(np.abs(steps).max())
    if largest <= 0.0:
        return None
    quiet = np.abs(steps[: round(0.01 * coarse.rate_hz)])
    least = max(0.2 * largest, 8.0 * 1.4826 * float(picker.median(quiet)))
    seen = np.flatnonzero(np.abs(steps) > least)
    clear = int(np.flatnonzero(np.abs(steps) > 0.5 * largest)[0])
    # a faint first touch counts if the line is quiet again before the clear step; the ringing of the input's
    # filter or of a lossy format leads up to that step without a pause
    ahead = seen[seen <= clear]
    pauses = np.flatnonzero(np.diff(ahead) > 5)
    first = int(ahead[0]) if len(pauses) else clear
    sign = np.sign(steps[first])
    stop = first
    while stop + 1 < len(steps) and sign * steps[stop + 1] > 0.1 * largest:
        stop += 1
    while first > 0 and sign * steps[first - 1] > 0.1 * largest:
        first -= 1
    half = float(line[first] + line[stop + 1]) / 2.0
    at = first
    while at < stop and sign * (line[at + 1] - half) < 0.0:
        at += 1
    share = (half - line[at]) / (line[at + 1] - line[at])
    settle = round(0.002 * coarse.rate_hz)
    energies = np.sort(steps**2)[::-1]
    singles = int(np.clip(0.001 * coarse.rate_hz, 6, 32))  # enough for every bounce, few for a ringing sound
    return Edge(
        frame=begin + at + float(share),
        height=float(line[at + 1 : at + 1 + settle].mean() - line[max(0, at - settle) : at].mean()),
        sharpness=float(energies[:singles].sum() / energies.sum()),
    )


def spaced(frames: list[float], rate_hz: int) -> list[float]:
    """Frames in order, without those that follow the one kept before within `APART_S`."""
    kept: list[float] = []
    for frame in frames:
        if not kept or frame - kept[-1] >= APART_S * rate_hz:
            kept.append(frame)
    return kept


def find_clicks(coarse: Coarse, channel: int, window: Window) -> list[float]:
    """Frames of the button's clicks in a channel that also holds the pops.

    Where the motor is heard, a click is what ends the rest before a cycle; a cycle that starts alike but
    holds no pop is a misfire and has its click as well. Where it isn't, the click is the sound that
    stands at the same distance before most pops.
    """
    energy = coarse.energy(channel)
    width = round(0.03 / coarse.block_s)
    count = len(energy) // width
    if count < 20:
        return []
    # a click is sharp, and a room's rumble isn't
    level_db = 10.0 * np.log10(coarse.sharp_energy(channel) + 1e-20)
    rows_db = picker.median(level_db[: count * width].reshape(count, width))
    rest_db = float(np.percentile(rows_db, 15))
    if float(level_db[int(np.argmax(energy))]) - rest_db < 12.0:
        return []
    pops = _loudest_apart(energy, round(0.6 / coarse.block_s))
    busy = np.flatnonzero(rows_db > rest_db + 6.0)
    breaks = np.flatnonzero(np.diff(busy) > 4)
    starts = [int(at) for at in busy[np.concatenate([[0], breaks + 1])]] if len(busy) else []
    stops = [int(at) for at in busy[np.concatenate([breaks, [len(busy) - 1]])]] if len(busy) else []
    cycles = list(zip(starts, stops, strict=True))
    popped = [_holding(cycles, pop // width) for pop in pops]
    early = round(0.1 / coarse.block_s)
    led = [cycle for cycle, pop in zip(popped, pops, strict=True) if cycle and pop - cycle[0] * width > early]
    if len(led) >= 0.6 * len(pops):
        usual = float(picker.median([stop - start for start, stop in led]))
        loud_db = float(picker.median([picker.median(rows_db[start : stop + 1]) for start, stop in led]))
        alike = [
            (start, stop)
            for start, stop in cycles
            if stop - start > 0.5 * usual
            and abs(float(picker.median(rows_db[start : stop + 1])) - loud_db) < 4.0
        ]
        blocks = sorted({start * width for start, _ in (*led, *alike)})
    else:
        blocks = _consistent_leads(level_db, pops, rest_db + 7.0, coarse.block_s)
    frames = [_click_start(coarse, block, window) for block in blocks]
    return spaced([frame for frame in frames if frame is not None], coarse.rate_hz)


def click_prominence_db(coarse: Coarse, channel: int, frames: list[float]) -> float:
    """How far the clicks stand out of the sound that follows them, in the sharp view; the median of all."""
    sharp = coarse.sharp[channel]
    values = []
    for frame in frames:
        block = coarse.block_at(frame)
        after = sharp[block + round(0.03 / coarse.block_s) : block + round(0.1 / coarse.block_s)]
        peak = float(sharp[max(0, block - 1) : block + 3].max())
        if len(after):
            values.append(10.0 * np.log10(max(peak, 1e-30) / max(float(picker.median(after)), 1e-30)))
    return float(picker.median(values)) if values else 0.0


def _loudest_apart(energy: NDArray[np.float32], apart: int) -> list[int]:
    """Blocks of bangs within 10 dB of the loudest, in order of time, none within `apart` of a louder one."""
    left = energy.copy()
    top = float(left.max())
    places: list[int] = []
    while len(places) < 10_000:
        at = int(np.argmax(left))
        if left[at] < 0.1 * top or left[at] <= 0.0:
            break
        places.append(at)
        left[max(0, at - apart) : at + apart + 1] = 0.0
    return sorted(places)


def _holding(cycles: list[tuple[int, int]], row: int) -> tuple[int, int] | None:
    return next((cycle for cycle in cycles if cycle[0] - 1 <= row <= cycle[1] + 1), None)


def _consistent_leads(
    level_db: NDArray[np.floating[Any]], pops: list[int], threshold_db: float, block_s: float
) -> list[int]:
    """Blocks of the sounds that stand at about one distance before most pops, the first of each group."""
    apart, near = round(0.06 / block_s), round(0.1 / block_s)
    sounds = groups(np.flatnonzero(level_db > threshold_db), apart)
    leads = [
        [pop - sound for sound in sounds if before + near < sound < pop - near]
        for before, pop in zip([-near, *pops[:-1]], pops, strict=True)
    ]
    every = sorted(lead for ones in leads for lead in ones)
    if not every:
        return []
    reach = [max(near, round(0.08 * lead)) for lead in every]
    votes = [
        sum(any(abs(lead - other) <= around for other in ones) for ones in leads)
        for lead, around in zip(every, reach, strict=True)
    ]
    best = max(range(len(every)), key=lambda index: (votes[index], every[index]))
    if votes[best] < max(2, 0.6 * len(pops)) and len(pops) > 1:
        return []
    blocks = []
    for ones, pop in zip(leads, pops, strict=True):
        close = [lead for lead in ones if abs(lead - every[best]) <= reach[best]]
        if close:
            blocks.append(pop - max(close))
    return blocks


def _click_start(coarse: Coarse, block: int, window: Window) -> float | None:
    """Frame at which the first sharp sound near a block begins."""
    rate = coarse.rate_hz
    begin = max(0, block * coarse.block_frames - round(0.25 * rate))
    line = window(begin, begin + round(0.35 * rate))
    quiet = round(0.15 * rate)
    if len(line) < 2 * quiet:
        return None
    white = picker.whiten(line, picker.prediction_error_filter([line[:quiet]]))
    white[: picker.ORDER] = 0.0
    loudness = np.sqrt(picker.moving_mean(white**2, max(2, round(0.001 * rate))))
    floor = float(picker.median(loudness[picker.ORDER : quiet]))
    top_at = quiet + int(np.argmax(loudness[quiet:]))
    top = float(loudness[top_at])
    loud = np.flatnonzero(loudness[quiet : top_at + 1] > max(4.0 * floor, 0.1 * top))
    if not len(loud):
        return None
    first = quiet + int(loud[0])
    low = max(picker.ORDER, first - round(0.006 * rate))
    pick = picker.pick_start(line, white, low, first + round(0.002 * rate))
    return float(begin + (first if pick is None else pick.frame))
