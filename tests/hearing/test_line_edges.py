"""A contact across a line input: first edge, polarity, noise and hum, however the blocks are cut."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from cuesync.hearing.line_edges import LEAST_STEP, LineEdge, LineEdges

RATE_HZ = 48000
SAMPLES = Path(__file__).parents[2] / "sample_audio"
Line = NDArray[np.float32]


def closed_at(*spans: tuple[int, int], length: int, bounce_s: float = 0.005) -> NDArray[np.float64]:
    """1 while closed, 0 while open, shape (length,); both ends of each span bounce for `bounce_s`."""
    draw = np.random.default_rng(3)
    closed = np.zeros(length)
    for start, stop in spans:
        closed[start:stop] = 1.0
        for edge in (start, stop):
            places = np.sort(draw.integers(1, round(bounce_s * RATE_HZ), 6)).tolist() if bounce_s else []
            for place, until in zip(places[::2], places[1::2], strict=True):
                closed[edge + place : edge + until] = float(edge == stop)
    return closed


def behind_a_capacitor(line: NDArray[np.float64], decay_s: float | None) -> NDArray[np.float64]:
    if decay_s is None:
        return line
    keep = np.exp(-1.0 / (decay_s * RATE_HZ))
    out, held = np.zeros(len(line)), 0.0
    for index, step in enumerate(np.diff(line, prepend=0.0)):
        held = held * keep + step
        out[index] = held
    return out


def through_a_converter(line: NDArray[np.float64]) -> NDArray[np.float64]:
    """As a linear-phase filter at 0.45 of the rate leaves it: steps are spread, and ring before they come."""
    taps = np.arange(-24, 25)
    kernel = np.sinc(0.9 * taps) * np.hanning(len(taps) + 2)[1:-1]
    padded = np.concatenate([np.full(24, line[0]), line, np.full(24, line[-1])])
    return np.convolve(padded, kernel / kernel.sum(), mode="valid")


def hum(length: int, amplitude: float, hz: float = 50.0) -> NDArray[np.float64]:
    return amplitude * np.sin(2.0 * np.pi * hz * np.arange(length) / RATE_HZ)


def noise(length: int, sd: float) -> NDArray[np.float64]:
    return sd * np.random.default_rng(5).standard_normal(length)


def edges_of(line: NDArray[np.float64]) -> list[LineEdge]:
    return LineEdges(RATE_HZ).feed(line.astype(np.float32))


PRESS = (36_000, 54_000)
LONG = 72_000
ONCE = [LineEdge(frame=PRESS[0], closed=True), LineEdge(frame=PRESS[1], closed=False)]


@pytest.mark.parametrize("height", [0.9, -0.9, 0.1, -0.1])
@pytest.mark.parametrize("decay_s", [None, 0.1, 0.01, 0.002])
@pytest.mark.parametrize("bounce_s", [0.0, 0.0016, 0.0062])
def test_first_edge_of_each_press(height: float, decay_s: float | None, bounce_s: float) -> None:
    """Good switches bounce for 1.6 ms, 6.2 ms at worst (Ganssle, A Guide to Debouncing)."""
    pressed = behind_a_capacitor(height * closed_at(PRESS, length=LONG, bounce_s=bounce_s), decay_s)
    assert edges_of(pressed + hum(LONG, 0.2) + noise(LONG, 0.001)) == ONCE


@pytest.mark.parametrize("height", [0.9, -0.9, 0.1])
@pytest.mark.parametrize("decay_s", [None, 0.01])
def test_a_converter_that_rings_costs_no_more_than_its_filter(height: float, decay_s: float | None) -> None:
    pressed = behind_a_capacitor(height * closed_at(PRESS, length=LONG, bounce_s=0.0), decay_s)
    edges = edges_of(through_a_converter(pressed))
    assert [edge.closed for edge in edges] == [True, False]
    assert [edge.frame for edge in edges] == pytest.approx(PRESS, abs=6)


def test_a_contact_that_takes_the_hum_of_an_open_line_away() -> None:
    """Twenty presses at all places of the cycle; the open line hums by as much as the contact moves it."""
    starts = [48_000 + 24_050 * index for index in range(20)]
    spans = [(start, start + 9_600) for start in starts]
    length = starts[-1] + 24_000
    closed = closed_at(*spans, length=length, bounce_s=0.0)
    buzz = hum(length, 0.1) + hum(length, 0.02, 150.0) + hum(length, 0.01, 350.0)
    edges = edges_of(0.3 * closed + (1.0 - closed) * buzz + noise(length, 0.001))
    assert edges == [
        LineEdge(frame=frame, closed=closed)
        for span in spans
        for frame, closed in zip(span, (True, False), strict=True)
    ]


@pytest.mark.parametrize("amplitude", [0.5, 1.0])
def test_hum_alone_is_no_contact(amplitude: float) -> None:
    assert edges_of(hum(10 * RATE_HZ, amplitude, 60.0)) == []


@pytest.mark.parametrize("sd", [0.001, 0.02, 0.1])
def test_noise_alone_is_no_contact(sd: float) -> None:
    assert edges_of(noise(60 * RATE_HZ, sd)) == []


def test_a_step_counts_by_how_far_it_stands_out() -> None:
    small = 2.0 * LEAST_STEP * closed_at(PRESS, length=LONG)
    assert edges_of(small + noise(LONG, 0.0005)) == ONCE
    assert edges_of(small + noise(LONG, 0.01)) == []


def test_the_threshold_follows_the_noise_and_comes_down_again() -> None:
    finder = LineEdges(RATE_HZ)
    assert finder.threshold == np.inf
    for sd, least, most in (
        (0.0001, LEAST_STEP, LEAST_STEP),
        (0.02, 0.1, 0.4),
        (0.0001, LEAST_STEP, LEAST_STEP),
    ):
        finder.feed(noise(3 * RATE_HZ, sd).astype(np.float32))
        assert least <= finder.threshold <= most


def test_pressing_without_pause_does_not_raise_the_threshold() -> None:
    starts = [48_000 + 9_600 * index for index in range(100)]  # five a second, as fast as a finger can
    closed = closed_at(*((start, start + 4_800) for start in starts), length=starts[-1] + 9_600)
    edges = edges_of(0.3 * closed + noise(len(closed), 0.001))
    assert [edge.frame for edge in edges if edge.closed] == starts
    assert len(edges) == 200


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("length_s", [0.00002, 0.0005, 0.0019])
def test_a_spike_of_the_cable_is_no_press_and_does_not_decide_the_polarity(
    sign: float, length_s: float
) -> None:
    """Up and down again, against the way in which the contact goes and with it."""
    line = sign * 0.3 * closed_at(PRESS, length=LONG)
    for at, height in ((28_000, -0.5), (31_000, 0.5), (45_000, -0.2), (60_000, 0.5)):
        line[at : at + max(1, round(length_s * RATE_HZ))] += sign * height
    assert edges_of(line) == ONCE


def test_a_tap_shorter_than_the_bounce_ends_open() -> None:
    line = 0.3 * closed_at((36_000, 36_600), length=LONG, bounce_s=0.0)
    assert [(edge.frame, edge.closed) for edge in edges_of(line)] == [
        (36_000, True),
        (36_603, False),  # its last step, as long as steps are looked for
    ]


def test_a_switch_that_bounces_for_157_ms_is_pressed_once() -> None:
    """The worst on record (Ganssle, A Guide to Debouncing)."""
    line = 0.3 * closed_at(PRESS, length=LONG, bounce_s=0.0)
    for at in range(36_240, 36_000 + round(0.157 * RATE_HZ), 960):
        line[at : at + 300] = 0.0
    edges = edges_of(line)
    assert edges[0] == ONCE[0]
    assert [edge.closed for edge in edges] == [True, False]


def test_what_stands_at_the_start_is_rest() -> None:
    line = 0.4 - 0.4 * closed_at(PRESS, length=LONG)
    assert edges_of(line) == ONCE


def test_lost_samples_are_no_edge() -> None:
    line = hum(LONG, 0.9).astype(np.float32)
    finder = LineEdges(RATE_HZ)
    assert finder.feed(line[:40_080]) == []
    finder.lost()
    assert finder.feed(line[40_560:]) == []
    assert finder.frames == LONG - 480


@settings(max_examples=30)
@given(
    cuts=st.lists(st.integers(0, LONG), max_size=12),
    near=st.lists(st.integers(PRESS[0] - 20, PRESS[0] + 300), max_size=12),
    sd=st.sampled_from([0.001, 0.05]),
)
def test_blocks_make_no_difference(cuts: list[int], near: list[int], sd: float) -> None:
    line = behind_a_capacitor(0.9 * closed_at(PRESS, length=LONG), 0.01) + noise(LONG, sd)
    samples = line.astype(np.float32)
    finder, whole = LineEdges(RATE_HZ), LineEdges(RATE_HZ)
    found = [edge for part in np.split(samples, sorted(cuts + near)) for edge in finder.feed(part)]
    assert found == whole.feed(samples)
    assert finder.threshold == whole.threshold


def test_the_shipped_recording_says_the_same_as_the_finder_for_recordings() -> None:
    from cuesync.measuring.recording import measure_recording

    file = SAMPLES / "attic-crone-contact.flac"
    samples, rate_hz = soundfile.read(file, dtype="float32")
    closings_s = [edge.frame / rate_hz for edge in LineEdges(rate_hz).feed(samples[:, 0]) if edge.closed]
    trials = measure_recording(file, way="contact", contact_channel=1, microphone_channel=2).trials
    assert closings_s == pytest.approx([trial.trigger_s for trial in trials], abs=0.0001)
