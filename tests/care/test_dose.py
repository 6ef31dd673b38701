"""Noise doses against the rules' own tables and worked examples."""

from __future__ import annotations

from math import log2

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.care.dose import NIOSH, OSHA, DoseRule, level_at_db, mean_level_db

RULES = pytest.mark.parametrize("rule", [NIOSH, OSHA], ids=lambda rule: str(rule.name))
EXPOSURES = st.lists(st.tuples(st.floats(60, 130), st.floats(0.001, 12)), min_size=1, max_size=6)


@pytest.mark.parametrize(
    ("level_dba", "allowed_s"),
    # NIOSH 98-126, table 1-1; it truncates to whole seconds
    [
        (85, 8 * 3600),
        (88, 4 * 3600),
        (91, 2 * 3600),
        (94, 3600),
        (97, 1800),
        (100, 900),
        (105, 4 * 60 + 43),
        (110, 60 + 29),
        (115, 28),
    ],
)
def test_niosh_table(level_dba: float, allowed_s: int) -> None:
    assert int(NIOSH.allowed_h(level_dba) * 3600 + 1e-6) == allowed_s


@pytest.mark.parametrize(
    ("level_dba", "allowed_h"),
    # 29 CFR 1910.95, table G-16a
    [(80, 32), (85, 16), (90, 8), (95, 4), (100, 2), (105, 1), (110, 0.5), (115, 0.25)],
)
def test_osha_table(level_dba: float, allowed_h: float) -> None:
    assert OSHA.allowed_h(level_dba) == allowed_h


def test_osha_worked_examples() -> None:
    # 29 CFR 1910.95, appendix A
    assert OSHA.dose_percent([(100, 1), (90, 4)]) == 100.0
    assert OSHA.dose_percent([(100, 1), (90, 4), (85, 3)]) == 118.75


def test_three_hundred_screams() -> None:
    # computed by hand from the rules' formulas: 300 screams of 2 s at 105 dBA
    screams = [(105.0, 2 / 3600)] * 300
    assert NIOSH.dose_percent(screams) == pytest.approx(211.65, abs=0.005)
    assert NIOSH.twa_dba(NIOSH.dose_percent(screams)) == pytest.approx(88.26, abs=0.005)
    assert OSHA.dose_percent(screams) == pytest.approx(16.67, abs=0.005)
    assert OSHA.twa_dba(OSHA.dose_percent(screams)) == pytest.approx(77.07, abs=0.005)


@RULES
def test_a_full_dose_is_the_criterion(rule: DoseRule) -> None:
    assert rule.twa_dba(100.0) == rule.criterion_dba


def test_mean_level_in_15_minutes() -> None:
    # computed by hand for the limit of WHO 2022: one burst of 2 s at 110 dBA, and 45 of them
    assert mean_level_db([(110, 2 / 3600)]) == pytest.approx(83.47, abs=0.005)
    assert mean_level_db([(110, 2 / 3600)] * 45) == pytest.approx(100.00, abs=0.005)


@pytest.mark.parametrize(("times", "less_db"), [(2, 6.021), (3, 9.542), (10, 20.0)])
def test_level_falls_with_distance(times: float, less_db: float) -> None:
    # free field, inverse square
    assert 100.0 - level_at_db(100.0, 1.5, 1.5 * times) == pytest.approx(less_db, abs=0.0005)


@RULES
@given(one=EXPOSURES, other=EXPOSURES)
def test_doses_add_up(
    rule: DoseRule, one: list[tuple[float, float]], other: list[tuple[float, float]]
) -> None:
    together = rule.dose_percent(one + other)
    assert together == pytest.approx(rule.dose_percent(one) + rule.dose_percent(other))


@RULES
@given(exposures=EXPOSURES, more_db=st.floats(0.1, 20))
def test_louder_is_more_and_the_advice_brings_it_back(
    rule: DoseRule, exposures: list[tuple[float, float]], more_db: float
) -> None:
    dose = rule.dose_percent(exposures)
    louder = [(level_dba + more_db, length_h) for level_dba, length_h in exposures]
    assert rule.dose_percent(louder) > dose
    assert rule.dose_percent(louder) == pytest.approx(dose * 2 ** (more_db / rule.exchange_db))
    less_db = rule.too_loud_db(dose, 100.0)
    assert rule.dose_percent([(level - less_db, hours) for level, hours in exposures]) == pytest.approx(100.0)
    assert less_db == pytest.approx(rule.exchange_db * log2(dose / 100.0))


@given(level_dba=st.floats(60, 130), length_h=st.floats(0.001, 24))
def test_niosh_dose_only_depends_on_energy(level_dba: float, length_h: float) -> None:
    """3 dB more for half the time is the same dose."""
    assert NIOSH.dose_percent([(level_dba + 3, length_h / 2)]) == pytest.approx(
        NIOSH.dose_percent([(level_dba, length_h)])
    )
