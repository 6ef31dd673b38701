"""Triggers: contact edges (a level, or a spike behind a capacitor; bounce, hum) and a button's clicks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cuesync.hearing import picker
from cuesync.hearing.scan import Coarse

Samples = NDArray[np.float64]
Window = Callable[[int, int], Samples]
"""Reads samples start … stop of one channel at full rate; shorter at the recording's ends."""

BOUNCE_S = 0.03
"""Edges closer than this to the one before belong to it (worst good switch 6.2 ms, Ganssle)."""

APART_S = 0.3
"""A second closing sooner than this is a very bad switch, not a second press (one such: 157 ms, Ganssle)."""


REST_S = 1.2
"""A pause this long ends a cycle when clicks are looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """First edge of a bouncing contact. `frame` is where it is half-way, between samples; `height` is the
    jump, positive upwards; `sharpness` the share of the jump's energy in a few single steps: near 1 for a
    contact, small for a sound."""

    frame: float
    height: float
    sharpness: float


def find_edges(coarse: Coarse, channel: int, window: Window, most: int | None = None) -> list[Edge]:
    """Edges in one channel, bounce merged, in order of time; at most the first `most`."""
    sharp = coarse.sharp[channel]
    if not len(sharp):
        return []
    top = float(sharp.max())
    floor = float(np.median(sharp))
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
    busy = float(np.mean(sharp > 1e-3 * top))
    if busy > 0.02:
        return 0.0
    edges = find_edges(coarse, channel, window, most=8)
    if not edges:
        return 0.0
    return float(np.median([edge.sharpness for edge in edges])) * (1.0 - busy / 0.02)


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
    first = int(np.flatnonzero(np.abs(steps) > 0.3 * largest)[0])
    sign = np.sign(steps[first])
    stop = first
    while stop + 1 < len(steps) and sign * steps[stop + 1] > 0.1 * largest:
        stop += 1
    while first > 0 and sign * steps[first - 1] > 0.1 * largest:
        first -= 1
    low, high = float(line[first]), float(line[stop + 1])
    half = (low + high) / 2.0
    at = first
    while at < stop and sign * (line[at + 1] - half) < 0.0:
        at += 1
    share = (half - line[at]) / (line[at + 1] - line[at])
    energies = np.sort(steps**2)[::-1]
    singles = max(4, round(8 * coarse.rate_hz / 48000))
    return Edge(
        frame=begin + at + float(share),
        height=high - low,
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

    A cycle is a stretch of sound between two rests: the click starts it, the motor follows, the pop is
    its loudest bang. Stretches without a bang far above their own noise are not cycles.
    """
    energy = coarse.energy(channel)
    if not len(energy):
        return []
    level_db = 10.0 * np.log10(energy + 1e-20)
    rest_db = float(np.percentile(level_db, 10))
    top_db = float(level_db.max())
    if top_db - rest_db < 20.0:
        return []
    threshold_db = rest_db + min(10.0, 0.3 * (top_db - rest_db))
    loud = np.flatnonzero(level_db > threshold_db)
    gap = round(REST_S / coarse.block_s)
    starts = groups(loud, gap)
    clicks = []
    for index, start in enumerate(starts):
        stop = starts[index + 1] if index + 1 < len(starts) else coarse.blocks
        part = level_db[start + round(0.05 / coarse.block_s) : stop]
        if not len(part) or float(part.max()) < top_db - 12.0:
            continue
        clicks.append(_click_start(coarse, start, window))
    return clicks


def _click_start(coarse: Coarse, block: int, window: Window) -> float:
    rate = coarse.rate_hz
    begin = max(0, block * coarse.block_frames - round(0.2 * rate))
    line = window(begin, begin + round(0.25 * rate))
    quiet = line[: round(0.15 * rate)]
    white = picker.whiten(line, picker.prediction_error_filter(quiet))
    white[: picker.ORDER] = 0.0
    loudness = np.sqrt(picker.moving_mean(white**2, max(2, round(0.001 * rate))))
    floor = float(np.median(loudness[picker.ORDER : len(quiet)]))
    top_at = len(quiet) + int(np.argmax(loudness[len(quiet) :]))
    loud = np.flatnonzero(loudness[: top_at + 1] > max(3.0 * floor, 0.03 * float(loudness[top_at])))
    first = int(loud[loud >= len(quiet) - round(0.02 * rate)][0])
    low = max(picker.ORDER, first - round(0.008 * rate))
    pick = picker.pick_start(white[low : first + round(0.004 * rate)])
    return float(begin + (first if pick is None else low + pick.frame))
