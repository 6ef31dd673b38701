"""From scene and profile to plan: the times, what is cut, and what can't be."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from cuesync.clip import Clip
from cuesync.errors import ClipError, FaultyFileError, InputError
from cuesync.measuring.trial import Conditions, Measurement, Trial, Way
from cuesync.plan.placing import ROUNDING_S, with_device_latency
from cuesync.plan.plan import Plan
from cuesync.plan.resolve import resolve
from cuesync.profile import save_session
from cuesync.scene.load import read_scene

RATE_HZ = 48_000
HIT_S = 0.4


def bang(channels: int = 1) -> Clip:
    """Silence, then a decaying burst at `HIT_S`."""
    samples = np.zeros((RATE_HZ, channels), dtype=np.float32)
    hit = round(HIT_S * RATE_HZ)
    decay = np.exp(-np.arange(RATE_HZ - hit) / 4800.0)
    samples[hit:] = (np.random.default_rng(1).uniform(-0.8, 0.8, len(decay)) * decay)[:, None]
    return Clip(name="bang.wav", samples=samples, rate_hz=RATE_HZ)


def plan_of(folder: Path, text: str, *, channels: int = 1) -> Plan:
    path = folder / "scene.toml"
    path.write_text(text, encoding="utf-8")
    for name in ("bang.wav", "wind.wav"):
        (folder / name).touch()  # there, and never opened
    return resolve(read_scene(path), read=lambda _: bang(channels))


def problems_of(folder: Path, text: str, *, channels: int = 1) -> list[str]:
    with pytest.raises(FaultyFileError) as caught:
        plan_of(folder, text, channels=channels)
    return [str(problem).removeprefix(f"{folder}/") for problem in caught.value.problems]


def scene(
    *,
    delay_ms: float = 640,
    sound: str = f"hit_s = {HIT_S}",
    flash: str = "",
    top: str = "",
    reset: str = "9",
) -> str:
    return (
        f'title = "t"\n{top}\n[prop]\ntrigger_to_pop_ms = {delay_ms}\nreset_s = {reset}\n'
        f'[sound]\nclip = "bang.wav"\n{sound}\n{flash}'
    )


def profile(
    folder: Path,
    delays_s: list[float | None],
    way: Way = "contact",
    *,
    path_s: float | None = None,
    sound_device: str = "",
) -> None:
    trials = tuple(
        Trial(
            trigger_s=20.0 * k,
            pop_s=None if delay_s is None else 20.0 * k + delay_s,
            reset_s=9.0 + k / 10,
        )
        for k, delay_s in enumerate(delays_s)
    )
    save_session(
        folder / "prop.toml",
        "p",
        Measurement(
            recording="r",
            rate_hz=48000,
            length_s=99,
            way=way,
            way_reason="",
            trials=trials,
            path_s=path_s,
            sound_device=sound_device,
        ),
        Conditions(),
        datetime(2026, 10, 1, tzinfo=UTC),
    )


def test_every_term_of_the_start(tmp_path: Path) -> None:
    text = scene(
        top="bias_ms = 10\ntemperature_c = 20",
        sound=f"hit_s = {HIT_S}\nspeaker_distance_m = 5\noutput_latency_ms = 20\nat_ms = 5",
    )
    (sound,) = plan_of(tmp_path, text).sounds
    # 640 + 5 + 10 - 400 - 20 - 14.569 (5 m at 20 °C, from ISO 9613-1)
    assert sound.start_s * 1000 == pytest.approx(220.431, abs=5e-4)
    assert sound.lands_s == pytest.approx(0.655)
    assert (sound.cut_s, sound.fade_in_s) == (0.0, 0.0)


def test_the_devices_word_stands_in_where_the_scene_is_silent(tmp_path: Path) -> None:
    silent = plan_of(tmp_path, scene())
    assert silent.sounds[0].start_s == pytest.approx(0.640 - 0.400)
    assert "latency is not known here and counted as 0" in silent.remarks[0]
    plan = with_device_latency(silent, 0.030, "card")
    assert plan.sounds[0].start_s == pytest.approx(0.640 - 0.400 - 0.030)
    assert plan.sounds[0].path_s == pytest.approx(0.030)
    assert not plan.remarks
    given_by_hand = plan_of(tmp_path, scene(sound=f"hit_s = {HIT_S}\noutput_latency_ms = 7"))
    assert with_device_latency(given_by_hand, 0.030, "card").sounds == given_by_hand.sounds
    assert given_by_hand.sounds[0].path_s == pytest.approx(0.007)


def test_a_slow_device_cuts_more_and_at_last_is_refused(tmp_path: Path) -> None:
    silent = plan_of(tmp_path, scene(delay_ms=150))
    (sound,) = with_device_latency(silent, 0.100, "card").sounds
    assert sound.start_s == 0.0
    assert sound.cut_s == pytest.approx(0.350)
    # SBC over a wireless link adds 100 to 150 ms and often 200 and more
    with pytest.raises(InputError, match=r"leave 50\.0 ms before the trigger.*no wireless loudspeaker"):
        with_device_latency(silent, 0.200, "card")


def test_a_long_lead_in_is_cut_under_a_fade(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, scene(delay_ms=150))
    (sound,) = plan.sounds
    assert sound.start_s == 0.0
    assert sound.cut_s == pytest.approx(0.250)
    assert 0 < sound.fade_in_s <= 0.01
    assert any("its first 250.0 ms are cut" in remark for remark in plan.remarks)


def test_a_hit_that_can_t_be_there_in_time(tmp_path: Path) -> None:
    text = scene(delay_ms=50, sound=f"hit_s = {HIT_S}\noutput_latency_ms = 180")
    (said,) = problems_of(tmp_path, text)
    assert said == (
        "scene.toml:6: sound[1]: the hit of bang.wav can't be there in time: even without its head it would "
        "have to leave 130.0 ms before the trigger. Set at_ms to 130 or more, or shorten the sound's path "
        "(180.0 ms)."
    )
    assert plan_of(tmp_path, text + "at_ms = 130\n").sounds[0].start_s == pytest.approx(0.0, abs=1e-9)


def test_lights_leave_before_the_pop_by_their_lamps_delay(tmp_path: Path) -> None:
    flash = '[[flash]]\nat_ms = -20\nlength_ms = 80\nlight = "midi:36"\nlamp_delay_ms = 150\n'
    (light,) = plan_of(tmp_path, scene(flash=flash)).lights
    assert light.at_s == pytest.approx(0.470)
    assert light.lands_s == pytest.approx(0.620)
    (said,) = problems_of(tmp_path, scene(delay_ms=100, flash=flash, sound=""))
    assert said.endswith(
        "flash[1].at_ms: -20 can't be reached: the command would have to leave 70.0 ms before the trigger. "
        "Write 50 or more."
    )


def test_the_profiles_median_is_the_delay_and_its_longest_reset_the_lockout(tmp_path: Path) -> None:
    profile(tmp_path, [0.60, None, 0.64, 0.70])
    text = scene().replace("trigger_to_pop_ms = 640\nreset_s = 9", 'profile = "prop.toml"')
    plan = plan_of(tmp_path, text)
    assert plan.delay_s == pytest.approx(0.64)
    assert plan.pops_s == pytest.approx((0.60, 0.64, 0.70))
    assert plan.reset_s == pytest.approx(9.3)
    assert plan.reset_source == "the longest one heard in the profile"


CHAIN_SCENE = scene(
    sound=f"hit_s = {HIT_S}\nspeaker_distance_m = 5",
    flash='[[flash]]\nat_ms = 0\nlength_ms = 80\nlight = "midi:36"\n',
).replace("trigger_to_pop_ms = 640\nreset_s = 9", 'profile = "prop.toml"')


def test_through_the_chain_sound_and_light_meet_the_same_pop(tmp_path: Path) -> None:
    # a prop that pops 0.600 s after its contact, heard beside a chirp that took 0.020 s: 0.580 s
    profile(tmp_path, [0.58], way="chirp", path_s=0.020)
    plan = plan_of(tmp_path, CHAIN_SCENE)
    assert plan.delay_s == pytest.approx(0.600)
    assert plan.pops_s == pytest.approx((0.600,))
    (sound,) = plan.sounds
    assert sound.path_s == pytest.approx(0.020)  # neither 0 nor 0.020 and the air once more
    assert sound.start_s == pytest.approx(0.580 - HIT_S)
    assert plan.lights[0].at_s == pytest.approx(0.600)
    assert plan.reset_s == pytest.approx(9.020)


def test_through_the_chain_the_sound_is_right_even_where_its_path_is_not_known(tmp_path: Path) -> None:
    profile(tmp_path, [0.58], way="chirp")
    plan = plan_of(tmp_path, CHAIN_SCENE)
    assert plan.sounds[0].start_s == pytest.approx(0.580 - HIT_S)
    assert any("pop and flashes are planned too early by it" in remark for remark in plan.remarks)
    told = CHAIN_SCENE.replace("speaker_distance_m = 5", "speaker_distance_m = 0\noutput_latency_ms = 20")
    plan = plan_of(tmp_path, told)
    assert plan.sounds[0].start_s == pytest.approx(0.580 - HIT_S)
    assert plan.lights[0].at_s == pytest.approx(0.600)
    assert not plan.remarks


def test_another_sound_device_than_at_the_measurement_is_told(tmp_path: Path) -> None:
    profile(tmp_path, [0.58], way="chirp", path_s=0.020, sound_device="box / A")
    plan = plan_of(tmp_path, CHAIN_SCENE)
    assert not with_device_latency(plan, 0.3, "box / A").remarks
    (said,) = with_device_latency(plan, 0.3, "phones / B").remarks
    assert 'measured through the sound device "box / A", but this is "phones / B"' in said


def test_a_reset_before_the_pop_is_a_mistake(tmp_path: Path) -> None:
    (said,) = problems_of(tmp_path, scene(delay_ms=2000, reset="0.1"))
    assert "scene.toml:5: prop.reset_s: the reset of 0.1 s is over before the pop at 2.000 s." in said


def test_a_background_dips_around_the_pop(tmp_path: Path) -> None:
    background = '[background]\nclip = "wind.wav"\nlevel_db = -20\ndip_db = -6\n'
    background += "dip_before_ms = 900\ndip_after_ms = 300\n"
    (planned,) = plan_of(tmp_path, scene(flash=background)).backgrounds
    assert planned.gain == pytest.approx(0.1)
    assert planned.dip_gain == pytest.approx(0.5012, abs=1e-4)
    assert planned.dip_from_s == 0.0  # 900 ms before a pop at 640 ms is before the trigger
    assert planned.dip_to_s == pytest.approx(0.940)
    (said,) = problems_of(
        tmp_path, scene(flash=background + "outputs = [2]\n", sound="outputs=[1, 2]"), channels=2
    )
    assert "background[1].outputs: bang.wav has 2 channels, but outputs names 1." in said


def test_what_the_pop_contact_is_for(tmp_path: Path) -> None:
    text = scene(reset='9\npop_contact = "midi:70"\nhold_after_misfires = 2\nfollow_drift_ms = 25')
    plan = plan_of(tmp_path, text)
    assert (plan.pop_contact, plan.hold_after) == ("midi:70", 2)
    assert plan.correct_within_s == pytest.approx(0.025)


def test_what_the_profile_lacks_is_told(tmp_path: Path) -> None:
    no_profile = scene().replace("trigger_to_pop_ms = 640", 'profile = "prop.toml"')
    (said,) = problems_of(tmp_path, no_profile)
    assert "scene.toml:4: prop.profile:" in said
    assert "there is no such prop profile" in said
    profile(tmp_path, [None, None])
    (said,) = problems_of(tmp_path, no_profile)
    assert "the profile of 'p' has no trial with a pop. Measure the prop again" in said


def test_an_unknown_reset_must_be_given(tmp_path: Path) -> None:
    (said,) = problems_of(tmp_path, scene().replace("reset_s = 9", ""))
    assert "how long the prop needs until it can be triggered again is not known. Add reset_s = …" in said


def test_channels_need_outputs(tmp_path: Path) -> None:
    (said,) = problems_of(tmp_path, scene(sound=f"hit_s = {HIT_S}\noutputs = [1]"), channels=2)
    assert "bang.wav has 2 channels, but outputs names 1. Name one output for each channel" in said


def test_a_hit_after_the_end_of_the_clip(tmp_path: Path) -> None:
    (said,) = problems_of(tmp_path, scene(sound="hit_s = 1.5"))
    assert "1.5 is after the end of bang.wav. The clip is 1.000 s long; give a time inside it." in said


def test_a_clip_that_can_t_be_read_is_told_with_everything_else(tmp_path: Path) -> None:
    path = tmp_path / "scene.toml"
    path.write_text(scene(delay_ms=100).replace("reset_s = 9", ""), encoding="utf-8")

    def refuse(name: Path) -> Clip:
        raise ClipError(f"{name.name}: there is no such file")

    with pytest.raises(FaultyFileError) as caught:
        resolve(read_scene(path), read=refuse)
    assert [problem.key for problem in caught.value.problems] == ["prop", "sound[1].clip"]


def test_the_hit_is_found_in_the_clip(tmp_path: Path) -> None:
    (sound,) = plan_of(tmp_path, scene(sound='hit = "onset"')).sounds
    assert sound.hit_s == pytest.approx(HIT_S, abs=0.001)
    assert sound.hit_kind == "onset"


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40)
# just in time, but for the rounding of the sum
@example(delay_ms=5, hit_s=1.192092896e-07, latency_ms=5, away_m=0, at_ms=0, bias_ms=0)
@given(
    delay_ms=st.floats(5, 3000),
    hit_s=st.floats(0, 0.99),
    latency_ms=st.floats(0, 300),
    away_m=st.floats(0, 30),
    at_ms=st.floats(-500, 2000),
    bias_ms=st.floats(-100, 100),
)
def test_what_is_planned_lands_where_it_should(
    tmp_path: Path,
    delay_ms: float,
    hit_s: float,
    latency_ms: float,
    away_m: float,
    at_ms: float,
    bias_ms: float,
) -> None:
    text = scene(
        delay_ms=delay_ms,
        top=f"bias_ms = {bias_ms}",
        sound=f"hit_s = {hit_s}\noutput_latency_ms = {latency_ms}\nspeaker_distance_m = {away_m}\n"
        f"at_ms = {at_ms}",
    )
    try:
        (sound,) = plan_of(tmp_path, text).sounds
    except FaultyFileError:
        path_ms = latency_ms + away_m / 343.2 * 1000  # ISO 9613-1 at 20 °C
        assert delay_ms + at_ms + bias_ms - path_ms < ROUNDING_S * 1000
        return
    assert sound.start_s >= 0
    assert 0 <= sound.cut_s <= sound.hit_s + ROUNDING_S
    assert sound.start_s == 0 or sound.cut_s == 0
    heard_s = sound.start_s - sound.cut_s + sound.hit_s + sound.path_s
    assert heard_s == pytest.approx(sound.lands_s, abs=1e-9)
    assert sound.lands_s == pytest.approx((delay_ms + at_ms + bias_ms) / 1000, abs=1e-9)
