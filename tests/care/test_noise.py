"""Noise of a scene: who hears how much of it. Doses themselves are tested beside their rules."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cuesync.care.noise import HOW_TO_MEASURE, LIMITED_PEAK, Listener, SceneNoise, night_doses, scene_noise
from cuesync.clip import Clip
from cuesync.hearing.loudness import a_weighted_level_db, true_peak_db
from cuesync.plan.care import Care
from cuesync.plan.plan import PlannedBackground, PlannedSound
from cuesync.show.mixer import Mixer, Voice
from cuesync.show.prepared import prepare_background, prepare_sound
from tests.care.plans import BARE

RATE_HZ = 8000


def clip(length_s: float, peak: float = 0.5, tone_hz: float = 1000.0) -> Clip:
    at_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    samples = (peak * np.sin(2 * np.pi * tone_hz * at_s))[:, np.newaxis].astype(np.float32)
    return Clip(name="scream.wav", samples=samples, rate_hz=RATE_HZ)


def sound(
    played: Clip,
    gain: float = 1.0,
    cut_s: float = 0.0,
    *,
    start_s: float = 0.6,
    outputs: tuple[int, ...] = (1,),
) -> PlannedSound:
    return PlannedSound(
        clip=played,
        hit_s=0.0,
        hit_kind="peak",
        hit_reason="",
        start_s=start_s,
        cut_s=cut_s,
        fade_in_s=0.0,
        gain=gain,
        outputs=outputs,
        lands_s=start_s,
        path_s=0.0,
    )


NIGHT = Care(
    level_dba=105.0,
    level_distance_m=2.0,
    guest_distance_m=2.0,
    operator_distance_m=2.0,
    scares_per_hour=100.0,
    hours=3.0,
)
PLAN = replace(BARE, sounds=(sound(clip(2.0)),), care=NIGHT)


def noise(care: Care = NIGHT, **changes: object) -> SceneNoise:
    return scene_noise(replace(PLAN, care=care, **changes))  # type: ignore[arg-type]


def only(found: SceneNoise, who: str) -> Listener:
    (listener,) = (listener for listener in found.listeners if listener.who == who)
    return listener


def test_three_hundred_screams_in_the_operators_ear() -> None:
    # computed by hand from the formulas of NIOSH and OSHA: 300 screams of 2 s at 105 dBA
    operator = only(noise(), "operator")
    assert operator.niosh_percent == pytest.approx(211.65, abs=0.005)
    assert operator.osha_percent == pytest.approx(16.67, abs=0.005)
    assert operator.text == (
        "noise for the operator (300 scares at 2 m, 105 dBA): NIOSH dose 212 % (TWA 88 dBA), "
        "OSHA dose 16.7 % (TWA 77 dBA), peaks to 108 dB. "
        "A dose of 100 % takes 3.3 dB less, or 2.91 m; 50 % takes 6.3 dB less, or 4.11 m."
    )
    assert noise().cautions == (operator.text,)


def test_a_guest_hears_one_scare_and_stays_below() -> None:
    guest = only(noise(), "guest")
    assert guest.niosh_percent == pytest.approx(211.65 / 300, abs=0.0001)
    # 25 scares of 2 s in 15 minutes: 105 + 10·lg(50/900)
    assert guest.mean_15min_db == pytest.approx(105 - 12.553, abs=0.001)
    assert not guest.too_much


def test_the_advice_brings_the_dose_to_the_aim() -> None:
    # what the text of the operator's dose says, and a little less of it
    for enough, short in (
        (replace(NIGHT, level_dba=105.0 - 3.3), replace(NIGHT, level_dba=105.0 - 3.2)),
        (replace(NIGHT, operator_distance_m=2.91), replace(NIGHT, operator_distance_m=2.90)),
    ):
        assert only(noise(enough), "operator").niosh_percent < 100
        assert only(noise(short), "operator").niosh_percent > 100


def test_peak_stands_over_the_level_as_in_the_clip() -> None:
    # a sine's peak is 3.01 dB over its mean level, and at 1 kHz the A weighting changes nothing;
    # true peak meters may read 0.2 dB high (EBU Tech 3341)
    assert only(noise(), "guest").peak_db == pytest.approx(108.01, abs=0.2)
    loud = only(noise(replace(NIGHT, level_dba=138.0)), "guest")
    assert loud.too_much
    assert "dB over the limit of 140 dB peak (41 CFR 50-204.10)." in loud.text
    assert "over the limit of 100 dB LAeq,15min (WHO)" in loud.text


def background(gain: float, outputs: tuple[int, ...] = (1,)) -> PlannedBackground:
    return PlannedBackground(
        clip=clip(1.0), gain=gain, outputs=outputs, dip_gain=1.0, dip_from_s=0.0, dip_to_s=1.0
    )


def rise_db(*sounds: PlannedSound, backgrounds: tuple[PlannedBackground, ...] = ()) -> float:
    """How much higher the peak is than that of the first sound alone."""
    alone, all_of_them = noise(sounds=sounds[:1]), noise(sounds=sounds, backgrounds=backgrounds)
    return only(all_of_them, "guest").peak_db - only(alone, "guest").peak_db


SCREAM = sound(clip(2.0, peak=0.25))
OTHER_SIDE = sound(clip(2.0, peak=0.25), outputs=(2,))


@pytest.mark.parametrize(
    ("others", "backgrounds", "db"),
    # computed by hand: 20·lg of the amplitudes' sum, the clip's own being 1 and full scale 4
    [
        ([SCREAM], (), 6.021),
        ([SCREAM] * 2, (), 9.542),
        ([sound(clip(2.0, peak=0.25), start_s=2.5)], (), 6.021),
        ([sound(clip(2.0, peak=0.25), start_s=2.8)], (), 0.0),  # the first is over, with 34 m to spare
        ([OTHER_SIDE], (), 6.021),  # another loudspeaker, the same ear
        ([], (background(0.25),), 3.522),
        ([SCREAM], (background(0.25), background(0.25, (2,))), 9.542),
        ([SCREAM] * 19, (), 20 * np.log10(4 * LIMITED_PEAK)),
        ([sound(clip(2.0, peak=0.25), outputs=(1, 2))] * 19, (), 20 * np.log10(6 * LIMITED_PEAK)),
        ([SCREAM] * 19 + [OTHER_SIDE], (), 20 * np.log10(4 * LIMITED_PEAK + 1)),
    ],
)
def test_peaks_that_can_fall_together_add_up(
    others: list[PlannedSound], backgrounds: tuple[PlannedBackground, ...], db: float
) -> None:
    # true peak meters may read 0.2 dB high (EBU Tech 3341)
    assert rise_db(SCREAM, *others, backgrounds=backgrounds) == pytest.approx(db, abs=0.2)


def test_two_clips_on_one_hit_are_held_against_the_limit_together() -> None:
    # 41 CFR 50-204.10: 140 dB peak; each alone is 3 dB below, as a sine's peak is 3.01 dB over its mean
    loud = replace(NIGHT, level_dba=134.0)
    assert "140 dB peak" not in only(noise(loud, sounds=(SCREAM,)), "guest").text
    both = only(noise(loud, sounds=(SCREAM, SCREAM)), "guest")
    assert both.peak_db == pytest.approx(143.03, abs=0.2)
    assert "over the limit of 140 dB peak (41 CFR 50-204.10)" in both.text


def test_a_clip_over_full_scale_was_measured_turned_down() -> None:
    """Its peak stands over its level as before: the meter has heard what the limiter made of it."""
    over = only(noise(sounds=(sound(clip(2.0), gain=4.0),)), "guest")
    assert over.peak_db == pytest.approx(only(noise(), "guest").peak_db)
    six = [sound(clip(2.0), gain=4.0)] * 6
    assert rise_db(*six) == pytest.approx(20 * np.log10(LIMITED_PEAK), abs=0.001)


def test_no_samples_within_full_scale_peak_higher_than_an_output_can() -> None:
    """BS.1770's interpolation half-way between samples, of those signs that add up all of its taps."""
    half_way = np.sinc(np.arange(-23.5, 24))
    worst = np.sign(half_way)[:, np.newaxis]
    assert 20 * np.log10(LIMITED_PEAK) - 0.1 < true_peak_db(worst, 48_000) < 20 * np.log10(LIMITED_PEAK)
    sine = np.sqrt(2) * np.sin(np.pi * (np.arange(4800) / 2 + 0.25))[:, np.newaxis]
    # EBU Tech 3341: a sine at a quarter of the rate, its samples all within full scale, peaks at +3 dB
    assert true_peak_db(sine, 48_000) == pytest.approx(3.0, abs=0.2)


@given(
    st.lists(
        st.tuples(st.floats(0.02, 1.5), st.integers(0, 1500), st.integers(300, 3999)), min_size=2, max_size=5
    ),
    st.sampled_from([0.0, 0.05, 0.5]),
)
@settings(max_examples=25, deadline=None)
def test_the_mixer_never_peaks_higher_than_was_told(drawn: list[tuple[float, int, int]], hum: float) -> None:
    """The peaks of what it really hands over, in the same scale."""
    clips = [clip(0.5, peak, tone_hz) for peak, _, tone_hz in drawn]
    sounds = tuple(
        sound(each, start_s=start / 1000) for each, (_, start, _) in zip(clips, drawn, strict=True)
    )
    backgrounds = (background(2 * hum),) if hum else ()
    mixer = Mixer(RATE_HZ, 1)
    for planned in sounds:
        mixer.play(Voice(prepare_sound(planned, RATE_HZ, 1), round(planned.start_s * RATE_HZ)))
    for planned_hum in backgrounds:
        mixer.loop(prepare_background(planned_hum, RATE_HZ, 1))
    out = np.zeros((3 * RATE_HZ, 1), dtype=np.float32)
    for first in range(0, len(out), 256):
        mixer.render(out[first : first + 256], first)
    loudest = max(clips, key=lambda each: a_weighted_level_db(each.samples, RATE_HZ))
    full_scale_db = 105.0 - a_weighted_level_db(loudest.samples, RATE_HZ)
    told_db = only(noise(sounds=sounds, backgrounds=backgrounds), "guest").peak_db
    assert full_scale_db + true_peak_db(out, RATE_HZ) <= told_db + 0.01


def test_other_sounds_are_weighed_against_the_loudest() -> None:
    """The same clip again, 20 dB lower, adds a hundredth of its energy."""
    both = only(noise(sounds=(sound(clip(2.0)), sound(clip(2.0), gain=0.1))), "guest")
    assert both.level_dba == pytest.approx(105.0)
    assert both.niosh_percent == pytest.approx(
        only(noise(), "guest").niosh_percent * (1 + 2 ** (-20 / 3)), rel=1e-4
    )


def test_a_background_counts_for_the_whole_night() -> None:
    with_hum = only(noise(backgrounds=(background(0.1),)), "operator")
    # 85 dBA for 3 of 8 hours (NIOSH)
    assert with_hum.niosh_percent - only(noise(), "operator").niosh_percent == pytest.approx(37.5, abs=0.01)


def test_what_is_cut_is_not_heard() -> None:
    cut = only(noise(sounds=(sound(clip(2.0), cut_s=1.0),)), "operator")
    assert cut.niosh_percent == pytest.approx(211.65 / 2, abs=0.01)


def test_nothing_is_made_up_where_nobody_has_measured() -> None:
    assert noise(Care()) == SceneNoise(unknown=(HOW_TO_MEASURE,))
    assert noise(sounds=()) == SceneNoise()
    assert noise(sounds=(sound(clip(1.0, peak=0.0)),)).unknown == ("all its clips are silent",)
    told = noise(Care(level_dba=90.0, level_distance_m=1.0, actor_distance_m=1.0, hours=2.0)).unknown
    assert told == (
        "for the guest's noise add guest_distance_m under [care]",
        "for the operator's noise add operator_distance_m, scares_per_hour under [care]",
        "for the actor's noise add scares_per_hour under [care]",
    )


def test_a_room_is_no_open_field() -> None:
    assert not any("as in the open" in said for said in noise().notes)
    assert any("as in the open" in said for said in noise(replace(NIGHT, operator_distance_m=4.0)).notes)


@given(st.floats(0.1, 200), st.floats(0.1, 200))
def test_nearer_is_more(one_m: float, other_m: float) -> None:
    near, far = sorted((one_m, other_m))
    doses = [
        only(noise(replace(NIGHT, operator_distance_m=away_m)), "operator").niosh_percent
        for away_m in (near, far)
    ]
    assert doses[0] >= doses[1]


def test_doses_of_all_scenes_add_up() -> None:
    scenes = [noise(), noise(replace(NIGHT, level_dba=95.0))]
    guest, operator = night_doses(scenes)
    shares = [only(scene, "operator").niosh_percent for scene in scenes]
    assert operator.niosh_percent == pytest.approx(sum(shares))
    assert operator.too_much
    assert not guest.too_much
    assert "noise for one operator of all 2 scenes together: NIOSH dose 233 %" in operator.text
    assert night_doses(scenes[:1]) == ()
