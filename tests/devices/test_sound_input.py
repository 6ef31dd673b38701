"""A contact across an input of the sound card: the first edge of each press, however the blocks are cut."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cuesync.devices.sound_input import LineEdge, LineEdges

RATE_HZ = 48000


def _press(line: np.ndarray, at: int, until: int, height: float, decay_s: float | None) -> None:
    """Closed from `at` until `until`, bouncing for 5 ms; behind a capacitor where `decay_s` is given."""
    closed = np.zeros(len(line))
    closed[at:until] = height
    for start, stop in ((at + 20, at + 60), (at + 150, at + 240)):
        closed[start:stop] = 0.0
    if decay_s is None:
        line += closed
        return
    keep = np.exp(-1.0 / (decay_s * RATE_HZ))
    held = 0.0
    for index, step in enumerate(np.diff(closed, prepend=0.0)):
        held = held * keep + step
        line[index] += held


def _line(height: float, decay_s: float | None) -> np.ndarray:
    """One second: hum and noise, closed from frame 12 000 to 30 000."""
    random = np.random.default_rng(3)
    line = 0.2 * np.sin(2.0 * np.pi * 50.0 * np.arange(RATE_HZ) / RATE_HZ)
    line += 0.001 * random.standard_normal(RATE_HZ)
    _press(line, 12_000, 30_000, height, decay_s)
    return line.astype(np.float32)


@pytest.mark.parametrize("height", [0.4, -0.4, 0.1, -0.1])
@pytest.mark.parametrize("decay_s", [None, 0.01])
def test_first_edge_of_each_press(height: float, decay_s: float | None) -> None:
    assert LineEdges(RATE_HZ).feed(_line(height, decay_s)) == [
        LineEdge(frame=12_000, closed=True),
        LineEdge(frame=30_000, closed=False),
    ]


def test_hum_alone_is_no_contact() -> None:
    hum = 0.5 * np.sin(2.0 * np.pi * 60.0 * np.arange(RATE_HZ) / RATE_HZ)
    assert LineEdges(RATE_HZ).feed(hum.astype(np.float32)) == []


@settings(max_examples=40, deadline=None)
@given(
    cuts=st.lists(st.integers(0, RATE_HZ), max_size=12),
    near=st.lists(st.integers(11_990, 12_300), max_size=12),
)
def test_blocks_make_no_difference(cuts: list[int], near: list[int]) -> None:
    line = _line(0.3, 0.01)
    finder = LineEdges(RATE_HZ)
    found = [edge for part in np.split(line, sorted(cuts + near)) for edge in finder.feed(part)]
    assert found == LineEdges(RATE_HZ).feed(line)
