"""A board's stamps as host time, where lines come late by an unknown and varying time."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from cuesync.devices.board_clock import BoardClock

START_S = 1000.0


def stamp(start_us: int, ppm: float, edge_s: float) -> int:
    return (start_us + int((edge_s - START_S) * (1e6 + ppm))) % 2**32


@given(
    start_us=st.integers(0, 2**32 - 1),
    ppm=st.floats(-4900, 4900),
    lines=st.lists(
        st.tuples(
            st.floats(0.0, 0.03) | st.floats(0.0, 6.0) | st.floats(0.0, 6000.0),
            st.floats(0.0, 0.04) | st.floats(0.0, 0.2),
        ),
        min_size=1,
        max_size=200,
    ),
)
@example(
    start_us=0,
    ppm=0.25,
    lines=[
        (0.00024043790231054773, 0.0),
        (0.026797515061636874, 0.0),
        (0.0078125, 0.0),
        (1.5795295942170013, 0.0),
        (2.125, 0.0),
        (2298.25, 0.125),
        (0.125, 0.0),
    ],
)  # out of order by a rounding
def test_a_stamp_lies_between_its_bounds_and_keeps_its_order(
    start_us: int, ppm: float, lines: list[tuple[float, float]]
) -> None:
    """Whatever the lateness of each line is. Steps beyond 4295 s wrap the counter unseen."""
    clock = BoardClock()
    edge_s = START_S
    arrival_s = told_s = 0.0
    late_s: list[tuple[float, float]] = []
    for step_s, wanted_s in lines:
        edge_s += step_s
        arrival_s = max(arrival_s, edge_s + wanted_s)  # lines keep their order
        late_s.append((edge_s, arrival_s - edge_s))
        found_s = clock.host_s(stamp(start_us, ppm, edge_s), arrival_s)
        assert told_s <= found_s <= arrival_s + 1e-9
        most_s = max(late for at_s, late in late_s if at_s >= edge_s - 30.2)  # 30 s by the board's clock
        assert found_s >= edge_s - most_s - 1e-5
        told_s = found_s


def errors_ms(ppm: float, seed: int, *, lines_hz: float, length_s: float) -> NDArray[np.float64]:
    """Told minus true of every line, in ms, through an adapter that delays by up to 16 ms; shape (lines,)."""
    clock, draw = BoardClock(), random.Random(seed)
    arrival_s, errors = 0.0, []
    for index in range(round(lines_hz * length_s)):
        edge_s = START_S + index / lines_hz
        arrival_s = max(arrival_s, edge_s + draw.uniform(0.0, 0.016))
        errors.append(clock.host_s(stamp(2**32 - 10_000_000, ppm, edge_s), arrival_s) - edge_s)
    return 1000.0 * np.array(errors)


@settings(max_examples=20)
@given(ppm=st.floats(-4900, 4900), seed=st.integers(0, 10_000))
def test_an_adapter_that_delays_by_16_ms_costs_less_than_one(ppm: float, seed: int) -> None:
    """With a beat every 20 ms, from 10 s on; the counter wraps just then."""
    settled = errors_ms(ppm, seed, lines_hz=50.0, length_s=40.0)[500:]
    assert np.percentile(np.abs(settled), 99) <= 1.0


def test_how_late_other_lines_are_makes_no_difference() -> None:
    """A board that runs 0.3 % fast; each tenth line comes at once, the others 5 or 60 ms late."""
    told = []
    for late_s in (0.005, 0.06):
        clock = BoardClock()
        arrivals_s = [START_S + index * 0.1 + (late_s if index % 10 else 0.0) for index in range(200)]
        stamps = [stamp(0, 3000.0, START_S + index * 0.1) for index in range(200)]
        told.append([clock.host_s(us, at_s) for us, at_s in zip(stamps, arrivals_s, strict=True)])
    assert told[0][60:] == pytest.approx(told[1][60:], abs=2e-6)
    assert told[0][60:] == pytest.approx([START_S + index * 0.1 for index in range(60, 200)], abs=2e-6)


def test_a_board_that_starts_again_is_learned_anew() -> None:
    clock = BoardClock()
    assert clock.host_s(50_000_000, 10.0) == 10.0
    assert clock.host_s(51_000_000, 11.0) == pytest.approx(11.0)
    assert clock.host_s(1_000, 12.0) == 12.0
    assert clock.host_s(501_000, 12.5) == pytest.approx(12.5)
    assert clock.host_s(601_000, 12.62) == pytest.approx(12.6, abs=0.0006)


def test_a_computer_that_was_busy_for_a_while_forgets_nothing() -> None:
    """Lines of 0.4 s come at once, as nobody read them before."""
    clock = BoardClock()
    told_s = [
        clock.host_s(20_000 * index, 50.0 + 0.02 * (120 if 100 <= index < 120 else index))
        for index in range(150)
    ]
    assert told_s == pytest.approx([50.0 + 0.02 * index for index in range(150)], abs=1e-6)


def test_lines_that_were_held_up_and_come_at_once_are_not_told_before_their_edges() -> None:
    clock = BoardClock()
    for index in range(100):
        clock.host_s(20_000 * index, 50.0 + 0.02 * index)
    held_s = [clock.host_s(20_000 * index, 55.0) for index in range(100, 250)]
    assert all(at_s >= 50.0 + 0.02 * index - 1e-6 for index, at_s in enumerate(held_s, 100))
    assert clock.host_s(20_000 * 252, 55.04) == pytest.approx(55.04, abs=1e-6)
    assert clock.host_s(20_000 * 253, 55.07) == pytest.approx(55.06, abs=0.0002)
