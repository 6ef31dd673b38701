"""Pop contacts: misfires, the real error of each scare, drift."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from cuesync.devices.simulated import SimulatedProp
from cuesync.plan.plan import Plan
from cuesync.show.events import Drifted, Fault, ScareDone
from cuesync.show.pops import DelayEstimate, PopWatch
from cuesync.show.states import State
from tests.show.plans import plan
from tests.show.simulation import Simulation

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4: target 50, s 2.0539, lambda 0.3.
NIST_DATA = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
NIST_EWMA = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip


def test_the_estimate_is_the_one_of_the_handbook() -> None:
    estimate = DelayEstimate(50.0, 2.0539)
    drifts = [estimate.take(value) for value in NIST_DATA]
    assert [drift.estimate_s for drift in drifts] == pytest.approx(NIST_EWMA, abs=0.005)
    assert drifts[0].high_s == pytest.approx(52.5884, abs=1e-4)
    assert drifts[0].low_s == pytest.approx(47.4115, abs=1e-4)
    assert not any(drift.out for drift in drifts)


def test_without_measured_pops_the_first_ones_teach_the_scatter() -> None:
    watch = PopWatch(0.6, (), hold_after=3, correct_within_s=0.0)
    draw = random.Random(1)
    for _ in range(5):
        assert not watch.popped(0.6 + draw.gauss(0.0, 0.004))
    assert watch.drift is None
    assert not watch.popped(0.6)
    assert watch.drift is not None


def test_the_correction_keeps_its_bounds() -> None:
    watch = PopWatch(0.6, (0.598, 0.599, 0.600, 0.601, 0.602), hold_after=3, correct_within_s=0.020)
    told = [watch.popped(0.700) for _ in range(20)]
    assert told.count(True) == 1
    assert watch.correction_s == 0.020
    only_suggesting = PopWatch(0.6, (0.598, 0.599, 0.600, 0.601, 0.602), hold_after=3, correct_within_s=0.0)
    for _ in range(20):
        only_suggesting.popped(0.700)
    assert only_suggesting.correction_s == 0.0


POPS_S = (0.596, 0.598, 0.599, 0.600, 0.601, 0.602, 0.604)


class PropNight(Simulation):
    """A night with a prop that closes `midi:61` as it pops."""

    def __init__(self, cue: Plan, delays_s: list[float | None]) -> None:
        super().__init__([cue])
        draw = iter(delays_s)
        self.prop = SimulatedProp(
            self.contacts,
            cue.contact,
            draw_delay_s=lambda: next(draw),
            reset_s=cue.reset_s,
            popped=lambda cycle: (
                None
                if cycle.pop_s is None
                else self.contacts.press("midi:61", cycle.pop_s, hold_s=0.05, bounces=3)
            ),
        )

    def scare(self) -> None:
        self.press()
        self.clock.sleep_s(2.5)


def cue(**changes: float | int) -> Plan:
    return replace(plan(delay_s=0.6, reset_s=2.0, pops_s=POPS_S), pop_contact="midi:61", **changes)  # type: ignore[arg-type]


def test_each_scare_knows_its_real_error() -> None:
    night = PropNight(cue(), [0.600, 0.610, 0.595])
    for _ in range(3):
        night.scare()
    done = night.all(ScareDone)
    assert [scare.pop_s for scare in done] == pytest.approx([0.600, 0.610, 0.595])
    # Positive = sound first (ITU-R BT.1359-1); the sound lands at 0.6.
    assert [scare.offset_s for scare in done] == pytest.approx([0.0, 0.010, -0.005], abs=1 / 48000)
    assert done[1].text == "scare 2 done, sound 10 ms before the pop"
    assert not any(scare.misfire for scare in done)


def test_misfires_in_a_row_hold_the_scene() -> None:
    night = PropNight(cue(hold_after=2), [None, 0.6, None, None])
    for _ in range(4):
        night.scare()
    assert [scare.misfire for scare in night.all(ScareDone)] == [True, False, True, True]
    (fault,) = night.all(Fault)
    assert fault.text.startswith("2 misfires in a row; the scene is held. Look at the prop")
    assert night.state() is State.HELD
    night.show.put(night.show.arm)
    night.clock.sleep_s(0.5)
    assert night.state() is State.ARMED


def test_an_edge_that_can_not_be_the_pop_is_none() -> None:
    night = PropNight(cue(), [None])
    trigger_s = night.press()
    night.contacts.press("midi:61", trigger_s + 0.05, hold_s=0.02)  # the cam, long before
    night.contacts.press("midi:61", trigger_s + 1.9, hold_s=0.02)  # the reset, long after
    night.clock.sleep_s(3.0)
    (done,) = night.all(ScareDone)
    assert done.misfire
    assert done.pop_s is None


def test_drift_is_told_once_and_followed_where_the_scene_allows_it() -> None:
    delays_s: list[float | None] = [0.6 + 0.002 * count for count in range(25)]
    night = PropNight(cue(correct_within_s=0.100), delays_s)
    for _ in delays_s:
        night.scare()
    (drifted,) = night.all(Drifted)
    assert drifted.corrected_s > 0.0
    assert "The cue follows by +" in drifted.text
    done = night.all(ScareDone)
    assert done[-1].moved_s == pytest.approx(0.042, abs=0.003)
    assert done[-1].offset_s is not None
    assert abs(done[-1].offset_s) < 0.010  # 48 ms without following


def test_drift_is_only_told_where_the_scene_does_not_allow_more() -> None:
    delays_s: list[float | None] = [0.6 + 0.002 * count for count in range(25)]
    night = PropNight(cue(), delays_s)
    for _ in delays_s:
        night.scare()
    (drifted,) = night.all(Drifted)
    assert "Measure it again" in drifted.text
    assert all(scare.moved_s == 0.0 for scare in night.all(ScareDone))


def test_a_stop_is_no_misfire() -> None:
    night = PropNight(cue(hold_after=1), [None])
    night.press()
    night.clock.sleep_s(0.3)
    night.show.put(lambda: night.show.stop_all("stopped"))
    night.clock.sleep_s(3.0)
    (done,) = night.all(ScareDone)
    assert done.stopped
    assert not done.misfire
