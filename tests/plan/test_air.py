"""Speed of sound against ISO 9613-1."""

from __future__ import annotations

import pytest

from cuesync.errors import InputError
from cuesync.plan.air import air_path_s, speed_of_sound_m_per_s


@pytest.mark.parametrize(
    ("temperature_c", "speed_m_per_s"),
    # ISO 9613-1: c = 343.2 sqrt(T / 293.15 K)
    [(-10, 325.17), (0, 331.29), (10, 337.30), (20, 343.20), (30, 349.00), (40, 354.71)],
)
def test_speed_of_sound(temperature_c: float, speed_m_per_s: float) -> None:
    assert speed_of_sound_m_per_s(temperature_c) == pytest.approx(speed_m_per_s, abs=0.005)


def test_five_metres_at_twenty_degrees() -> None:
    # computed from ISO 9613-1
    assert air_path_s(5.0) * 1000 == pytest.approx(14.569, abs=5e-4)


def test_below_absolute_zero_is_refused() -> None:
    with pytest.raises(InputError, match=r"-300 °C is not possible; give degrees Celsius"):
        speed_of_sound_m_per_s(-300)
