"""Prop profiles: what is kept, and that nothing of the user's is lost."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cuesync.errors import FaultyFileError, InputError, StorageError
from cuesync.measuring.trial import Conditions, Measurement, Trial, Way
from cuesync.profile import prop_numbers, read_profile, save_session

NIGHT = datetime(2026, 10, 30, 21, 15, tzinfo=UTC)


def measurement(
    delays_s: list[float | None], way: Way = "contact", recording: str = "ghoul.wav"
) -> Measurement:
    trials = tuple(
        Trial(
            trigger_s=10.0 * number,
            pop_s=None if delay_s is None else 10.0 * number + delay_s,
            impact_s=None if delay_s is None else 10.0 * number + delay_s + 0.04,
            reset_s=None if delay_s is None else 8.5,
            error_s=0.0001,
        )
        for number, delay_s in enumerate(delays_s, 1)
    )
    return Measurement(
        recording=recording, rate_hz=48000, length_s=99.0, way=way, way_reason="", trials=trials
    )


def test_a_new_profile_says_all_that_was_measured(tmp_path: Path) -> None:
    path = tmp_path / "ghoul.toml"
    conditions = Conditions(supply_v=6.1, temperature_c=9.0, note="rain")
    assert save_session(path, "ghoul", measurement([0.64, None, 0.65]), conditions, NIGHT)
    content = read_profile(path).content
    assert content.prop == "ghoul"
    (session,) = content.session
    assert (session.date, session.way, session.recording) == (NIGHT, "contact", "ghoul.wav")
    assert (session.supply_v, session.temperature_c, session.note) == (6.1, 9.0, "rain")
    assert [trial.delay_ms for trial in session.trials] == [640.0, None, 650.0]
    assert session.trials[1].misfire is True
    numbers = prop_numbers(content)
    assert numbers.delays_s == (0.64, None, 0.65)
    assert numbers.summary.reset_s == 8.5


def test_a_second_session_is_added_and_comments_stay(tmp_path: Path) -> None:
    path = tmp_path / "ghoul.toml"
    save_session(path, "ghoul", measurement([0.64]), Conditions(), NIGHT)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('prop = "ghoul"', 'prop = "ghoul"  # the tall one'), encoding="utf-8")
    later = NIGHT + timedelta(days=1)
    assert not save_session(path, None, measurement([0.66], recording="b.wav"), Conditions(), later)
    assert "# the tall one" in path.read_text(encoding="utf-8")
    assert prop_numbers(read_profile(path).content).delays_s == (0.64, 0.66)


def test_a_session_still_going_on_is_renewed(tmp_path: Path) -> None:
    path = tmp_path / "ghoul.toml"
    for delays_s in ([0.64], [0.64, 0.65], [0.64, 0.65, None]):
        save_session(path, "ghoul", measurement(list(delays_s)), Conditions(), NIGHT)
    content = read_profile(path).content
    assert len(content.session) == 1
    assert prop_numbers(content).delays_s == (0.64, 0.65, None)


def test_the_same_recording_is_not_counted_twice(tmp_path: Path) -> None:
    path = tmp_path / "ghoul.toml"
    save_session(path, "ghoul", measurement([0.64]), Conditions(), NIGHT)
    before = path.read_bytes()
    with pytest.raises(InputError, match=r"already holds these trials of ghoul\.wav; nothing was added"):
        save_session(path, "ghoul", measurement([0.64]), Conditions(), NIGHT + timedelta(hours=1))
    assert path.read_bytes() == before


def test_the_same_trials_found_another_way_are_not_counted_twice(tmp_path: Path) -> None:
    path = tmp_path / "ghoul.toml"
    save_session(path, "ghoul", measurement([0.64, 0.65]), Conditions(), NIGHT)
    with pytest.raises(InputError, match="nothing was added"):
        save_session(
            path, None, measurement([0.61, 0.62], way="click"), Conditions(), NIGHT + timedelta(hours=1)
        )


def test_nothing_is_written_that_could_not_be_read_again(tmp_path: Path) -> None:
    path = tmp_path / "ghoul.toml"
    with pytest.raises(FaultyFileError, match=r"supply_v: 0\.0 is out of range"):
        save_session(path, "ghoul", measurement([0.64]), Conditions(supply_v=0), NIGHT)
    assert not path.exists()


def test_a_profile_behind_a_link_stays_there(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    link = tmp_path / "ghoul.toml"
    link.symlink_to(tmp_path / "real" / "kept.toml")
    save_session(link, "ghoul", measurement([0.64]), Conditions(), NIGHT)
    assert link.is_symlink()
    assert read_profile(tmp_path / "real" / "kept.toml").content.prop == "ghoul"


def test_a_mark_from_an_editor_on_windows_does_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "ghoul.toml"
    save_session(path, "ghoul", measurement([0.64]), Conditions(), NIGHT)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert read_profile(path).content.prop == "ghoul"


def test_another_props_profile_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "ghoul.toml"
    save_session(path, "ghoul", measurement([0.64]), Conditions(), NIGHT)
    before = path.read_bytes()
    with pytest.raises(InputError, match="is the profile of 'ghoul', not of 'witch'"):
        save_session(path, "witch", measurement([0.9], recording="w.wav"), Conditions(), NIGHT)
    assert path.read_bytes() == before
    assert save_session(path, "witch", measurement([0.9]), Conditions(), NIGHT, replace_profile=True)
    assert read_profile(path).content.prop == "witch"


CRONE_S: list[float | None] = [0.687, 0.690, None, 0.683, 0.697]
RAT_S: list[float | None] = [0.283, 0.285, 0.279, 0.287]


def test_trials_that_look_like_another_prop_s_are_asked_about(tmp_path: Path) -> None:
    path = tmp_path / "ghoul.toml"
    later = NIGHT + timedelta(days=1)
    save_session(path, "ghoul", measurement(CRONE_S), Conditions(), NIGHT)
    before = path.read_bytes()
    said = (
        r"ghoul\.toml says 688 ms from trigger to pop \(4 pops\), these say 284 ms \(4 pops\): another prop, "
        r"or very different conditions\? Nothing was added\. .* --same-prop"
    )
    with pytest.raises(InputError, match=said):
        save_session(path, "ghoul", measurement(RAT_S, recording="rat.wav"), Conditions(), later)
    assert path.read_bytes() == before
    rat = measurement(RAT_S, recording="rat.wav")
    assert not save_session(path, "ghoul", rat, Conditions(), later, same_prop=True)
    split = prop_numbers(read_profile(path).content).split
    assert split is not None
    assert split.split.another_prop
    assert "284 ms (4 pops: rat.wav) and 688 ms (4 pops: ghoul.wav): another prop, or very" in split.text
    # what is like one of its sessions belongs to it
    save_session(path, None, measurement([0.282], recording="again.wav"), Conditions(), later)


def test_a_tired_battery_is_no_other_prop(tmp_path: Path) -> None:
    path = tmp_path / "ghoul.toml"
    later = NIGHT + timedelta(days=1)
    save_session(path, "ghoul", measurement(CRONE_S), Conditions(), NIGHT)
    tired = measurement([0.839, 0.835, 0.842, 0.840], recording="tired.wav")
    save_session(path, "ghoul", tired, Conditions(supply_v=5.1), later)
    split = prop_numbers(read_profile(path).content).split
    assert split is not None
    assert not split.split.another_prop
    assert "a tired battery or cold does that, or another prop" in split.text


def test_a_live_session_is_asked_about_with_its_first_pop_only(tmp_path: Path) -> None:
    path = tmp_path / "ghoul.toml"
    later = NIGHT + timedelta(days=1)
    save_session(path, "ghoul", measurement(CRONE_S), Conditions(), NIGHT)
    save_session(path, None, measurement([None], recording="b.wav"), Conditions(), later)
    with pytest.raises(InputError, match="another prop"):
        save_session(path, None, measurement([None, 0.28], recording="b.wav"), Conditions(), later)
    for delays_s in ([None, 0.69], [None, 0.69, 0.28], [None, 0.28, 0.28]):
        save_session(path, None, measurement(list(delays_s), recording="b.wav"), Conditions(), later)


def test_two_kinds_of_delay_are_not_compared(tmp_path: Path) -> None:
    path = tmp_path / "ghoul.toml"
    later = NIGHT + timedelta(days=1)
    save_session(path, "ghoul", measurement(CRONE_S), Conditions(), NIGHT)
    save_session(path, None, measurement(RAT_S, way="chirp", recording="c.wav"), Conditions(), later)
    assert prop_numbers(read_profile(path).content).split is None


def test_the_sound_s_own_way_is_no_difference_between_props(tmp_path: Path) -> None:
    """Heard through a loudspeaker that is 420 ms late, the pop comes 267 ms after the chirp."""
    path = tmp_path / "ghoul.toml"
    save_session(path, "ghoul", measurement(CRONE_S, way="chirp"), Conditions(), NIGHT)
    late = measurement([0.267, 0.268, 0.262, 0.27], way="chirp", recording="late.wav")
    save_session(path, None, replace(late, path_s=0.42), Conditions(), NIGHT + timedelta(days=1))
    assert prop_numbers(read_profile(path).content).split is None


@pytest.mark.parametrize("new", [False, True])
def test_a_scene_is_never_taken_for_a_profile(tmp_path: Path, new: bool) -> None:
    path = tmp_path / "scene.toml"
    path.write_text('title = "Attic"\n[prop]\nprofile = "ghoul.toml"\n', encoding="utf-8")
    before = path.read_bytes()
    with pytest.raises(InputError, match=r"scene\.toml is a scene, not a prop profile, and stays as it is"):
        save_session(path, "ghoul", measurement([0.64]), Conditions(), NIGHT, replace_profile=new)
    assert path.read_bytes() == before


def test_a_new_profile_needs_a_name(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="give the prop's name with --prop NAME"):
        save_session(tmp_path / "new.toml", None, measurement([0.64]), Conditions(), NIGHT)


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="There is no folder"):
        save_session(tmp_path / "no" / "new.toml", "g", measurement([0.64]), Conditions(), NIGHT)


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9, 0.97])
def test_a_profile_cut_off_is_told_and_not_touched(tmp_path: Path, share: float) -> None:
    path = tmp_path / "ghoul.toml"
    save_session(path, "ghoul", measurement([0.64] * 12), Conditions(), NIGHT)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * share)])
    cut = path.read_bytes()
    with pytest.raises(FaultyFileError, match=r"ghoul\.toml"):
        save_session(path, "ghoul", measurement([0.7], recording="b.wav"), Conditions(), NIGHT)
    assert path.read_bytes() == cut


def test_a_profile_cut_off_in_its_trials_says_so(tmp_path: Path) -> None:
    path = tmp_path / "ghoul.toml"
    save_session(path, "ghoul", measurement([0.64] * 12), Conditions(), NIGHT)
    whole = path.read_text(encoding="utf-8")
    path.write_text(whole[: len(whole) // 2], encoding="utf-8")
    with pytest.raises(FaultyFileError, match="was it cut off"):
        read_profile(path)


def test_contact_and_chain_trials_dont_mix(tmp_path: Path) -> None:
    path = tmp_path / "ghoul.toml"
    save_session(path, "ghoul", measurement([0.64, 0.65]), Conditions(), NIGHT)
    later = NIGHT + timedelta(days=1)
    save_session(path, None, measurement([0.61], way="chirp", recording="c.wav"), Conditions(), later)
    numbers = prop_numbers(read_profile(path).content)
    assert numbers.through_chain
    assert numbers.delays_s == (0.61,)
    assert numbers.left_out == 2


def test_the_impact_can_be_what_the_sound_meets(tmp_path: Path) -> None:
    path = tmp_path / "ghoul.toml"
    save_session(path, "ghoul", measurement([0.64]), Conditions(), NIGHT)
    path.write_text('aligned_to = "impact"\n' + path.read_text(encoding="utf-8"), encoding="utf-8")
    assert prop_numbers(read_profile(path).content).pops_s == pytest.approx((0.68,))


def test_a_trial_is_a_pop_or_a_misfire(tmp_path: Path) -> None:
    path = tmp_path / "ghoul.toml"
    save_session(path, "ghoul", measurement([None]), Conditions(), NIGHT)
    path.write_text(path.read_text(encoding="utf-8").replace(", misfire = true", ""), encoding="utf-8")
    with pytest.raises(FaultyFileError, match=r"session\[1\]\.trials\[1\]: a trial has either delay_ms or"):
        read_profile(path)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30)
@given(st.lists(st.none() | st.floats(0.02, 20.0), min_size=1, max_size=15), st.text(min_size=1, max_size=30))
def test_what_is_saved_is_read_back(tmp_path: Path, delays_s: list[float | None], name: str) -> None:
    path = tmp_path / "any.toml"
    path.unlink(missing_ok=True)
    save_session(path, name, measurement(delays_s), Conditions(note=name), NIGHT)
    content = read_profile(path).content
    assert content.prop == name
    assert content.session[0].note == name
    for kept_s, delay_s in zip(prop_numbers(content).delays_s, delays_s, strict=True):
        assert kept_s == (None if delay_s is None else pytest.approx(delay_s, abs=1e-6))
