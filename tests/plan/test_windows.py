"""Sync windows against ITU-R BT.1359-1."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.plan.windows import ACCEPTABLE, DETECTABLE, count_inside, forecast

pops = st.lists(st.floats(0.2, 2.0), min_size=1, max_size=25)


@pytest.mark.parametrize(
    ("offset_ms", "unnoticed", "acceptable"),
    # ITU-R BT.1359-1, recommends 2 and considering g; positive = sound before picture
    [
        (45, True, True),
        (46, False, True),
        (-125, True, True),
        (-126, False, True),
        (90, False, True),
        (91, False, False),
        (-185, False, True),
        (-186, False, False),
        (0, True, True),
    ],
)
def test_boundaries(offset_ms: float, unnoticed: bool, acceptable: bool) -> None:
    assert DETECTABLE.holds(offset_ms / 1000) is unnoticed
    assert ACCEPTABLE.holds(offset_ms / 1000) is acceptable


def test_a_late_sound_is_forgiven_more_than_an_early_one() -> None:
    # 100 ms late passes, 100 ms early doesn't: a sign error anywhere turns this round
    assert count_inside([0.5], 0.6, DETECTABLE) == 1
    assert count_inside([0.5], 0.4, ACCEPTABLE) == 0


def test_no_pops_no_forecast() -> None:
    assert forecast([], 0.6, 0.0) is None


def test_scattered_pops_and_the_bias_that_catches_most() -> None:
    # against early pops the sound is late, which is forgiven; against late ones early, which is not
    pops_s = [0.560, 0.600, 0.640, 0.700, 0.720]
    judged = forecast(pops_s, 0.640, 0.0)
    assert judged is not None
    assert judged.unnoticed == 3
    assert judged.best_count == 5
    # the latest pop asks for at least 0.720 - 0.045, the earliest allows at most 0.560 + 0.125
    assert judged.best_bias_low_s == pytest.approx(0.035)
    assert judged.best_bias_high_s == pytest.approx(0.045)
    assert judged.best_bias_s == pytest.approx(0.035)


@given(pops, st.floats(0.1, 2.2))
def test_best_bias_does_what_it_says_and_nothing_beats_it(pops_s: list[float], lands_s: float) -> None:
    judged = forecast(pops_s, lands_s, 0.0)
    assert judged is not None
    assert judged.unnoticed <= judged.best_count <= judged.n
    assert judged.unnoticed <= judged.acceptable
    for bias_s in (judged.best_bias_s, judged.best_bias_low_s, judged.best_bias_high_s):
        assert count_inside(pops_s, lands_s + bias_s, DETECTABLE) == judged.best_count
    grid_s = [k / 1000 for k in range(0, 2300, 7)]
    assert max(count_inside(pops_s, sound_s, DETECTABLE) for sound_s in grid_s) <= judged.best_count


@given(pops, st.floats(0.1, 2.2), st.floats(-0.2, 0.2))
def test_a_bias_in_use_only_moves_the_zero(pops_s: list[float], lands_s: float, bias_s: float) -> None:
    plain, biased = forecast(pops_s, lands_s, 0.0), forecast(pops_s, lands_s, bias_s)
    assert plain is not None
    assert biased is not None
    assert biased.best_bias_s - bias_s == pytest.approx(plain.best_bias_s, abs=1e-9)
