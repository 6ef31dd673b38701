"""What is said of a contact from its edges: bounce, debounce, gaps, and the jitter of two paths."""

from __future__ import annotations

import math
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.ports import ContactEdge
from cuesync.devices.simulated import SimulatedClock, SimulatedContacts
from cuesync.measuring.contacts import (
    LEAST_DEBOUNCE_MS,
    WINDOW_S,
    ContactHistory,
    ContactReport,
    path_difference,
    suggested_debounce_ms,
)


def seen(*times_s: float, start_closed: bool = True) -> ContactHistory:
    """A contact that changes at each of these times, and then rests."""
    history = ContactHistory()
    for index, at_s in enumerate(times_s):
        history.take(ContactEdge(contact="key:f", closed=start_closed == (index % 2 == 0), at_s=at_s))
    history.rest(math.inf)
    return history


def report(*times_s: float) -> ContactReport:
    return seen(*times_s).report()


@pytest.mark.parametrize(
    ("bounce_us", "debounce_ms"),
    [(1557, LEAST_DEBOUNCE_MS), (6200, 13), (157_000, 314)],
)
def test_the_switches_of_ganssle(bounce_us: int, debounce_ms: int) -> None:
    """Ganssle, A Guide to Debouncing: 1557 µs on average, 6200 µs at worst, one bad switch 157 ms.

    The debounce to each is twice the bounce, 5 ms at least: common practice.
    """
    bounce_s = bounce_us * 1e-6
    told = report(10.0, 10.0 + bounce_s / 3, 10.0 + bounce_s, 11.0)
    assert told.longest_bounce_s == pytest.approx(bounce_s, abs=1e-9)
    assert told.suggested_debounce_ms == debounce_ms
    assert (told.presses, told.edges, told.bounces, told.short_presses) == (1, 4, 2, 0)


def test_a_contact_that_was_not_touched() -> None:
    told = report()
    assert (told.closed, told.presses, told.edges, told.bounces) == (None, 0, 0, 0)
    assert told.suggested_debounce_ms is told.shortest_gap_s is told.typical_bounce_s is None


def test_a_tap_is_a_press_but_not_a_bounce() -> None:
    told = report(1.0, 1.08)
    assert (told.presses, told.short_presses, told.bounces) == (1, 1, 0)
    assert told.longest_bounce_s is None


def test_a_slip_while_held_is_counted_apart() -> None:
    told = report(1.0, 2.0, 2.03, 3.0)
    assert (told.presses, told.short_openings, told.bounces) == (1, 1, 2)
    assert told.longest_bounce_s == 0.0


def test_the_gap_is_from_rest_to_the_next_press() -> None:
    told = report(1.0, 2.0, 2.001, 2.002, 2.5, 3.0, 5.0, 6.0)
    assert told.presses == 3
    assert told.shortest_gap_s == pytest.approx(0.498)
    assert report(1.0, 1.05, 1.35, 2.0).shortest_gap_s == pytest.approx(0.3)  # after a tap as well


def test_what_is_found_closed_was_not_pressed() -> None:
    history = ContactHistory()
    history.take(ContactEdge(contact="gpio:17", closed=True, at_s=1.0, found=True))
    assert history.report().closed is True
    history.take(ContactEdge(contact="gpio:17", closed=True, at_s=1.5))
    history.take(ContactEdge(contact="gpio:17", closed=False, at_s=2.0))
    history.rest(3.0)
    told = history.report()
    assert (told.closed, told.presses, told.edges, told.bounces) == (False, 0, 1, 1)


def test_a_change_is_told_once_its_window_has_passed() -> None:
    history = ContactHistory()
    history.take(ContactEdge(contact="key:f", closed=True, at_s=1.0))
    history.rest(1.0 + WINDOW_S / 2)
    assert history.moving
    assert history.report().bounces == 0
    history.rest(1.01 + WINDOW_S)
    assert not history.moving
    assert history.report().bounces == 1


@given(st.integers(1, 12), st.integers(0, 5), st.floats(1e-4, 0.19), st.integers(0, 1000))
def test_held_presses_are_counted_and_their_bounce_never_exceeds_what_was_made(
    presses: int, bounces: int, bounce_s: float, seed: int
) -> None:
    clock = SimulatedClock()
    contacts = SimulatedContacts(clock, seed)
    history = ContactHistory()
    contacts.open(["key:f"], history.take)
    for index in range(presses):
        contacts.press("key:f", 2000.0 + index, hold_s=0.5, bounces=bounces, bounce_s=bounce_s)
    clock.run_until(2000.0 + presses)
    history.rest(clock.now_s())
    told = history.report()
    assert (told.presses, told.bounces) == (presses, 2 * presses)
    assert told.edges == 2 * presses * (1 + 2 * bounces)
    assert told.short_presses == told.short_openings == 0
    assert told.typical_bounce_s is not None
    assert told.longest_bounce_s is not None
    assert told.suggested_debounce_ms is not None
    assert 0.0 <= told.typical_bounce_s <= told.longest_bounce_s <= bounce_s + 1e-9
    assert told.suggested_debounce_ms >= max(LEAST_DEBOUNCE_MS, 2000.0 * told.longest_bounce_s - 1e-3)
    if presses > 1:
        assert told.shortest_gap_s is not None
        assert 0.5 - bounce_s - 1e-9 <= told.shortest_gap_s <= 0.5 + 1e-9


@given(st.lists(st.tuples(st.floats(0.0, 0.5), st.booleans(), st.booleans()), max_size=60))
def test_no_edge_is_lost_whatever_comes(steps: list[tuple[float, bool, bool]]) -> None:
    history, at_s, stands, changes = ContactHistory(), 0.0, None, 0
    for step_s, closed, found in steps:
        at_s += step_s
        changes += not found and closed is not stands
        stands = closed
        history.take(ContactEdge(contact="key:f", closed=closed, at_s=at_s, found=found))
    history.rest(math.inf)
    told = history.report()
    assert (told.edges, told.closed) == (changes, stands)
    assert told.presses <= told.edges
    assert told.short_presses <= told.presses == len(history.presses_s)
    assert told.longest_bounce_s is None or 0.0 <= told.longest_bounce_s <= WINDOW_S
    assert (told.longest_bounce_s is None) == (told.bounces == 0)


@given(st.floats(0.0, WINDOW_S), st.floats(0.0, WINDOW_S))
def test_a_longer_bounce_never_needs_less_debounce(one_s: float, other_s: float) -> None:
    shorter, longer = sorted((one_s, other_s))
    assert suggested_debounce_ms(shorter) <= suggested_debounce_ms(longer)


JITTER = st.lists(st.floats(-0.01, 0.01), min_size=2, max_size=30)


@given(JITTER, st.floats(-0.1, 0.1))
def test_two_paths_show_their_jitter_and_their_constant_apart(jitter_s: list[float], late_s: float) -> None:
    first = [10.0 + index for index in range(len(jitter_s))]
    second = [at_s + late_s + each for at_s, each in zip(first, jitter_s, strict=True)]
    told = path_difference(first, second)
    assert (told.presses, told.only_first, told.only_second) == (len(first), 0, 0)
    assert told.median_s == pytest.approx(late_s + statistics.median(jitter_s), abs=1e-9)
    assert told.spread_s == pytest.approx(max(jitter_s) - min(jitter_s), abs=1e-9)
    assert told.sd_s == pytest.approx(statistics.stdev(jitter_s), abs=1e-9)
    back = path_difference(second, first)
    assert told.median_s is not None
    assert back.median_s == pytest.approx(-told.median_s, abs=1e-9)


def test_presses_that_only_one_path_saw_are_counted() -> None:
    told = path_difference([1.0, 2.0, 3.0], [0.5, 2.01, 3.02, 4.0])
    assert (told.presses, told.only_first, told.only_second) == (2, 1, 2)
    assert told.median_s == pytest.approx(0.015)
    assert path_difference([], [1.0]).spread_s is None
    assert path_difference([1.0], [1.0]).sd_s is None
