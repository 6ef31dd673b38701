"""What people really hand over: every odd or broken file gets its answer, with the next step.

Each test calls the program's own entry point. Sound files are written by libsndfile (through soundfile).
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from cuesync.cli import main
from cuesync.errors import StorageError
from cuesync.show.log import new_night_file
from sample_audio import make
from tests import outside

Samples = NDArray[np.float32]

SCENE = """\
title = "Cellar door"

[prop]
trigger_to_pop_ms = 640
reset_s = 12

[sound]
clip = "clip.wav"
hit_s = 0.2

[[flash]]
at_ms = 0
length_ms = 80
light = "midi:36"
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What the program said: exit code, results, talk."""

    code: int
    out: str
    err: str

    @property
    def delays_ms(self) -> list[float]:
        return [trial["delay_ms"] for trial in json.loads(self.out)["trials"]]


Ask = Callable[..., Answer]


@pytest.fixture
def ask(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Ask:
    """Call cuesync with these arguments, in this process."""

    def call(*arguments: str | Path) -> Answer:
        monkeypatch.setattr(sys, "argv", ["cuesync", *(str(argument) for argument in arguments)])
        capsys.readouterr()
        code = 0
        try:
            main()
        except SystemExit as left:
            code = int(left.code or 0)
        said = capsys.readouterr()
        return Answer(code=code, out=said.out, err=said.err)

    return call


@pytest.fixture(scope="module")
def rat() -> make.Recording:
    """Ten presses, contact on channel 1, microphone on channel 2, 48 kHz."""
    return make.make_recording(make.BARREL_RAT, trials=10, spacing_s=2.6, seed=3)


def truly_ms(made: make.Recording) -> list[float]:
    return [1000.0 * (trial.release_s - trial.trigger_s) for trial in made.trials if trial.release_s]


def refused(answer: Answer, file: Path, *words: str) -> None:
    """Exit code 2, nothing on stdout, and a message that begins with the file and holds the words."""
    assert answer.code == 2
    assert answer.out == ""
    assert answer.err.startswith(f"cuesync: {file}")
    for word in words:
        assert word in answer.err


# --- recordings that can be measured all the same -------------------------------------------------


@pytest.mark.parametrize(
    ("name", "how"),
    [
        ("a.wav", {"subtype": "PCM_16"}),
        ("a.wav", {"subtype": "PCM_24"}),
        ("a.wav", {"subtype": "FLOAT"}),
        ("a.flac", {}),
    ],
)
def test_every_exact_coding(
    ask: Ask, rat: make.Recording, tmp_path: Path, name: str, how: dict[str, str]
) -> None:
    soundfile.write(tmp_path / name, rat.samples, rat.rate_hz, **how)
    answer = ask("measure", "--json", "--way", "contact", "--contact-channel", 1, tmp_path / name)
    assert answer.code == 0
    assert np.abs(np.array(answer.delays_ms) - truly_ms(rat)).max() < 1.5


@pytest.mark.parametrize("name", ["a.ogg", "a.mp3"])
def test_lossy_codings(ask: Ask, rat: make.Recording, tmp_path: Path, name: str) -> None:
    """They smear sudden sounds: the median still holds, and a trial that is far off is named."""
    soundfile.write(tmp_path / name, rat.samples, rat.rate_hz)
    answer = ask("measure", "--json", "--way", "contact", "--contact-channel", 1, tmp_path / name)
    assert answer.code == 0
    errors_ms = np.abs(np.array(answer.delays_ms) - truly_ms(rat))
    assert np.median(errors_ms) < 2.0
    far_off = {number for number, error_ms in enumerate(errors_ms, 1) if error_ms > 10.0}
    assert far_off <= set(json.loads(answer.out)["summary"]["outliers"])


@pytest.mark.parametrize(("rate_hz", "allowed_ms"), [(8000, 1.5), (192000, 1.5)])
def test_slow_and_fast_rates(ask: Ask, tmp_path: Path, rate_hz: int, allowed_ms: float) -> None:
    made = make.make_recording(make.SHELF_SKULL, trials=10, spacing_s=4.6, rate_hz=rate_hz, seed=4)
    soundfile.write(tmp_path / "rate.wav", made.samples, rate_hz)
    answer = ask("measure", "--json", tmp_path / "rate.wav")
    assert answer.code == 0
    errors_ms = np.abs(np.array(answer.delays_ms) - truly_ms(made))
    assert np.median(errors_ms) < allowed_ms


def test_a_clipped_recording_is_measured_with_a_warning(
    ask: Ask, rat: make.Recording, tmp_path: Path
) -> None:
    soundfile.write(tmp_path / "hot.wav", np.clip(4.0 * rat.samples, -1.0, 1.0), rat.rate_hz)
    answer = ask("measure", "--json", tmp_path / "hot.wav")
    assert answer.code == 0
    assert np.median(np.abs(np.array(answer.delays_ms) - truly_ms(rat))) < 1.5
    assert any("clipped" in warning for warning in json.loads(answer.out)["warnings"])


def test_more_pops_than_triggers_are_told(ask: Ask, rat: make.Recording, tmp_path: Path) -> None:
    samples = rat.samples.copy()
    third = rat.trials[2].trigger_s
    samples[round((third - 0.5) * rat.rate_hz) : round((third + 0.6) * rat.rate_hz), 0] = 0.0
    soundfile.write(tmp_path / "extra.wav", samples, rat.rate_hz)
    answer = ask("measure", tmp_path / "extra.wav")
    assert answer.code == 0
    assert "More pops than triggers: 1" in answer.err
    assert "A trigger may have been missed" in answer.err


# --- recordings that can't be measured ------------------------------------------------------------


def test_no_such_recording(ask: Ask, tmp_path: Path) -> None:
    refused(ask("measure", tmp_path / "none.wav"), tmp_path / "none.wav", "there is no such file", "Check")


def test_an_empty_file(ask: Ask, tmp_path: Path) -> None:
    (tmp_path / "empty.wav").touch()
    refused(ask("measure", tmp_path / "empty.wav"), tmp_path / "empty.wav", "is empty", "Record again")


def test_a_recording_of_no_length(ask: Ask, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "short.wav", np.zeros((0, 2)), 48000)
    refused(ask("measure", tmp_path / "short.wav"), tmp_path / "short.wav", "no sound at all", "Record again")


def test_silence(ask: Ask, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "silent.wav", np.zeros((96000, 2)), 48000)
    refused(
        ask("measure", tmp_path / "silent.wav"), tmp_path / "silent.wav", "is silent", "Check the microphone"
    )


def test_one_channel_where_two_are_needed(ask: Ask, rat: make.Recording, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "mono.wav", rat.samples[:, 1], rat.rate_hz)
    refused(
        ask("measure", "--way", "contact", tmp_path / "mono.wav"),
        tmp_path / "mono.wav",
        "has one channel, but a contact beside a microphone needs two",
        "Record in stereo",
    )


def test_a_channel_that_is_not_there(ask: Ask, rat: make.Recording, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "two.wav", rat.samples, rat.rate_hz)
    refused(
        ask("measure", "--microphone-channel", 3, tmp_path / "two.wav"),
        tmp_path / "two.wav",
        "there is no channel 3 for the microphone: the recording has 2",
    )


@pytest.mark.parametrize("command", ["measure", "align"])
def test_a_text_named_wav(ask: Ask, tmp_path: Path, command: str) -> None:
    (tmp_path / "clip.wav").write_text("please find the recording attached\n", encoding="utf-8")
    (tmp_path / "scene.toml").write_text(SCENE, encoding="utf-8")
    answer = ask(command, tmp_path / ("clip.wav" if command == "measure" else "scene.toml"))
    assert answer.code == 2
    assert "clip.wav" in answer.err
    assert "can" in answer.err
    assert "WAV" in answer.err


@pytest.mark.outside_data
def test_a_wav_that_is_none(ask: Ask) -> None:
    """freegish-data ships a `ropebreak.wav` that holds something else."""
    file = outside.path("freegish-data", "ropebreak.wav")
    refused(ask("measure", file), file, "can't be read as sound")


def test_a_recording_that_breaks_off(ask: Ask, rat: make.Recording, tmp_path: Path) -> None:
    whole = tmp_path / "whole.flac"
    soundfile.write(whole, rat.samples, rat.rate_hz)
    data = whole.read_bytes()
    (tmp_path / "half.flac").write_bytes(data[: len(data) // 2])
    refused(ask("measure", tmp_path / "half.flac"), tmp_path / "half.flac", "breaks off", "Copy it again")


def test_values_that_are_no_numbers(ask: Ask, rat: make.Recording, tmp_path: Path) -> None:
    samples = rat.samples.copy()
    samples[48000:48010, 1] = np.nan
    soundfile.write(tmp_path / "nan.wav", samples, rat.rate_hz, subtype="FLOAT")
    refused(ask("measure", tmp_path / "nan.wav"), tmp_path / "nan.wav", "not numbers")


def test_no_trigger(ask: Ask, rat: make.Recording, tmp_path: Path) -> None:
    samples = rat.samples.copy()
    samples[:, 0] = 1e-5
    soundfile.write(tmp_path / "unplugged.wav", samples, rat.rate_hz)
    refused(
        ask("measure", "--way", "contact", "--contact-channel", 1, tmp_path / "unplugged.wav"),
        tmp_path / "unplugged.wav",
        "no trigger: channel 1 has no edge of a closing contact",
        "Check its wiring",
    )


def test_no_pop(ask: Ask, rat: make.Recording, tmp_path: Path) -> None:
    samples = rat.samples.copy()
    samples[:, 1] = 0.002 * np.random.default_rng(1).standard_normal(len(samples))
    soundfile.write(tmp_path / "unheard.wav", samples, rat.rate_hz)
    refused(
        ask("measure", tmp_path / "unheard.wav"),
        tmp_path / "unheard.wav",
        "no pop: 10 triggers",
        "Move the microphone closer",
    )


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("1.5\nlater\n", [":2: 'later' is not a time", "Write seconds"]),
        ("1.5\n-2\n", [":2: a trigger can't be at -2 s"]),
        ("# nothing yet\n", ["holds no trigger time"]),
    ],
)
def test_a_list_of_triggers_that_is_none(
    ask: Ask, rat: make.Recording, tmp_path: Path, text: str, words: list[str]
) -> None:
    soundfile.write(tmp_path / "a.wav", rat.samples, rat.rate_hz)
    (tmp_path / "times.txt").write_text(text, encoding="utf-8")
    refused(
        ask("measure", "--triggers", tmp_path / "times.txt", tmp_path / "a.wav"),
        tmp_path / "times.txt",
        *words,
    )


def test_a_trigger_after_the_end(ask: Ask, rat: make.Recording, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", rat.samples, rat.rate_hz)
    (tmp_path / "times.txt").write_text("1.5\n1500\n", encoding="utf-8")
    refused(
        ask("measure", "--triggers", tmp_path / "times.txt", tmp_path / "a.wav"),
        tmp_path / "a.wav",
        "the trigger at 1500 s is outside the recording",
        "correct the list",
    )


# --- profiles -------------------------------------------------------------------------------------


@pytest.fixture
def profile_text(scenes: Path) -> str:
    return (scenes / "attic-crone-profile.toml").read_text(encoding="utf-8")


def with_profile(folder: Path, profile_text: str, sample_audio: Path) -> Path:
    """A scene in `folder` with this text as its profile."""
    (folder / "prop.toml").write_text(profile_text, encoding="utf-8")
    text = SCENE.replace("trigger_to_pop_ms = 640", 'profile = "prop.toml"')
    text = text.replace("clip.wav", (sample_audio / "scream.flac").as_posix())
    (folder / "scene.toml").write_text(text, encoding="utf-8")
    return folder / "scene.toml"


def test_a_profile_cut_in_half(ask: Ask, tmp_path: Path, profile_text: str, sample_audio: Path) -> None:
    scene = with_profile(tmp_path, profile_text[: len(profile_text) // 2], sample_audio)
    answer = ask("align", scene)
    assert answer.code == 2
    assert answer.out == ""
    assert str(tmp_path / "prop.toml") in answer.err


def test_a_profile_cut_in_half_is_not_written_over(
    ask: Ask, tmp_path: Path, profile_text: str, sample_audio: Path
) -> None:
    half = profile_text[: len(profile_text) // 2]
    (tmp_path / "prop.toml").write_text(half, encoding="utf-8")
    recording = sample_audio / "attic-crone-contact.flac"
    answer = ask("measure", recording, "--save", tmp_path / "prop.toml", "--prop", "attic crone")
    assert answer.code == 2
    assert str(tmp_path / "prop.toml") in answer.err
    assert (tmp_path / "prop.toml").read_text(encoding="utf-8") == half


def test_a_profile_of_misfires_only(ask: Ask, tmp_path: Path, sample_audio: Path) -> None:
    text = (
        'format = 1\nprop = "dud"\n[[session]]\ndate = 2026-10-01T20:00:00Z\nway = "contact"\n'
        'recording = "dud.wav"\ntrials = [{trigger_s = 1.0, misfire = true}]\n'
    )
    answer = ask("align", with_profile(tmp_path, text, sample_audio))
    assert answer.code == 2
    assert "scene.toml:4: prop.profile: the profile of 'dud' has no trial with a pop" in answer.err


# --- scenes ---------------------------------------------------------------------------------------


def scene_with(folder: Path, old: str, new: str, *, clip: Samples | None = None) -> Path:
    """A scene in `folder` with one thing changed, and a clip of a second with one click in it."""
    if clip is None:
        clip = np.zeros(48000, dtype=np.float32)
        clip[9600:9700] = 0.5
    soundfile.write(folder / "clip.wav", clip, 48000)
    assert old in SCENE
    (folder / "scene.toml").write_text(SCENE.replace(old, new), encoding="utf-8")
    return folder / "scene.toml"


@pytest.mark.parametrize("command", ["align", "rehearse", "run", "check"])
@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("hit_s", "hitt_s", "scene.toml:9: sound[1].hitt_s: this key is not known. Did you mean hit_s?"),
        ("at_ms", "at_s", "scene.toml:12: flash[1].at_s: this key is not known. Write at_ms"),
        ("= 80", '= "80ms"', "scene.toml:13: flash[1].length_ms: '80ms' is not a number."),
        ("clip.wav", "clap.wav", "scene.toml:8: sound[1].clip: "),
        ("midi:36", "midi:136", "scene.toml:14: flash[1].light: "),
        ("[prop]", "[prop", "scene.toml:3:"),
        ("= 0.2", "= nan", "scene.toml:9: sound[1].hit_s: nan is no number that can be worked with."),
    ],
)
def test_a_scene_with_a_mistake(
    ask: Ask, tmp_path: Path, command: str, old: str, new: str, message: str
) -> None:
    scene = scene_with(tmp_path, old, new)
    out = ["--out", tmp_path / "out.wav"] if command == "rehearse" else []
    answer = ask(command, scene, *out)
    assert answer.code == (1 if command == "check" else 2)
    message = f"{scene}{message.removeprefix('scene.toml')}"
    assert message in (answer.out if command == "check" else answer.err)
    assert not (tmp_path / "out.wav").exists()


def test_milliseconds_that_are_really_seconds(ask: Ask, tmp_path: Path) -> None:
    """0.64 where 640 was meant: no prop pops within a millisecond."""
    answer = ask("check", scene_with(tmp_path, "= 640", "= 0.64"))
    assert answer.code == 1
    assert "prop.trigger_to_pop_ms" in answer.out


def test_a_clip_longer_than_the_reset_is_told(ask: Ask, tmp_path: Path) -> None:
    clip = np.zeros(48000 * 15, dtype=np.float32)
    clip[9600:9700] = 0.5
    answer = ask("check", scene_with(tmp_path, "hit_s = 0.2", "hit_s = 0.2", clip=clip))
    assert answer.code == 0
    assert "clip.wav is longer than the reset" in answer.out
    assert "ready after 12 s" in answer.out


def test_a_hit_after_the_end_of_its_clip(ask: Ask, tmp_path: Path) -> None:
    answer = ask("align", scene_with(tmp_path, "hit_s = 0.2", "hit_s = 1.2"))
    assert answer.code == 2
    assert "scene.toml:9: sound[1].hit_s: 1.2 is after the end of clip.wav" in answer.err


def test_a_silent_clip(ask: Ask, tmp_path: Path) -> None:
    scene = scene_with(tmp_path, "hit_s = 0.2", 'hit = "attack"', clip=np.zeros(48000, dtype=np.float32))
    answer = ask("align", scene)
    assert answer.code == 2
    assert "scene.toml:8: sound[1].clip: clip.wav: " in answer.err
    assert "silent" in answer.err


# --- places that can't be written to --------------------------------------------------------------


def test_a_result_that_is_there_already_stays(ask: Ask, tmp_path: Path) -> None:
    scene = scene_with(tmp_path, "= 640", "= 640")
    (tmp_path / "out.wav").write_bytes(b"mine")
    answer = ask("rehearse", scene, "--out", tmp_path / "out.wav")
    refused(
        answer, tmp_path / "out.wav", ": this file is there already and stays as it is", "or add --replace."
    )
    assert (tmp_path / "out.wav").read_bytes() == b"mine"


@pytest.mark.parametrize("name", ["out.mp3", "out", "out.wav.flac"])
def test_a_sound_is_not_written_under_the_name_of_another_kind(ask: Ask, tmp_path: Path, name: str) -> None:
    answer = ask("rehearse", scene_with(tmp_path, "= 640", "= 640"), "--out", tmp_path / name)
    refused(answer, tmp_path / name, "sound is written as .wav. Name it, for instance, ")
    assert not (tmp_path / name).exists()


def test_a_folder_that_is_not_there(ask: Ask, tmp_path: Path) -> None:
    scene = scene_with(tmp_path, "= 640", "= 640")
    answer = ask("rehearse", scene, "--out", tmp_path / "new" / "out.wav")
    refused(answer, tmp_path / "new" / "out.wav", "can't be written", "make it first")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="/proc is Linux's own")
def test_a_place_where_nothing_can_be_made_is_not_taken_for_a_missing_one() -> None:
    """/proc is a folder, and refuses new ones as if it were not there (ENOENT)."""
    with pytest.raises(
        StorageError, match=r"written \(.*\)\. Nothing can be made in '/proc': choose another"
    ):
        new_night_file(Path("/proc/nolog"), "2026-10-31")


@pytest.mark.parametrize(
    "arguments",
    [
        ["rehearse", "SCENE", "--out", "PLACE/out.wav"],
        ["align", "SCENE", "--picture", "PLACE/plan.svg"],
        ["measure", "RECORDING", "--save", "PLACE/prop.toml", "--prop", "rat"],
        ["measure", "RECORDING", "--picture", "PLACE/trials.png"],
        ["demo", "--folder", "PLACE/demo"],
    ],
)
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="/sys is Linux's own read-only folder")
def test_a_read_only_folder(ask: Ask, tmp_path: Path, sample_audio: Path, arguments: list[str]) -> None:
    """/sys refuses everybody, root as well."""
    known = {
        "SCENE": scene_with(tmp_path, "= 640", "= 640"),
        "RECORDING": sample_audio / "barrel-rat-contact-ac.flac",
    }
    words = [known.get(word, word.replace("PLACE", "/sys/kernel")) for word in arguments]
    answer = ask(*words)
    place = next(str(word) for word in words if str(word).startswith("/sys/kernel"))
    assert answer.code == 2
    assert f"cuesync: {place}: can't be written" in answer.err
    assert "hoose another place" in answer.err
