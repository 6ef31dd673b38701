"""The way of sound through the air."""

from __future__ import annotations

from math import sqrt

from cuesync.errors import InputError

ZERO_CELSIUS_K = 273.15


def speed_of_sound_m_per_s(temperature_c: float = 20.0) -> float:
    """c = 343.2 sqrt(T / 293.15 K) (ISO 9613-1)."""
    temperature_k = temperature_c + ZERO_CELSIUS_K
    if temperature_k <= 0:
        raise InputError(f"a temperature of {temperature_c} °C is not possible; give degrees Celsius")
    return 343.2 * sqrt(temperature_k / 293.15)


def air_path_s(distance_m: float, temperature_c: float = 20.0) -> float:
    """Time that sound takes over `distance_m` metres."""
    return distance_m / speed_of_sound_m_per_s(temperature_c)
