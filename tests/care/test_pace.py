"""Groups against a resetting prop: tables and formulas of teletraffic theory."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.care.pace import lost_share, mean_wait_s, scene_pace
from cuesync.plan.care import Care
from tests.care.plans import BARE

PLAN = replace(BARE, reset_s=30.0)


@pytest.mark.parametrize(
    ("servers", "load_erlang", "lost"),
    # Erlang B tables: some loads, and the loads that lose 1 %
    [
        (1, 1.0, 0.5),
        (2, 1.0, 0.2),
        (3, 2.0, 0.2105),
        (1, 0.0101, 0.01),
        (2, 0.1526, 0.01),
        (3, 0.4555, 0.01),
        (4, 0.8694, 0.01),
        (5, 1.3608, 0.01),
        (10, 4.4612, 0.01),
    ],
)
def test_erlang_b(servers: int, load_erlang: float, lost: float) -> None:
    assert lost_share(servers, load_erlang) == pytest.approx(lost, abs=0.00005)


@pytest.mark.parametrize(("load_erlang", "services"), [(0.5, 0.5), (0.8, 2.0), (0.9, 4.5)])
def test_waiting_for_a_server_of_constant_pace(load_erlang: float, services: float) -> None:
    # M/D/1, in service times
    assert mean_wait_s(load_erlang, 7.0) == pytest.approx(services * 7.0)


@given(st.floats(0.001, 20))
def test_one_server_loses_a_of_one_plus_a_and_a_second_helps(load_erlang: float) -> None:
    assert lost_share(1, load_erlang) == pytest.approx(load_erlang / (1 + load_erlang))
    assert lost_share(2, load_erlang) < lost_share(1, load_erlang)


def test_sixty_groups_an_hour_at_a_reset_of_half_a_minute() -> None:
    pace = scene_pace(replace(PLAN, care=Care(scares_per_hour=60)))
    assert pace is not None
    # 60 an hour times 30 s is half an Erlang: a third is lost; M/D/1 at 0.5 waits half a service
    assert pace.lost_share == pytest.approx(1 / 3)
    assert pace.wait_s == pytest.approx(15.0)
    assert (
        "60 groups an hour that come at random meet the prop while it resets 33.3 % of the time" in pace.text
    )


def test_the_advice_on_pace_is_never_too_short() -> None:
    pace = scene_pace(replace(PLAN, reset_s=3.1, care=Care(scares_per_hour=60)))
    assert pace is not None
    assert pace.text.endswith("groups let in 4 s apart never do")


@pytest.mark.parametrize(
    ("habits", "text"),
    [
        ({"between_groups_s": 60.0}, "50.0 % of the time (two such props in turn: 20.0 %), and a queue"),
        ({"hold_off_s": 45.0}, "42.9 % of the time (two such props in turn: 13.8 %), or wait 67.5 s for it"),
        ({"between_groups_s": 20.0, "hold_off_s": 10.0}, "33.3 % of the time"),
    ],
)
def test_whatever_keeps_the_prop_from_the_next_group_counts(habits: dict[str, float], text: str) -> None:
    # Erlang B and M/D/1, by hand: 60 groups an hour at 60 s are 1 Erlang, at 45 s 0.75
    pace = scene_pace(replace(PLAN, care=Care(scares_per_hour=60), **habits))  # type: ignore[arg-type]
    assert pace is not None
    assert text in pace.text
    longest_s = max(30.0, *habits.values())
    assert pace.text.endswith(f"groups let in {longest_s:.0f} s apart never do")


def test_more_groups_than_the_prop_can_serve() -> None:
    pace = scene_pace(replace(PLAN, care=Care(scares_per_hour=120)))
    assert pace is not None
    assert pace.wait_s is None
    assert "a queue for it would only grow" in pace.text
    assert scene_pace(PLAN) is None
