"""Numbers of a prop, against handbook values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from cuesync.measuring.summary import median_interval_ranks, modified_z, summarise

GRUBBS_DATA = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
"""NIST/SEMATECH e-Handbook, Grubbs' test: mass spectrometer uranium data."""


def test_modified_z_of_handbook_data() -> None:
    scores = modified_z(GRUBBS_DATA)
    # median 201.37, MAD 0.995, last 29.963: computed from the e-Handbook's data and formula
    assert scores[-1] == pytest.approx(29.963, abs=5e-4)
    assert max(abs(score) for score in scores[:-1]) < 3.5


def test_handbook_outlier_is_named() -> None:
    summary = summarise([value / 1000 for value in GRUBBS_DATA])
    assert summary.outliers == (8,)
    assert summary.median_ms == pytest.approx(201.37)


def test_outlier_numbers_count_trials_and_not_pops() -> None:
    summary = summarise([None, *(value / 1000 for value in GRUBBS_DATA)])
    assert summary.outliers == (9,)
    assert summary.misfires == 1


@pytest.mark.parametrize(
    ("n", "ranks"),
    # Conover, Practical Nonparametric Statistics, table A3 (binomial, p = 1/2): from memory
    [
        (5, None),
        (6, (1, 6)),
        (8, (1, 8)),
        (9, (2, 8)),
        (10, (2, 9)),
        (12, (3, 10)),
        (20, (6, 15)),
        (25, (8, 18)),
    ],
)
def test_ranks_of_the_median_interval(n: int, ranks: tuple[int, int] | None) -> None:
    found = median_interval_ranks(n)
    assert (None if found is None else found[:2]) == ranks


@given(st.integers(6, 200))
def test_confidence_of_the_median_interval_is_the_binomials(n: int) -> None:
    found = median_interval_ranks(n)
    assert found is not None
    low, high, confidence = found
    # scipy as judge: ranks low … high hold the median unless fewer than `low` values lie on one side
    judged = 1 - 2 * stats.binom.cdf(low - 1, n, 0.5)
    assert confidence == pytest.approx(judged, abs=1e-12)
    assert confidence >= 0.95
    assert 1 - 2 * stats.binom.cdf(low, n, 0.5) < 0.95
    assert high == n + 1 - low


def test_numbers_agree_with_numpy_and_scipy() -> None:
    values = np.random.default_rng(5).normal(0.64, 0.02, 31)
    summary = summarise(values.tolist(), [9.0, None, 9.4])
    assert summary.mean_ms == pytest.approx(values.mean() * 1000)
    assert summary.sd_ms == pytest.approx(stats.tstd(values) * 1000)
    assert summary.spread_ms == pytest.approx(np.ptp(values) * 1000)
    assert summary.reset_s == 9.4


def test_nothing_heard_says_nothing() -> None:
    summary = summarise([None, None])
    assert (summary.n, summary.misfires) == (0, 2)
    assert summary.median_ms is None
    assert summary.reset_s is None


def test_values_that_agree_have_no_outliers() -> None:
    assert modified_z([3.0] * 5) == (0.0,) * 5
    assert modified_z([]) == ()


def test_more_than_half_alike_still_shows_the_odd_one() -> None:
    assert summarise([0.5] * 9 + [0.9]).outliers == (10,)


@given(st.lists(st.floats(0.01, 5.0), min_size=1, max_size=60))
def test_summary_is_ordered_and_ignores_the_order_of_trials(delays_s: list[float]) -> None:
    summary = summarise(delays_s)
    mirrored = summarise(delays_s[::-1])
    assert summary.min_ms is not None
    assert summary.median_ms is not None
    assert summary.max_ms is not None
    assert summary.min_ms <= summary.median_ms <= summary.max_ms
    assert summary.median_ms == mirrored.median_ms
    if summary.median_low_ms is not None and summary.median_high_ms is not None:
        assert summary.median_low_ms <= summary.median_ms <= summary.median_high_ms
