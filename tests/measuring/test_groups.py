"""Two groups of delays: one prop, one prop under other conditions, or two props."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest

from cuesync.measuring.groups import SUPPLY_RATIO, UNNOTICED_MS, Split, split_between
from cuesync.measuring.summary import robust_sd

CRONE_MS = (687.0, 690.0, 683.0, 697.0, 667.0)
RAT_MS = (283.0, 285.0, 279.0, 287.0)


def test_two_props_are_told_apart_whichever_comes_first() -> None:
    found = Split(low_ms=284.0, high_ms=687.0, another_prop=True)
    assert split_between(CRONE_MS, RAT_MS) == found
    assert split_between(RAT_MS, CRONE_MS) == found


def test_a_single_trial_borrows_the_spread_of_the_others() -> None:
    assert split_between(CRONE_MS, [283.0]) == Split(low_ms=283.0, high_ms=687.0, another_prop=True)
    assert split_between(CRONE_MS, [839.0]) == Split(low_ms=687.0, high_ms=839.0, another_prop=False)
    assert split_between([687.0], [839.0]) is None  # nobody knows yet how far it scatters
    assert split_between([687.0], [283.0]) is not None
    assert split_between([687.0], []) is None


def test_what_scatters_far_is_one_prop() -> None:
    assert split_between([400.0, 600.0, 800.0, 1000.0], [300.0, 250.0, 350.0, 200.0]) is None
    assert split_between([500.0, 700.0], [300.0]) is None


def test_what_nobody_notices_is_no_split() -> None:
    """Props that hardly scatter: within 45 ms (ITU-R BT.1359-1) the guest takes either for one event."""
    assert split_between([100.0] * 5, [100.0 + UNNOTICED_MS] * 5) is None
    assert split_between([100.0] * 5, [101.0 + UNNOTICED_MS] * 5) is not None
    assert split_between([10.0] * 5, [30.0] * 5) is None


def test_a_battery_half_run_down_does_not_make_another_prop(maker: ModuleType) -> None:
    """1.1 V a cell lie half-way between 1.5 V and the end of the toy test of IEC 60086-2, 0.8 V."""
    prop = next(prop for prop in maker.PROPS if prop.name == "barrel rat")
    random = np.random.default_rng(1)

    def delays_ms(supply_v: float) -> list[float]:
        return [1000.0 * maker.run_cycle(prop, supply_v, random).release_s for _ in range(6)]

    fresh_ms, flat_ms = delays_ms(6.0), delays_ms(4 * 1.1)
    found = split_between(fresh_ms, flat_ms)
    assert found is not None
    assert not found.another_prop
    assert found.high_ms / found.low_ms < SUPPLY_RATIO


@pytest.mark.parametrize("counts", [(4, 4), (4, 12), (10, 10)])
def test_one_prop_is_seldom_taken_for_two(counts: tuple[int, int]) -> None:
    """2000 pairs of groups out of one normal distribution, wide enough to be noticed."""
    random = np.random.default_rng(2)
    splits = [
        split_between(*(random.normal(700.0, 40.0, count).tolist() for count in counts)) for _ in range(2000)
    ]
    assert not any(split is not None and split.another_prop for split in splits)
    assert sum(split is not None for split in splits) < 100


def test_the_spread_is_what_scipy_says() -> None:
    """scipy.stats.median_abs_deviation; its 0.67449 is rounded to 0.6745 in the NIST handbook."""
    stats = pytest.importorskip("scipy.stats")
    values = np.random.default_rng(3).standard_normal(31)
    assert robust_sd(values.tolist()) == pytest.approx(
        stats.median_abs_deviation(values, scale="normal"), 1e-4
    )
