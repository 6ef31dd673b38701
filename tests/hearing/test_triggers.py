"""Contact edges: bounce, either polarity, spikes behind a capacitor, hum; and the button's click."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from cuesync.hearing import triggers
from cuesync.hearing.scan import Coarse, CoarseScan

Samples = NDArray[np.float64]
RATE_HZ = 48000


def scanned(line: Samples, rate_hz: int = RATE_HZ) -> tuple[Coarse, Callable[[int, int], Samples]]:
    scan = CoarseScan(rate_hz, 1)
    scan.feed(line.astype(np.float32)[:, np.newaxis])
    return scan.finish(), lambda start, stop: line[max(0, start) : max(0, stop)]


def closings(line: Samples) -> list[float]:
    coarse, window = scanned(line)
    edges = triggers.find_edges(coarse, 0, window)
    return triggers.spaced([edge.frame for edge in triggers.closings(edges)], RATE_HZ)


def contact(
    closed: list[int], *, held: int = 9600, bounce: bool = True, frames: int = 6 * RATE_HZ, seed: int = 1
) -> Samples:
    """1 while closed; the contact bounces for up to 6 ms (worst good switch: 6.2 ms, Ganssle)."""
    rng = np.random.default_rng(seed)
    line = np.zeros(frames)
    for at in closed:
        line[at : at + held] = 1.0
        if bounce:
            for edge, level in ((at, 0.0), (at + held, 1.0)):
                for _ in range(5):
                    gap = edge + int(rng.integers(3, 288))
                    line[gap : gap + int(rng.integers(1, 40))] = level
    return line


CLOSED = [30000, 90000, 170000, 230000]


def behind_a_capacitor(line: Samples, time_constant_s: float = 0.003) -> Samples:
    keep = np.exp(-1.0 / (time_constant_s * RATE_HZ))
    out, state, before = np.empty_like(line), 0.0, 0.0
    for at, value in enumerate(line):
        state = keep * (state + value - before)
        before = value
        out[at] = state
    return out


@pytest.mark.parametrize("polarity", [1.0, -1.0])
@pytest.mark.parametrize("coupled", [False, True])
def test_first_edge_of_a_bouncing_contact(polarity: float, coupled: bool) -> None:
    line = polarity * contact(CLOSED)
    if coupled:
        line = behind_a_capacitor(line)
    line += 1e-4 * np.random.default_rng(2).standard_normal(len(line))
    assert closings(line) == pytest.approx(CLOSED, abs=1.0)


def test_hum_on_the_line() -> None:
    hum = 0.3 * np.sin(2.0 * np.pi * 50.0 * np.arange(6 * RATE_HZ) / RATE_HZ)
    hum += 0.1 * np.sin(2.0 * np.pi * 150.0 * np.arange(6 * RATE_HZ) / RATE_HZ + 1.0)
    assert closings(contact(CLOSED) + hum) == pytest.approx(CLOSED, abs=1.0)


def test_a_very_bad_switch_is_pressed_once() -> None:
    """One switch in Ganssle's table bounced for 157 ms."""
    line = contact([48000], bounce=False, held=24000)
    for at in range(49000, 48000 + int(0.157 * RATE_HZ), 900):
        line[at : at + 300] = 0.0
    assert closings(line) == pytest.approx([48000], abs=1.0)


def test_an_edge_is_placed_between_samples() -> None:
    """A band-limited step, half-way at a known fraction of a sample."""
    for fraction in (0.1, 0.35, 0.5, 0.8):
        at = np.arange(2 * RATE_HZ) - 40000.0 - fraction
        line = 0.5 + 0.5 * np.tanh(at / 0.9)
        assert closings(line) == pytest.approx([40000.0 + fraction], abs=0.1)


def test_a_contact_is_told_from_a_microphone() -> None:
    rng = np.random.default_rng(4)
    bangs = 1e-3 * rng.standard_normal(6 * RATE_HZ)
    for at in CLOSED:
        bangs[at : at + 4000] += rng.standard_normal(4000) * np.exp(-np.arange(4000) / 300.0)
    likeness = [
        triggers.contact_likeness(coarse, 0, window)
        for coarse, window in map(scanned, (contact(CLOSED), bangs))
    ]
    assert likeness[0] > 0.8
    assert likeness[1] < 0.3
    coarse, window = scanned(np.zeros(RATE_HZ))
    assert triggers.contact_likeness(coarse, 0, window) == 0.0


def test_nothing_on_the_line() -> None:
    assert closings(np.zeros(RATE_HZ)) == []
    assert closings(np.random.default_rng(1).standard_normal(RATE_HZ)) == []
    assert closings(np.zeros(3)) == []


@settings(max_examples=25)
@given(shift=st.integers(0, 5000), gain=st.floats(1e-3, 1e3), flip=st.booleans())
def test_shifting_scaling_and_flipping(shift: int, gain: float, flip: bool) -> None:
    line = contact(CLOSED)
    moved = np.concatenate([np.zeros(shift), line]) * (-gain if flip else gain)
    assert closings(moved) == pytest.approx([at + shift for at in closings(line)], abs=1e-9)


def clicked(motor: float, seed: int = 3) -> tuple[Samples, list[int]]:
    """Three cycles: a click, a motor of some level, a pop 0.8 s after the click."""
    rng = np.random.default_rng(seed)
    line = 1e-4 * rng.standard_normal(20 * RATE_HZ)
    clicks = [2 * RATE_HZ, 8 * RATE_HZ + 777, 14 * RATE_HZ + 1234]
    for at in clicks:
        line[at : at + 240] += 0.1 * rng.standard_normal(240) * np.exp(-np.arange(240) / 40.0)
        line[at + 100 : at + 3 * RATE_HZ] += motor * rng.standard_normal(3 * RATE_HZ - 100)
        pop = at + int((0.8 + 0.01 * rng.standard_normal()) * RATE_HZ)
        line[pop : pop + 4000] += 0.6 * rng.standard_normal(4000) * np.exp(-np.arange(4000) / 400.0)
    return line, clicks


@pytest.mark.parametrize("motor", [0.0, 0.003, 0.01])
def test_the_button_is_heard_before_motor_and_pop(motor: float) -> None:
    line, clicks = clicked(motor)
    coarse, window = scanned(line)
    assert triggers.find_clicks(coarse, 0, window) == pytest.approx(clicks, abs=5)


def test_no_click_in_noise() -> None:
    coarse, window = scanned(1e-2 * np.random.default_rng(1).standard_normal(10 * RATE_HZ))
    assert triggers.find_clicks(coarse, 0, window) == []
