"""Recordings on disk: every way of marking the trigger, every format, every kind of bad input."""

from __future__ import annotations

import json
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from cuesync.errors import RecordingError
from cuesync.hearing.chirp import chirp_signal
from cuesync.measuring.listening import measure_samples
from cuesync.measuring.recording import measure_recording, read_trigger_list
from cuesync.measuring.trial import Measurement

SHIPPED = (
    "attic-crone-contact.flac",
    "attic-crone-tired-click.flac",
    "barrel-rat-contact-ac.flac",
    "shelf-skull-list.flac",
)


def compare(measured: Measurement, true: list[Any], within_s: float) -> None:
    """Every trial there, misfires told apart, impacts and most releases where they really were."""
    assert len(measured.trials) == len(true)
    releases = []
    for trial, truth in zip(measured.trials, true, strict=True):
        assert trial.trigger_s == pytest.approx(truth["trigger_s"], abs=1e-4)
        assert (trial.pop_s is None) == (truth["release_s"] is None)
        if trial.pop_s is not None and trial.impact_s is not None:
            assert trial.impact_s == pytest.approx(truth["impact_s"], abs=5e-4)
            releases.append(abs(trial.pop_s - truth["release_s"]))
    assert np.median(releases) < within_s
    assert max(releases) < 0.005


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_recordings_give_their_true_times(
    name: str, sample_audio: Path, truth: dict[str, Any]
) -> None:
    known = truth["recordings"][name]
    times_s = read_trigger_list(sample_audio / known["list"]) if known["way"] == "list" else None
    measured = measure_recording(sample_audio / name, trigger_times_s=times_s)
    assert measured.way == known["way"].removesuffix("-ac")
    compare(measured, known["trials"], 2e-3)


def test_a_reset_is_heard_within_half_a_second_of_the_motor_s_end(
    sample_audio: Path, truth: dict[str, Any]
) -> None:
    name = SHIPPED[0]
    measured = measure_recording(sample_audio / name)
    for trial, known in zip(measured.trials, truth["recordings"][name]["trials"], strict=True):
        if trial.pop_s is not None:
            assert trial.reset_s is not None
            # the motor coasts after its switch has opened, so it is heard a little longer
            assert -0.05 < trial.trigger_s + trial.reset_s - known["motor_stop_s"] < 0.5


@pytest.fixture(scope="module")
def stereo(maker: ModuleType) -> tuple[NDArray[np.float32], list[dict[str, float | None]]]:
    made = maker.make_recording(trials=4, rate_hz=48000, seed=3)
    return made.samples, [
        {"trigger_s": one.trigger_s, "release_s": one.release_s, "impact_s": one.impact_s}
        for one in made.trials
    ]


@pytest.mark.parametrize(
    ("name", "subtype"),
    [
        ("a.wav", "PCM_16"),
        ("a.wav", "PCM_24"),
        ("a.wav", "FLOAT"),
        ("a.wav", "DOUBLE"),
        ("a.flac", "PCM_16"),
        ("a.ogg", "VORBIS"),
        ("a.mp3", "MPEG_LAYER_III"),
    ],
)
def test_formats(
    name: str, subtype: str, tmp_path: Path, stereo: tuple[NDArray[np.float32], list[dict[str, float | None]]]
) -> None:
    samples, true = stereo
    path = tmp_path / name
    soundfile.write(path, samples, 48000, subtype=subtype)
    measured = measure_recording(path)
    lossy = name.endswith(("ogg", "mp3"))
    assert measured.way == "contact"
    assert len(measured.trials) == len(true)
    for trial, truth in zip(measured.trials, true, strict=True):
        assert trial.trigger_s == pytest.approx(truth["trigger_s"], abs=1e-3 if lossy else 1e-4)
        assert trial.impact_s == pytest.approx(truth["impact_s"], abs=3e-3 if lossy else 5e-4)


@pytest.mark.parametrize("rate_hz", [8000, 44100, 192000])
def test_rates(rate_hz: int, maker: ModuleType, tmp_path: Path) -> None:
    made = maker.make_recording(trials=3, rate_hz=rate_hz, seed=4, spacing_s=3.5)
    path = tmp_path / "a.wav"
    soundfile.write(path, made.samples, rate_hz)
    measured = measure_recording(path)
    assert measured.rate_hz == rate_hz
    for trial, true in zip(measured.trials, made.trials, strict=True):
        # a first touch that falls between two samples is not in the recording
        assert trial.trigger_s == pytest.approx(true.trigger_s, abs=3e-4)
        assert trial.impact_s == pytest.approx(true.impact_s, abs=1e-3)


def test_the_chirp_is_the_trigger(maker: ModuleType, tmp_path: Path) -> None:
    made = maker.make_recording(
        trials=4, way="chirp", chirp=chirp_signal(48000), chirp_path_s=0.0123, rate_hz=48000, seed=5
    )
    path = tmp_path / "a.wav"
    soundfile.write(path, made.samples, 48000)
    measured = measure_recording(path)
    assert measured.way == "chirp"
    for trial, true in zip(measured.trials, made.trials, strict=True):
        assert trial.trigger_s == pytest.approx(true.trigger_s + 0.0123, abs=1e-4)
        assert trial.impact_s == pytest.approx(true.impact_s, abs=5e-4)


def noise(seconds: float, channels: int = 1, level: float = 1e-3) -> NDArray[np.float32]:
    shape = (int(48000 * seconds), channels)
    return (level * np.random.default_rng(1).standard_normal(shape)).astype(np.float32)


def refused(path: Path, *words: str, **wishes: Any) -> None:
    with pytest.raises(RecordingError) as caught:
        measure_recording(path, **wishes)
    message = str(caught.value)
    assert message.startswith(str(path))
    for word in words:
        assert word in message


def written(path: Path, samples: NDArray[np.float32], rate_hz: int = 48000) -> Path:
    soundfile.write(path, samples, rate_hz, subtype="PCM_16")
    return path


def test_missing_and_unreadable_files(tmp_path: Path) -> None:
    refused(tmp_path / "none.wav", "no such file")
    refused(tmp_path, "is a folder")
    (tmp_path / "zero.wav").write_bytes(b"")
    refused(tmp_path / "zero.wav", "is empty")
    (tmp_path / "text.wav").write_text("Dear reader, this is no sound.\n" * 20)
    refused(tmp_path / "text.wav", "can't be read as sound", "WAV, FLAC, OGG or MP3")


def test_nothing_to_measure(tmp_path: Path) -> None:
    refused(written(tmp_path / "short.wav", noise(0)), "is empty")
    refused(written(tmp_path / "still.wav", 0.0 * noise(3)), "is silent", "microphone")
    refused(written(tmp_path / "slow.wav", noise(3), 2000), "2000 samples a second")
    refused(written(tmp_path / "noise.wav", noise(5)), "no trigger")
    refused(written(tmp_path / "hiss.wav", noise(5)), "no pop", trigger_times_s=[1.0, 3.0])


def test_wishes_that_cannot_be_met(tmp_path: Path) -> None:
    mono = written(tmp_path / "mono.wav", noise(3))
    refused(mono, "has one channel", "needs two", way="contact")
    refused(mono, "no channel 2", "microphone", microphone_channel=2)
    refused(mono, "no chirp", way="chirp")
    refused(mono, "--way list needs the list of trigger times: add --triggers FILE.", way="list")
    refused(mono, "at 7 s is outside", trigger_times_s=[1.0, 7.0])
    refused(mono, "list of trigger times is empty", trigger_times_s=[])
    two = written(tmp_path / "two.wav", noise(3, 2))
    refused(two, "both be on channel 1", contact_channel=1, microphone_channel=1)
    refused(two, "--contact-channel doesn't go with --way chirp", contact_channel=1, way="chirp")
    refused(two, "doesn't go with --way click", trigger_times_s=[1.0], way="click")
    refused(two, "channel 1 has no edge", contact_channel=1)


@pytest.mark.parametrize(
    "wishes",
    [
        {"contact_channel": 2, "microphone_channel": 1},
        {"contact_channel": 2},
        {"microphone_channel": 1},
        {"microphone_channel": 1, "way": "contact"},
    ],
)
@pytest.mark.parametrize("name", [SHIPPED[0], SHIPPED[2]])
def test_swapped_channels_are_asked_about(name: str, wishes: dict[str, Any], sample_audio: Path) -> None:
    refused(
        sample_audio / name,
        "channel 2 doesn't look like a contact, but channel 1",
        "are they swapped? Give --contact-channel 1 --microphone-channel 2",
        **wishes,
    )


@pytest.mark.parametrize("way", ["contact", "contact-ac"])
@pytest.mark.parametrize("prop", [0, 1, 2])
def test_a_contact_with_hum_and_noise_is_not_called_swapped(way: str, prop: int, maker: ModuleType) -> None:
    """Named as they are, with mains hum, noise and the microphone itself in the contact's cable."""
    made = maker.make_recording(maker.PROPS[prop], trials=5, way=way, seed=7)
    at_s = np.arange(len(made.samples)) / made.rate_hz
    hum = np.sin(2 * np.pi * 50 * at_s) + 0.3 * np.sin(2 * np.pi * 150 * at_s + 1.0)
    hiss = np.random.default_rng(1).standard_normal(len(at_s))
    sound = made.samples[:, 1].copy()
    for more in (0.1 * hum, 0.3 * hum, 0.01 * hiss, 0.05 * sound, 0.05 * hum + 0.003 * hiss + 0.03 * sound):
        made.samples[:, 0] += more
        for ear in (2, None):
            measured = measure_samples(made.samples, made.rate_hz, contact_channel=1, microphone_channel=ear)
            assert measured.microphone_channel == 2
        made.samples[:, 0] -= more


def test_a_motor_s_start_is_no_click(sample_audio: Path) -> None:
    """Without its list this recording has no mark of the triggers: said so, or taken only when asked for."""
    path = sample_audio / "shelf-skull-list.flac"
    refused(path, "no clear trigger: something starts 4 times", "--triggers FILE; or add --way click")
    measured = measure_recording(path, way="click")
    assert any("No click stands out" in warning for warning in measured.warnings)


def test_one_of_a_kind_is_said_in_the_singular(maker: ModuleType, tmp_path: Path) -> None:
    made = maker.make_recording(maker.SHELF_SKULL, trials=1, way="list", seed=8)
    path = written(tmp_path / "a.wav", made.samples)
    refused(path, "something starts once, but no click")
    measured = measure_recording(path, trigger_times_s=[made.trials[0].trigger_s])
    assert measured.way_reason == "1 trigger time was given"
    assert "1 pop has too few others" in measured.trust


def test_a_few_trials_alone_are_never_called_sure(maker: ModuleType) -> None:
    made = maker.make_recording(trials=1, way="contact", snr_db=50, seed=5)
    measured = measure_samples(made.samples, made.rate_hz, way="contact")
    assert all(trial.confidence < 0.5 for trial in measured.trials)
    assert "a ratchet's click may pass for the release" in measured.trust


def test_how_far_to_trust_the_number(sample_audio: Path) -> None:
    sure = measure_recording(sample_audio / "attic-crone-contact.flac")
    assert sure.trust.startswith("Trust the delay")
    unsure = measure_recording(sample_audio / "attic-crone-tired-click.flac")
    assert "contact on a channel of its own" in unsure.trust
    assert "make ten or more" in unsure.trust


def test_a_clipped_pop_is_timed_and_said(tmp_path: Path, maker: ModuleType) -> None:
    made = maker.make_recording(trials=3, rate_hz=48000, seed=6)
    samples = np.clip(made.samples * [1.0, 1.8], -1.0, 1.0).astype(np.float32)
    measured = measure_recording(written(tmp_path / "a.wav", samples))
    assert any("clipped" in warning for warning in measured.warnings)
    for trial, true in zip(measured.trials, made.trials, strict=True):
        assert trial.impact_s == pytest.approx(true.impact_s, abs=5e-4)


def test_a_bang_without_a_trigger_is_said(tmp_path: Path, maker: ModuleType) -> None:
    made = maker.make_recording(trials=4, rate_hz=48000, seed=6, way="list")
    times_s = [one.trigger_s for one in made.trials[1:]]
    measured = measure_recording(written(tmp_path / "a.wav", made.samples), trigger_times_s=times_s)
    assert any("More pops than triggers" in warning for warning in measured.warnings)
    assert len(measured.trials) == 3


@pytest.mark.parametrize(
    ("text", "times_s"),
    [
        ("1.5\n0.25\n", (0.25, 1.5)),
        ("# by hand\n\ntime,who\n1.5,ann\n2.5,ben\n", (1.5, 2.5)),
        ("\ufeff3.0; left\n", (3.0,)),
    ],
)
def test_trigger_lists(text: str, times_s: tuple[float, ...], tmp_path: Path) -> None:
    path = tmp_path / "times.csv"
    path.write_text(text, encoding="utf-8")
    assert read_trigger_list(path) == times_s


@pytest.mark.parametrize(
    ("text", "line"),
    [("1.0\nsoon\n", ":2: 'soon' is not a time"), ("-1\n", ":1: a trigger can't be at -1 s")],
)
def test_trigger_lists_with_mistakes(text: str, line: str, tmp_path: Path) -> None:
    path = tmp_path / "times.txt"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RecordingError, match="times.txt" + line):
        read_trigger_list(path)
    (tmp_path / "none.txt").write_text("# nothing\n", encoding="utf-8")
    with pytest.raises(RecordingError, match="holds no trigger time"):
        read_trigger_list(tmp_path / "none.txt")


def test_measurements_are_plain_numbers(sample_audio: Path) -> None:
    trial = measure_recording(sample_audio / SHIPPED[2]).trials[0]
    json.dumps(
        [trial.trigger_s, trial.pop_s, trial.impact_s, trial.error_s, trial.confidence, trial.delay_ms]
    )
