"""Every sound file comes in and goes out through one room, and every bad one is told apart."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from cuesync.errors import ClipError, StorageError
from cuesync.sound_file import read_clip, resample, write_wav


def tone(rate_hz: int, length_s: float = 0.5, frequency_hz: float = 997.0) -> np.ndarray:
    """A sine at half of full scale on the left, nothing on the right."""
    time_s = np.arange(round(length_s * rate_hz)) / rate_hz
    left = 0.5 * np.sin(2 * np.pi * frequency_hz * time_s)
    return np.stack([left, np.zeros_like(left)], axis=1)


@pytest.mark.parametrize(
    ("name", "coding", "tolerance"),
    [
        ("a.wav", "PCM_16", 2**-15),
        ("a.wav", "PCM_24", 2**-23),
        ("a.wav", "FLOAT", 1e-7),
        ("a.wav", "PCM_U8", 2**-6),
        ("a.flac", "PCM_24", 2**-23),
        ("a.aiff", "PCM_16", 2**-15),
    ],
)
@pytest.mark.parametrize("rate_hz", [8000, 11025, 44100, 48000, 96000, 192000])
def test_lossless_formats_come_in_as_they_were(
    tmp_path: Path, name: str, coding: str, tolerance: float, rate_hz: int
) -> None:
    samples = tone(rate_hz)
    soundfile.write(tmp_path / name, samples, rate_hz, subtype=coding)
    clip = read_clip(tmp_path / name)
    assert clip.rate_hz == rate_hz
    assert clip.samples.dtype == np.float32
    assert clip.samples.shape == samples.shape
    assert clip.name == name
    assert clip.length_s == len(samples) / rate_hz
    assert np.abs(clip.samples - samples).max() <= tolerance


@pytest.mark.parametrize("name", ["a.ogg", "a.mp3"])
def test_lossy_formats_come_in_at_the_right_time(tmp_path: Path, name: str) -> None:
    samples = tone(48000, 1.0)
    samples[:24000] = 0.0
    soundfile.write(tmp_path / name, samples, 48000)
    left = read_clip(tmp_path / name).samples[:, 0]
    # encoder delay and padding of MP3 must not move the sound: the tone still starts at 0.5 s
    loud = np.flatnonzero(np.abs(left) > 0.1)
    assert loud[0] == pytest.approx(24000, abs=60)
    assert np.sqrt(np.mean(left[30000:42000] ** 2)) == pytest.approx(0.5 / np.sqrt(2), rel=0.02)


def test_mono_has_one_channel(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "mono.wav", tone(48000)[:, 0], 48000)
    assert read_clip(tmp_path / "mono.wav").samples.shape == (24000, 1)


def test_silence_is_a_sound_file_like_any_other(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "silent.wav", np.zeros(800), 8000)
    assert not read_clip(tmp_path / "silent.wav").samples.any()


@pytest.mark.skipif(shutil.which("sox") is None, reason="sox is not installed here")
def test_a_file_written_by_another_program(tmp_path: Path) -> None:
    """sox writes 24-bit WAV with its own header; level and pitch are as asked."""
    path = tmp_path / "sox.wav"
    subprocess.run(
        ["sox", "-n", "-r", "44100", "-b", "24", path, "synth", "1", "sine", "1000", "vol", "0.5"], check=True
    )
    clip = read_clip(path)
    assert (clip.rate_hz, clip.samples.shape) == (44100, (44100, 1))
    spectrum = np.abs(np.fft.rfft(clip.samples[:, 0]))
    assert int(spectrum.argmax()) == 1000  # one bin is one hertz
    assert np.abs(clip.samples).max() == pytest.approx(0.5, abs=1e-3)


def test_a_wav_cut_in_half_gives_what_is_there(tmp_path: Path) -> None:
    path = tmp_path / "cut.wav"
    soundfile.write(path, tone(48000), 48000)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    assert 11_000 < len(read_clip(path).samples) < 13_000


BAD_FILES = [
    ("text.wav", b"this is no sound", r"not a sound file that can be decoded .*Export it again"),
    ("empty.wav", b"", r"the file is empty \(0 bytes\)\. Copy or export it again"),
    ("headerless.raw", b"\0\1" * 500, r"not a sound file that can be decoded"),
    ("header.wav", b"RIFF\x24\0\0\0WAVEfmt ", r"not a sound file that can be decoded"),
    ("noise.mp3", bytes(range(256)) * 8, r"not a sound file|no sound at all"),
]


@pytest.mark.parametrize(("name", "content", "message"), BAD_FILES, ids=[bad[0] for bad in BAD_FILES])
def test_what_is_not_sound_is_named(tmp_path: Path, name: str, content: bytes, message: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(ClipError, match=message) as caught:
        read_clip(path)
    assert str(caught.value).startswith(f"{path}: ")


def test_a_missing_file_and_a_folder(tmp_path: Path) -> None:
    with pytest.raises(ClipError, match=r"there is no such file\. Check the name and the folder\."):
        read_clip(tmp_path / "scraem.wav")
    (tmp_path / "scream.wav").touch()
    with pytest.raises(ClipError, match=r"there is no such file\. Did you mean .*scream\.wav"):
        read_clip(tmp_path / "scraem.wav")
    with pytest.raises(ClipError, match=r"this is a folder\. Name the sound file"):
        read_clip(tmp_path)


def test_no_frames_at_all(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "none.wav", np.zeros((0, 2)), 48000)
    with pytest.raises(ClipError, match=r"no sound at all \(0 samples\)"):
        read_clip(tmp_path / "none.wav")


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_values_that_are_not_numbers(tmp_path: Path, bad: float) -> None:
    samples = tone(48000)
    samples[100] = bad
    soundfile.write(tmp_path / "bad.wav", samples, 48000, subtype="FLOAT")
    with pytest.raises(ClipError, match="not numbers"):
        read_clip(tmp_path / "bad.wav")


@pytest.mark.parametrize("rate_hz", [7999, 4000, 192001, 384000])
def test_rates_outside_the_range_are_refused(tmp_path: Path, rate_hz: int) -> None:
    soundfile.write(tmp_path / "rate.wav", np.ones(100) * 0.1, rate_hz)
    with pytest.raises(ClipError, match=rf"{rate_hz} Hz; 8000 to 192000 Hz are allowed\. Export"):
        read_clip(tmp_path / "rate.wav")


def test_a_clip_too_long_for_memory_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cuesync.sound_file.MAX_CLIP_BYTES", 2**20)
    soundfile.write(tmp_path / "long.wav", np.zeros(2**18 + 1), 48000)
    with pytest.raises(ClipError, match="too long for a clip"):
        read_clip(tmp_path / "long.wav")


def test_longer_than_one_block(tmp_path: Path) -> None:
    samples = np.arange(2**18 + 5) % 1000 / 1000
    soundfile.write(tmp_path / "long.wav", samples, 48000, subtype="FLOAT")
    assert np.array_equal(read_clip(tmp_path / "long.wav").samples[:, 0], samples.astype(np.float32))


@pytest.mark.parametrize("rate_hz", [8000, 44100, 96000, 192000])
def test_resampled_tone_is_the_tone_sampled_there(tmp_path: Path, rate_hz: int) -> None:
    """The judge is the formula of the sine itself, at the new rate's own instants."""
    soundfile.write(tmp_path / "a.wav", tone(48000), 48000, subtype="FLOAT")
    clip = resample(read_clip(tmp_path / "a.wav"), rate_hz)
    assert clip.rate_hz == rate_hz
    assert len(clip.samples) == rate_hz // 2
    inside = slice(rate_hz // 20, -rate_hz // 20)
    assert np.abs(clip.samples - tone(rate_hz))[inside].max() < 1e-5


def test_resampling_to_the_same_rate_gives_the_clip_itself(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", tone(48000), 48000)
    clip = read_clip(tmp_path / "a.wav")
    assert resample(clip, 48000) is clip


@given(
    samples=hnp.arrays(
        np.float64, st.tuples(st.integers(1, 50), st.integers(1, 3)), elements=st.floats(-1, 1)
    ),
    rate_hz=st.sampled_from([8000, 44100, 48000, 192000]),
)
@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_what_is_written_is_read_back(tmp_path: Path, samples: np.ndarray, rate_hz: int) -> None:
    write_wav(tmp_path / "a.wav", samples, rate_hz, replace=True)
    clip = read_clip(tmp_path / "a.wav")
    assert clip.rate_hz == rate_hz
    assert np.abs(clip.samples - samples).max() <= 2**-22


def test_beyond_full_scale_clips_instead_of_wrapping(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", np.array([1.5, -1.5]), 48000)
    assert read_clip(tmp_path / "a.wav").samples[:, 0] == pytest.approx([1.0, -1.0], abs=1e-6)


def test_a_file_that_is_there_stays(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"precious")
    with pytest.raises(StorageError, match=r"is there already and stays"):
        write_wav(path, tone(48000), 48000)
    assert path.read_bytes() == b"precious"
    write_wav(path, tone(48000), 48000, replace=True)
    assert len(read_clip(path).samples) == 24000
    assert [left.name for left in tmp_path.iterdir()] == ["a.wav"]


def test_a_full_disk_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"precious")

    def full(_path: Path, _data: bytes) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(StorageError, match="disk is full"):
        write_wav(path, tone(48000), 48000, replace=True)
    assert path.read_bytes() == b"precious"
    assert [left.name for left in tmp_path.iterdir()] == ["a.wav"]


def test_no_such_folder(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="no folder"):
        write_wav(tmp_path / "nowhere" / "a.wav", tone(48000), 48000)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="/sys is Linux's own read-only folder")
def test_a_read_only_folder() -> None:
    """/sys refuses even the superuser, for whom a folder's permissions do not count."""
    with pytest.raises(StorageError, match="can't be written"):
        write_wav(Path("/sys/cuesync-test.wav"), tone(48000), 48000)
