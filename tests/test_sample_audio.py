"""The samples are what make.py makes, and their true times are true."""

from __future__ import annotations

import itertools
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from sample_audio import make

QUIET_MOTOR = make.Prop(name="quiet motor", motor_db=-120.0, ratchet_db=-120.0)


@pytest.fixture(scope="module")
def made_again(maker: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made_again")
    maker.main(folder)
    return folder


def test_the_shipped_files_come_from_the_script(sample_audio: Path, made_again: Path) -> None:
    shipped = {file.name for file in sample_audio.iterdir() if file.is_file()} - {"make.py"}
    assert {file.name for file in made_again.iterdir()} == shipped
    for name in sorted(shipped):
        if name.endswith(".flac"):
            old, old_hz = soundfile.read(sample_audio / name, dtype="int16", always_2d=True)
            new, new_hz = soundfile.read(made_again / name, dtype="int16", always_2d=True)
            assert (old.shape, old_hz) == (new.shape, new_hz), name
            # another processor's sine may differ in its last bit, and so the rounding to 16 bits by a step
            assert np.max(np.abs(old.astype(int) - new.astype(int))) <= 2, name
        else:
            assert (sample_audio / name).read_bytes() == (made_again / name).read_bytes(), name


def test_the_samples_stay_small(sample_audio: Path) -> None:
    assert sum(file.stat().st_size for file in sample_audio.rglob("*") if file.is_file()) < 5_000_000


def test_one_seed_one_result() -> None:
    first = make.make_recording(trials=2, seed=5, rate_hz=16000)
    again = make.make_recording(trials=2, seed=5, rate_hz=16000)
    other = make.make_recording(trials=2, seed=6, rate_hz=16000)
    assert np.array_equal(first.samples, again.samples)
    assert not np.array_equal(first.samples, other.samples)


def test_every_trial_runs_in_order(truth: dict[str, Any]) -> None:
    popped = 0
    for recording in truth["recordings"].values():
        before_s = 0.0
        for trial in recording["trials"]:
            assert trial["trigger_s"] > before_s
            before_s = trial["motor_stop_s"] or trial["trigger_s"]
            if trial["release_s"] is not None:
                popped += 1
                assert trial["trigger_s"] < trial["release_s"] < trial["impact_s"] < trial["motor_stop_s"]
    assert popped >= 20
    demo = truth["recordings"]["attic-crone-contact.flac"]["trials"]
    assert sum(trial["release_s"] is not None for trial in demo) >= 10
    assert sum(trial["release_s"] is None for trial in demo) == 1


def test_the_contact_closes_at_the_trigger(sample_audio: Path, truth: dict[str, Any]) -> None:
    for name in ("attic-crone-contact.flac", "barrel-rat-contact-ac.flac"):
        samples, rate_hz = soundfile.read(sample_audio / name, dtype="float64")
        for trial in truth["recordings"][name]["trials"]:
            first = int(trial["trigger_s"] * rate_hz)
            assert np.max(np.abs(samples[first - rate_hz // 50 : first + 1, 0])) < 0.02
            assert abs(samples[first + 1, 0]) > 0.2


@pytest.mark.parametrize("rate_hz", [22050, 48000])
def test_nothing_sounds_before_the_release(rate_hz: int) -> None:
    """With motor and ratchet silent, the first sound after the start is the release tick, to the sample."""
    made = make.make_recording(QUIET_MOTOR, trials=3, snr_db=110.0, rate_hz=rate_hz)
    microphone = np.abs(made.samples[:, 1])
    for trial in made.trials:
        assert trial.release_s is not None
        first = int(trial.release_s * rate_hz)
        assert np.max(microphone[first - rate_hz // 10 : first + 1]) < 2e-4
        assert np.max(microphone[first + 1 : first + 4]) > 2e-3


def test_the_impact_is_the_loudest(truth: dict[str, Any], sample_audio: Path) -> None:
    samples, rate_hz = soundfile.read(sample_audio / "attic-crone-contact.flac", dtype="float64")
    for trial in truth["recordings"]["attic-crone-contact.flac"]["trials"]:
        if trial["impact_s"] is not None:
            first, last = (round(trial[key] * rate_hz) for key in ("trigger_s", "motor_stop_s"))
            loudest_s = trial["trigger_s"] + int(np.argmax(np.abs(samples[first:last, 1]))) / rate_hz
            assert 0.0 <= loudest_s - trial["impact_s"] < 0.005


def test_the_motor_obeys_its_equation() -> None:
    """ω = V/k − τ·R/k² (the textbook equation V = I·R + k·ω, τ = k·I), friction alone as the load."""
    prop = make.Prop(name="loaded", spring_nm_per_rad=0.0, friction_sd_nm=0.0)
    cycle = make.run_cycle(prop, 6.0, np.random.default_rng(1))
    before_stop = int(cycle.motor_stop_s / make.STEP_S) - 10
    speed_rad_s = (cycle.angle_rad[before_stop] - cycle.angle_rad[before_stop - 200]) / (200 * make.STEP_S)
    k, ohm, torque_nm = prop.emf_v_s, prop.resistance_ohm, prop.friction_nm
    assert speed_rad_s == pytest.approx(6.0 / k - torque_nm * ohm / k**2, rel=1e-3)


def test_the_whine_sinks_while_the_spring_winds() -> None:
    cycle = make.run_cycle(make.ATTIC_CRONE, 6.0, np.random.default_rng(1))
    assert cycle.release_s is not None
    speed = np.gradient(cycle.angle_rad, make.STEP_S)
    fastest = int(np.argmax(speed[: int(cycle.release_s / make.STEP_S)]))
    at_release = speed[int(cycle.release_s / make.STEP_S) - 2]
    free_again = speed[int((cycle.release_s + 0.5) / make.STEP_S)]
    assert at_release < 0.9 * speed[fastest] < free_again


@given(
    prop=st.sampled_from(make.PROPS),
    low_v=st.floats(5.0, 6.2),
    more_v=st.floats(0.3, 1.5),
    seed=st.integers(0, 2**32 - 1),
)
@settings(max_examples=25)
def test_less_voltage_pops_later(prop: make.Prop, low_v: float, more_v: float, seed: int) -> None:
    weak = make.run_cycle(prop, low_v, np.random.default_rng(seed))
    strong = make.run_cycle(prop, low_v + more_v, np.random.default_rng(seed))
    assert weak.release_s is not None
    assert strong.release_s is not None
    assert weak.release_s > strong.release_s


@given(seed=st.integers(0, 2**32 - 1), closed_s=st.floats(0.0, 600.0), held_s=st.floats(0.02, 2.0))
def test_bounce_ends_closed_then_open(seed: int, closed_s: float, held_s: float) -> None:
    """Ganssle, "A Guide to Debouncing": good switches bounce for at most 6.2 ms."""
    edges = make.contact_edges_s(closed_s, closed_s + held_s, np.random.default_rng(seed))
    times_s = [at_s for at_s, _ in edges]
    assert edges[0] == (closed_s, 1)
    assert times_s == sorted(times_s)
    assert all(a != b for (_, a), (_, b) in itertools.pairwise(edges))
    closing_s = [at_s for at_s in times_s if at_s < closed_s + held_s]
    assert closing_s[-1] - closed_s <= 0.0062 + 1e-9
    assert times_s[-1] - (closed_s + held_s) <= 0.0062 + 1e-9
    assert sum(sign for _, sign in edges) == 0


def test_misfires_have_no_release() -> None:
    made = make.make_recording(trials=3, misfires={2: "slip", 3: "dead"}, rate_hz=16000)
    popped, slipped, dead = made.trials
    assert popped.release_s is not None
    assert (slipped.release_s, slipped.impact_s) == (None, None)
    assert slipped.motor_stop_s is not None
    assert (dead.release_s, dead.impact_s, dead.motor_stop_s) == (None, None, None)


def test_a_stalled_motor_says_so() -> None:
    with pytest.raises(ValueError, match=r"attic crone stalls at 2\.0 V: give it more, or a softer spring"):
        make.make_recording(trials=1, supply_v=2.0)


def test_a_chirp_lands_between_samples_where_it_should() -> None:
    rate_hz = 48000
    time_s = np.arange(1200) / rate_hz
    chirp = (np.hanning(1200) * np.sin(2.0 * np.pi * (2000.0 + 60000.0 * time_s) * time_s)).astype(np.float32)
    made = make.make_recording(
        QUIET_MOTOR, trials=2, way="chirp", chirp=chirp, chirp_path_s=0.020, snr_db=100.0, rate_hz=rate_hz
    )
    assert made.contact_channel is None
    for trial in made.trials:
        first = int(trial.trigger_s * rate_hz)
        near = made.samples[first : first + 4000, 0].astype(float)
        likeness = np.correlate(near, chirp.astype(float), "valid")
        place = int(np.argmax(likeness))
        left, top, right = likeness[place - 1 : place + 2]
        found_s = (first + place + 0.5 * (left - right) / (left - 2.0 * top + right)) / rate_hz
        assert found_s == pytest.approx(trial.trigger_s + 0.020, abs=0.2 / rate_hz)


def test_chirp_and_its_way_belong_together() -> None:
    with pytest.raises(ValueError, match=r"belong together"):
        make.make_recording(trials=1, way="chirp")


def test_clips_rise_at_their_hit(sample_audio: Path, truth: dict[str, Any]) -> None:
    def level(samples: Any, start_s: float, end_s: float) -> float:
        return float(np.sqrt(np.mean(samples[round(start_s * rate_hz) : round(end_s * rate_hz)] ** 2)))

    for name in ("scream.flac", "sting.flac"):
        clip = truth["clips"][name]
        samples, rate_hz = soundfile.read(sample_audio / name, dtype="float64", always_2d=True)
        assert np.max(np.abs(samples[: int(clip["onset_s"] * rate_hz)])) < 1e-3
        before = level(samples, clip["hit_s"] - 0.03, clip["hit_s"])
        assert level(samples, clip["full_s"], clip["full_s"] + 0.03) > 10.0 * before
    samples, rate_hz = soundfile.read(sample_audio / "creak.flac", dtype="float64", always_2d=True)
    hit_s = truth["clips"]["creak.flac"]["hit_s"]
    quarters = [level(samples, hit_s * i / 4, hit_s * (i + 1) / 4) for i in range(4)]
    assert quarters == sorted(quarters)
    assert level(samples, hit_s + 0.1, hit_s + 0.18) < 0.25 * quarters[-1]
