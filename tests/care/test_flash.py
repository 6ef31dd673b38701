"""Flashes against WCAG 2.3.1 and the HSE's advice for clubs."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.care.flash import (
    flash_times_s,
    flashes_by_view,
    flashes_in_any_second,
    longest_train_s,
)
from cuesync.care.flash_limit import flash_reasons
from cuesync.plan.care import Care
from cuesync.plan.plan import Plan, PlannedLight

PLAN = Plan(
    title="t",
    contact="key:space",
    debounce_s=0.03,
    delay_s=0.6,
    delay_source="",
    bias_s=0.0,
    reset_s=9.0,
    reset_source="",
    pops_s=(),
    sounds=(),
    lights=(),
    notes=(),
)


def light(at_s: float, length_s: float = 0.05, name: str = "midi:36") -> PlannedLight:
    return PlannedLight(light=name, at_s=at_s, length_s=length_s, lands_s=at_s, path_s=0.0)


def plan(title: str, *starts_s: float, care: Care | None = None, reset_s: float = 9.0) -> Plan:
    lights = tuple(light(start_s) for start_s in starts_s)
    return replace(PLAN, title=title, lights=lights, reset_s=reset_s, care=care or Care())


@pytest.mark.parametrize(
    ("starts_s", "count"),
    # WCAG 2.3.1: no more than three flashes in any one second
    [
        ([0.0, 0.4, 0.8], 3),
        ([0.0, 0.3, 0.6, 0.9], 4),
        ([0.0, 0.34, 0.68, 1.02], 3),
        ([0.7 + k / 3 for k in range(10)], 3),
        ([0.5] * 5, 1),
        ([], 0),
    ],
)
def test_flashes_in_any_second(starts_s: list[float], count: int) -> None:
    assert flashes_in_any_second([light(start_s) for start_s in starts_s]) == count
    (view,) = flashes_by_view([plan("t", *starts_s)]) or (None,)
    assert (view is not None and view.over_limit) is (count > 3)


def test_flashes_of_several_lights_add_up() -> None:
    # HSE: several circuits add up
    assert flashes_in_any_second([light(0.25 * k, name=f"midi:{36 + k}") for k in range(4)]) == 4


@pytest.mark.parametrize(
    ("levels", "count"),
    # WCAG, general flash: opposing changes of 10 % or more, the darker state below 0.80
    [
        ([1.0, 0.0], 1),
        ([1.0], 0),
        ([0.10, 0.0], 1),
        ([0.09, 0.0], 0),
        ([1.0, 0.79, 1.0, 0.79], 2),
        ([1.0, 0.80, 1.0, 0.80, 1.0, 0.80], 0),
        ([1.0, 0.85, 0.7, 0.85, 1.0, 0.0], 2),
        ([0.02, 0.04, 0.06, 0.08, 0.10, 0.08, 0.06, 0.04, 0.02, 0.0], 1),  # a slow swell is one
    ],
)
def test_what_is_a_flash(levels: list[float], count: int) -> None:
    assert len(flash_times_s([(0.1 * k, level) for k, level in enumerate(levels)])) == count


STARTS = st.lists(st.integers(0, 500).map(lambda hundredths: hundredths / 100), max_size=20)


@given(STARTS, st.integers(0, 1000).map(lambda hundredths: hundredths / 100))
def test_counting_flashes_does_not_depend_on_order_or_start(starts_s: list[float], shift_s: float) -> None:
    moved = [light(start_s + shift_s) for start_s in reversed(starts_s)]
    assert flashes_in_any_second(moved) == flashes_in_any_second([light(s) for s in starts_s])


@given(STARTS, STARTS)
def test_a_view_holds_at_least_what_any_timing_shows(one_s: list[float], other_s: list[float]) -> None:
    """The sum of the worst seconds bounds every relative timing; here the one in which both start at once."""
    views = flashes_by_view([plan("a", *one_s), plan("b", *other_s)])
    at_once = flashes_in_any_second([light(start_s) for start_s in one_s + other_s])
    assert sum(view.per_second for view in views) >= at_once


def test_scenes_in_one_view_add_up_and_others_do_not() -> None:
    hall = Care(view="hall")
    scenes = [plan("a", 0.5, 0.7, care=hall), plan("b", 0.5, 0.7, care=hall), plan("c", 0.5, care=Care())]
    first, second = flashes_by_view(scenes)
    assert (first.view, first.per_second, first.over_limit) == ("hall", 4, True)
    assert (second.view, second.per_second, second.over_limit) == ("", 1, False)
    assert "up to 4 flashes within one second in the view 'hall' if scenes fall together (a: 2, b: 2)" in (
        first.what
    )


def test_the_end_of_a_cue_meets_the_start_of_the_next() -> None:
    """Pressed again as soon as it can be."""
    (view,) = flashes_by_view([plan("t", 0.1, 0.3, 1.7, 1.9, reset_s=2.0)])
    assert view.per_second == 4
    (view,) = flashes_by_view([plan("t", 0.1, 0.3, 1.7, 1.9, reset_s=3.0)])
    assert view.per_second == 2
    (view,) = flashes_by_view([plan("t", 0.1, reset_s=0.25)])
    assert view.per_second == 4


def test_small_flashes_pass_as_long_as_all_of_them_are_small_together() -> None:
    # WCAG: 0.006 sr within any 10° of the view
    five = (0.1, 0.3, 0.5, 0.7, 0.9)
    small, large = Care(flash_area_sr=0.006), Care(flash_area_sr=0.0061)
    assert not flashes_by_view([plan("t", *five, care=small)])[0].over_limit
    assert flashes_by_view([plan("t", *five, care=large)])[0].over_limit
    both = flashes_by_view([plan("a", *five, care=small), plan("b", *five, care=small)])
    assert both[0].per_second == 10


def test_a_reason_of_the_user_takes_its_scene_out_and_is_told() -> None:
    wild = plan("wild", 0.1, 0.3, 0.5, 0.7, care=Care(flash_reason="staff only"))
    tame = plan("tame", 0.5)
    (view,) = flashes_by_view([tame, wild])
    assert view.over_limit
    assert view.unexplained == ()
    (index, said), *_ = flash_reasons([tame, wild]).items()
    assert index == 1
    assert said.endswith("over the limit of 3; your reason: staff only")
    (view,) = flashes_by_view([wild, plan("own", 0.1, 0.3, 0.5, 0.7)])
    assert [scene.title for scene in view.unexplained] == ["own"]


def test_trains() -> None:
    assert longest_train_s([]) == 0.0
    assert longest_train_s([0.0, 0.5, 1.0, 5.0, 5.5]) == 1.0
