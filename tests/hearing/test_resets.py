"""The prop still again: the motor's end, and limit switches on the contact's channel."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from cuesync.measuring.listening import measure_samples

RATE_HZ = 44100
Samples = NDArray[np.float64]
TRIGGERS_S = [0.6, 6.3, 12.5, 18.4]


def recorded(*, motor_s: float, motor: float = 0.01, seed: int = 1) -> tuple[Samples, Samples]:
    """Contact (pressed for 0.2 s) and microphone: pops after 0.9 s, the motor runs for `motor_s`."""
    rng = np.random.default_rng(seed)
    sound = 2e-4 * rng.standard_normal(25 * RATE_HZ)
    contact = 1e-5 * rng.standard_normal(25 * RATE_HZ)
    for at_s in TRIGGERS_S:
        start, stop = int(at_s * RATE_HZ), int((at_s + motor_s) * RATE_HZ)
        sound[start:stop] += motor * rng.standard_normal(stop - start)
        pop = start + int((0.9 + 0.01 * rng.standard_normal()) * RATE_HZ)
        sound[pop : pop + 3000] += 0.4 * rng.standard_normal(3000) * np.exp(-np.arange(3000) / 250.0)
        contact[start : start + int(0.2 * RATE_HZ)] += 0.7
    return contact, sound


def resets_s(contact: Samples, sound: Samples) -> list[float | None]:
    measured = measure_samples(np.stack([contact, sound], axis=1), RATE_HZ)
    assert measured.way == "contact"
    assert [trial.trigger_s for trial in measured.trials] == pytest.approx(TRIGGERS_S, abs=1e-3)
    assert all(trial.pop_s is not None for trial in measured.trials)
    return [trial.reset_s for trial in measured.trials]


@pytest.mark.parametrize("motor_s", [1.5, 3.0, 4.2])
def test_the_motor_s_end_is_the_reset(motor_s: float) -> None:
    assert resets_s(*recorded(motor_s=motor_s)) == pytest.approx([motor_s] * 4, abs=0.11)


def test_no_motor_heard_no_reset() -> None:
    assert resets_s(*recorded(motor_s=3.0, motor=0.0)) == [None] * 4


def test_a_motor_that_never_stops_has_no_reset() -> None:
    assert resets_s(*recorded(motor_s=5.5))[0] is None or resets_s(*recorded(motor_s=5.5))[
        0
    ] == pytest.approx(5.5, abs=0.11)


@pytest.mark.parametrize("level", [0.7, 0.35])
def test_a_limit_switch_that_closes_like_the_button(level: float) -> None:
    contact, sound = recorded(motor_s=3.4)
    for at_s in TRIGGERS_S:
        start = int((at_s + 3.3) * RATE_HZ)
        contact[start : start + int(0.15 * RATE_HZ)] += level
    assert resets_s(contact, sound) == pytest.approx([3.3] * 4, abs=1e-3)


def test_a_limit_switch_that_opens() -> None:
    """It is closed from shortly after the start until the cycle is over."""
    contact, sound = recorded(motor_s=3.4)
    for at_s in TRIGGERS_S:
        start, stop = int((at_s + 0.5) * RATE_HZ), int((at_s + 3.3) * RATE_HZ)
        contact[start:stop] += 0.5
    assert resets_s(contact, sound) == pytest.approx([3.3] * 4, abs=1e-3)
