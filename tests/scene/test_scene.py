"""Scene files: what is accepted, and what a person reads when something is wrong."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import jsonschema
import pytest

from cuesync.errors import FaultyFileError, InputError
from cuesync.plan.resolve import resolve
from cuesync.scene.load import read_scene
from cuesync.scene.model import json_schema

GOOD = """\
title = "Cellar door"

[prop]
trigger_to_pop_ms = 640
reset_s = 12

[trigger]
contact = "key:space"
debounce_ms = 30

[sound]
clip = "scream.wav"
hit = "peak"
level_db = -3
speaker_distance_m = 2.5
outputs = [1, 2]

[[flash]]
at_ms = 0
length_ms = 80
light = "midi:36"
"""


def written(folder: Path, text: str) -> Path:
    (folder / "scream.wav").touch()
    path = folder / "door.toml"
    path.write_text(text, encoding="utf-8")
    return path


def problems_of(folder: Path, text: str) -> list[str]:
    path = written(folder, text)
    with pytest.raises(FaultyFileError) as caught:
        read_scene(path)
    return [str(problem).removeprefix(f"{folder}/") for problem in caught.value.problems]


def test_a_good_scene(tmp_path: Path) -> None:
    scene = read_scene(written(tmp_path, GOOD)).content
    assert scene.title == "Cellar door"
    assert [sound.clip for sound in scene.sound] == ["scream.wav"]
    assert scene.flash[0].light == "midi:36"


def test_several_sounds_may_stand_in_place_of_one(tmp_path: Path) -> None:
    text = GOOD.replace("[sound]", "[[sound]]") + '[[sound]]\nclip = "sting.wav"\nat_ms = 900\n'
    assert len(read_scene(written(tmp_path, text)).content.sound) == 2


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "level_db",
            "levle_db",
            "door.toml:14: sound[1].levle_db: this key is not known. Did you mean level_db?",
        ),
        (
            "at_ms = 0",
            "at_s = 0",
            "door.toml:19: flash[1].at_s: this key is not known. "
            "Write at_ms and give the value in milliseconds.",
        ),
        (
            "length_ms = 80",
            'length_ms = "80 ms"',
            "door.toml:20: flash[1].length_ms: '80 ms' is not a number. "
            "Write a plain number without unit or quotes; the key's name holds the unit.",
        ),
        (
            "debounce_ms = 30",
            "debounce_ms = -1",
            "door.toml:9: trigger.debounce_ms: -1 is out of range. Write a number that is at least 0.",
        ),
        (
            'hit = "peak"',
            'hit = "loudest"',
            "door.toml:13: sound[1].hit: 'loudest' is not known. "
            "Write one of 'auto', 'onset', 'attack' or 'peak'.",
        ),
        (
            "outputs = [1, 2]",
            "outputs = [0, 2]",
            "door.toml:16: sound[1].outputs[1]: 0 is out of range. Write a number that is at least 1.",
        ),
        (
            'clip = "scream.wav"',
            "",
            "door.toml:11: sound[1].clip: this key is missing. "
            "Add clip = … (sound file, beside the scene file or with its path)",
        ),
        (
            "trigger_to_pop_ms = 640",
            "",
            'door.toml:3: prop: the delay is missing. Write profile = "….toml" (made by cuesync measure … '
            "--save), or trigger_to_pop_ms = … if you know it.",
        ),
        (
            "trigger_to_pop_ms = 640",
            "trigger_to_pop_ms = nan",
            "door.toml:4: prop.trigger_to_pop_ms: nan is no number that can be worked with. "
            "Write a plain number without unit or quotes; the key's name holds the unit.",
        ),
        (
            "speaker_distance_m = 2.5",
            "speaker_distance_ft = 8",
            "door.toml:15: sound[1].speaker_distance_ft: this key is not known. "
            "Write speaker_distance_m and convert the value to metres.",
        ),
        (
            "reset_s = 12",
            "reset_min = 0.2",
            "door.toml:5: prop.reset_min: this key is not known. "
            "Write reset_s and convert the value to seconds.",
        ),
        (
            'hit = "peak"',
            "hit_ms = 200",
            "door.toml:13: sound[1].hit_ms: this key is not known. "
            "Write hit_s and give the value in seconds.",
        ),
        (
            "debounce_ms = 30",
            "debounce_ms = 30\ndebounce_ms = 40",
            "door.toml:10: this key is given twice (debounce_ms). Keep one of the two.",
        ),
        (
            "[[flash]]",
            "[sound]\nlevel_db = 3\n[[flash]]",
            "door.toml:18: this table is given twice ([sound]). Put all keys under one [sound], or, where "
            "there may be several, write each as [[sound]].",
        ),
        (
            'light = "midi:36"',
            'light = "midi:200"',
            'door.toml:21: flash[1].light: "midi:200": note 200 does not exist. '
            'Write a MIDI note from 0 to 127 ("midi:60" on channel 1, "midi:10:60" on channel 10).',
        ),
    ],
)
def test_what_is_wrong_where_and_what_to_do(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in GOOD
    assert problems_of(tmp_path, GOOD.replace(old, new)) == [said]


def shape(table: str, keys: str) -> str:
    return f'{GOOD}[[{table}]]\nat_ms = 0\nlight = "midi:40"\n{keys}\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            shape("flash", 'length_ms = 80\ncolour = "red"'),
            'door.toml:26: flash[2].colour: "red" is not a colour. '
            'Write red, green and blue as in "#ff0000".',
        ),
        (
            shape("flash", "length_ms = 80\npriority = 201"),
            "door.toml:26: flash[2].priority: 201 is out of range. Write a number that is at most 200.",
        ),
        (
            shape("strobe", "length_ms = 80\nrate_hz = 0"),
            "door.toml:26: strobe[1].rate_hz: 0 is out of range. Write a number that is more than 0.",
        ),
        (
            shape("blackout", "length_ms = 80\nlevel = 0.5"),
            "door.toml:26: blackout[1].level: this key is not known. "
            "Known here: at_ms, light, lamp_delay_ms, priority, length_ms.",
        ),
        (
            shape("fade", "length_ms = 80\nfrom_level = 1\nto_level = 1"),
            "door.toml:22: fade[1]: from_level and to_level are the same. Give two levels, or write a "
            "[[flash]] with that level.",
        ),
        (
            shape("flicker", "length_ms = 80\nlow_level = 0.5\nhigh_level = 0.25"),
            "door.toml:22: flicker[1]: low_level (0.5) is not below high_level (0.25). "
            "Write the darker one as low_level.",
        ),
        (
            shape("eyes", "off_ms = -5"),
            "door.toml:22: eyes[1]: off_ms (-5) is not after at_ms (0). Both count from the pop; "
            "leave off_ms out to keep the eyes on until the cue ends.",
        ),
    ],
)
def test_what_is_wrong_with_a_light(tmp_path: Path, text: str, said: str) -> None:
    assert problems_of(tmp_path, text) == [said]


def test_all_problems_are_told_at_once_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = (
        GOOD.replace("reset_s = 12", "reset_s = 0").replace("at_ms = 0", "at = 0").replace("hit =", "hitt =")
    )
    lines = [problem.split(" ")[0] for problem in problems_of(tmp_path, text)]
    assert lines == ["door.toml:5:", "door.toml:13:", "door.toml:19:"]


def test_broken_toml_is_told_with_its_line(tmp_path: Path) -> None:
    (said,) = problems_of(tmp_path, GOOD.replace('"key:space"', '"key:space'))
    assert said.startswith("door.toml:8: not valid TOML: ")


def test_a_missing_scene_names_the_one_that_was_meant(tmp_path: Path) -> None:
    written(tmp_path, GOOD)
    with pytest.raises(InputError, match=r"there is no such scene file\. Did you mean .*door\.toml"):
        read_scene(tmp_path / "doors.toml")


def test_an_empty_scene_is_told_so(tmp_path: Path) -> None:
    assert problems_of(tmp_path, "\n") == [
        "door.toml: the file is empty. Was it saved, or cut off while it was copied?"
    ]
    assert problems_of(tmp_path, "# later\n")[0].startswith("door.toml: the file holds nothing but comments.")


def test_a_missing_clip_is_told_with_everything_else(tmp_path: Path) -> None:
    text = GOOD.replace("scream.wav", "scram.wav").replace("at_ms = 0", "at = 0")
    assert [problem.removeprefix("door.toml:") for problem in problems_of(tmp_path, text)] == [
        f"12: sound[1].clip: {tmp_path / 'scram.wav'}: there is no such file. "
        f"Did you mean {str(tmp_path / 'scream.wav')!r}?",
        "19: flash[1].at: this key is not known. Write at_ms and give the value in milliseconds.",
    ]


PROFILE = """\
format = 1
prop = "door"

[[session]]
date = 2026-10-01T20:00:00Z
way = "contact"
recording = "door.wav"
trials = [{trigger_s = 1.0, delay_ms = 640.0, reset_s = 9.0}]
"""


def test_a_profile_is_no_scene_and_is_told_so(tmp_path: Path) -> None:
    assert problems_of(tmp_path, PROFILE) == [
        "door.toml: this is the profile of a prop, not a scene. "
        'Name a scene instead; under its [prop] it may say profile = "door.toml".'
    ]


def test_a_profile_is_not_offered_as_the_scene_that_was_meant(tmp_path: Path) -> None:
    written(tmp_path, PROFILE)
    with pytest.raises(InputError, match=r"no such scene file\. Check the name and the folder\.$"):
        read_scene(tmp_path / "doors.toml")


def test_a_scene_is_not_offered_as_its_own_profile(tmp_path: Path) -> None:
    text = GOOD.replace("trigger_to_pop_ms = 640", 'profile = "doors.toml"')
    path = written(tmp_path, text)
    with pytest.raises(FaultyFileError) as caught:
        resolve(read_scene(path))
    said = caught.value.problems[0]
    assert (said.line, said.key) == (4, "prop.profile")
    assert "no such prop profile. Check the name and the folder." in said.what
    (tmp_path / "door-1.toml").write_text(PROFILE, encoding="utf-8")
    with pytest.raises(FaultyFileError, match=r"Did you mean '.*door-1\.toml'\?"):
        resolve(read_scene(path))


def test_a_scene_given_as_a_profile_is_one_problem_of_the_scene(tmp_path: Path) -> None:
    (tmp_path / "other.toml").write_text(GOOD, encoding="utf-8")
    path = written(tmp_path, GOOD.replace("trigger_to_pop_ms = 640", 'profile = "other.toml"'))
    with pytest.raises(FaultyFileError) as caught:
        resolve(read_scene(path))
    profile = [problem for problem in caught.value.problems if "profile" in str(problem)]
    assert [str(problem) for problem in profile] == [
        f"{path}:4: prop.profile: {tmp_path / 'other.toml'} is a scene, not a prop profile. "
        "Name the file that cuesync measure RECORDING --save FILE wrote."
    ]
    assert {problem.file for problem in caught.value.problems} == {str(path)}


def test_a_folder_is_no_scene(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"this is a folder, and no scene file\. Name a file in it\."):
        read_scene(tmp_path)


def test_a_sound_file_is_no_scene(tmp_path: Path) -> None:
    path = tmp_path / "door.toml"
    path.write_bytes(b"RIFF\xff\xfe\x00\x00WAVE")
    with pytest.raises(InputError, match="not a text file, so it can't be a scene file"):
        read_scene(path)


def test_schema_agrees_with_an_independent_validator() -> None:
    schema = json.loads(json.dumps(json_schema()))
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    assert not list(validator.iter_errors(tomllib.loads(GOOD)))
    assert not list(validator.iter_errors(tomllib.loads(GOOD.replace("[sound]", "[[sound]]"))))
    assert list(validator.iter_errors(tomllib.loads(GOOD.replace("level_db", "levle_db"))))
    lights = (
        shape("strobe", "length_ms = 500\nrate_hz = 2"),
        shape("blackout", "length_ms = 500"),
        shape("fade", "length_ms = 500\nfrom_level = 0\nto_level = 1"),
        shape("flicker", "length_ms = 500"),
        shape("eyes", "off_ms = 500"),
    )
    for text in lights:
        for written_so in (text, text.replace("[[", "[").replace("]]", "]")):
            assert not list(validator.iter_errors(tomllib.loads(written_so)))
        assert list(validator.iter_errors(tomllib.loads(text + "bright = 1\n")))
