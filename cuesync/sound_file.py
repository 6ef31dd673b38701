"""The one place where sound files are opened and written.

Any format that libsndfile decodes can be read (WAV, FLAC, OGG, MP3, AIFF and more); what is written is WAV.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cuesync.clip import Clip
from cuesync.errors import ClipError, InputError
from cuesync.storage import nearest_file, whole_file

MIN_RATE_HZ = 8_000
MAX_RATE_HZ = 192_000
MAX_CLIP_BYTES = 2**31
"""A clip is held in memory as float32; 2 GiB are 93 minutes of stereo at 48 kHz."""

Coding = Literal["PCM_16", "PCM_24", "FLOAT"]

_BLOCK_FRAMES = 1 << 18


def read_clip(path: Path) -> Clip:
    """Decode a sound file as a whole.

    Returns a `Clip` with float32 samples of shape (frames, channels), full scale = 1, named after the file.
    A silent file is read like any other.

    Raises
    ------
    ClipError
        Missing, a folder, not allowed, empty, not a sound file, damaged, longer than memory should hold,
        a sample rate outside 8 to 192 kHz, or values that are not numbers.
    """
    import soundfile  # loads libsndfile

    path = Path(path)
    _check_readable(path)
    try:
        with soundfile.SoundFile(path) as file:
            rate_hz = int(file.samplerate)
            if not MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ:
                raise ClipError(
                    f"{path}: its sample rate is {rate_hz} Hz; {MIN_RATE_HZ} to {MAX_RATE_HZ} Hz are "
                    "allowed. Export the clip again at 48000 Hz."
                )
            samples = _all_frames(path, file)
    except (soundfile.LibsndfileError, TypeError) as problem:
        # a TypeError is soundfile's answer to headerless formats, which it knows by the file's ending
        raise ClipError(
            f"{path}: this is not a sound file that can be decoded ({_decoder_words(problem)}). "
            "Export it again as WAV or FLAC, and check that the copy is complete."
        ) from problem
    if len(samples) == 0:
        raise ClipError(f"{path}: it holds no sound at all (0 samples). Export the clip again.")
    if not np.isfinite(samples).all():
        raise ClipError(
            f"{path}: some samples are not numbers (NaN or infinite). Export the clip again, as 24-bit WAV."
        )
    return Clip(name=path.name, samples=samples, rate_hz=rate_hz)


def _check_readable(path: Path) -> None:
    try:
        if path.is_dir():
            raise ClipError(f"{path}: this is a folder. Name the sound file inside it.")
        with path.open("rb") as file:
            first = file.read(1)
    except FileNotFoundError as problem:
        raise ClipError(f"{path}: there is no such file. {nearest_file(path)}") from problem
    except OSError as problem:
        raise ClipError(
            f"{path}: it can't be opened ({problem.strerror or problem}). Check that you may read it."
        ) from problem
    if not first:
        raise ClipError(f"{path}: the file is empty (0 bytes). Copy or export it again.")


def _decoder_words(problem: Exception) -> str:
    """libsndfile's own words without the path in front of them."""
    return str(getattr(problem, "error_string", problem)).strip().rstrip(".")


def _all_frames(path: Path, file: Any) -> NDArray[np.float32]:
    """Read to the end in blocks: the length in a header is not always true."""
    blocks: list[NDArray[np.float32]] = []
    held_bytes = 0
    while True:
        block = file.read(_BLOCK_FRAMES, dtype="float32", always_2d=True)
        held_bytes += block.nbytes
        if held_bytes > MAX_CLIP_BYTES:
            raise ClipError(
                f"{path}: too long for a clip (more than {MAX_CLIP_BYTES >> 30} GiB when decoded). "
                "Cut out the part that is to be played."
            )
        blocks.append(block)
        if len(block) < _BLOCK_FRAMES:
            return blocks[0] if len(blocks) == 1 else np.concatenate(blocks)


def resample(clip: Clip, rate_hz: int) -> Clip:
    """The same clip at another sample rate, by soxr at its very-high-quality setting (linear phase).

    Sample 0 stays the same instant. The clip itself comes back where the rate is right already.
    """
    if rate_hz == clip.rate_hz:
        return clip
    import soxr  # type: ignore[import-untyped]  # loads libsoxr

    samples = soxr.resample(clip.samples, clip.rate_hz, rate_hz, quality="VHQ")
    return Clip(name=clip.name, samples=np.asarray(samples, dtype=np.float32), rate_hz=rate_hz)


def check_wav_name(path: Path) -> None:
    """InputError where the name promises something else than the WAV file that would be written."""
    if path.suffix.lower() != ".wav":
        given = f"ends in {path.suffix!r}" if path.suffix else "has no ending"
        raise InputError(
            f"{path}: {given}, and sound is written as .wav. Name it, for instance, {path.stem or 'cue'}.wav."
        )


def write_wav(
    path: Path, samples: ArrayLike, rate_hz: int, *, replace: bool = False, coding: Coding = "PCM_24"
) -> None:
    """Write a WAV file in one step: it is there whole, or not at all.

    `samples`: shape (frames,) or (frames, channels), full scale = 1; beyond it the PCM codings clip, as a
    sound card does. A file of that name is kept unless `replace` is set.

    Raises
    ------
    StorageError
        Already there, no such folder, read-only, disk full.
    """
    import soundfile  # loads libsndfile

    # encoded in memory first, so that a full disk answers with its own error and not through libsndfile
    encoded = io.BytesIO()
    soundfile.write(encoded, np.asarray(samples), rate_hz, subtype=coding, format="WAV")
    with whole_file(Path(path), replace=replace, how="choose another name, or add --replace") as part:
        part.write_bytes(encoded.getbuffer())
