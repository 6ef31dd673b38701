"""A recording on disk to trials: opens the file, reads it in blocks, and says what is wrong with it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cuesync.errors import RecordingError
from cuesync.measuring.listening import measure_source
from cuesync.measuring.trial import Measurement, Way
from cuesync.storage import nearest_file

READ_FRAMES = 1 << 18


class FileSource:
    """A sound file as `listening.Source`; to be closed after use (`with`)."""

    def __init__(self, path: Path) -> None:
        import soundfile

        self.name = str(path)
        self._problem = soundfile.LibsndfileError
        if not path.exists():
            raise RecordingError(f"{path}: there is no such file. {nearest_file(path)}")
        if path.is_dir():
            raise RecordingError(f"{path}: is a folder, not a recording. Give the sound file inside it.")
        if path.stat().st_size == 0:
            raise RecordingError(f"{path}: is empty: the file holds no byte. Record again.")
        try:
            self._file = soundfile.SoundFile(path)
        except (soundfile.LibsndfileError, OSError) as error:
            raise RecordingError(
                f"{path}: can't be read as sound ({_plain(error)}). It should be WAV, FLAC, OGG or MP3; "
                "if it is a film, take its sound track out first."
            ) from error
        self._reader = ThreadPoolExecutor(1)
        self.rate_hz = int(self._file.samplerate)
        self.channels = int(self._file.channels)
        self.frames = int(self._file.frames)
        # whole numbers are read many times faster than they are turned into floats one by one
        self._kind = "int16" if self._file.subtype == "PCM_16" else "float32"

    def __enter__(self) -> FileSource:
        return self

    def __exit__(self, *_: object) -> None:
        self._reader.shutdown()
        self._file.close()

    def blocks(self) -> Iterator[NDArray[Any]]:
        """The whole recording in order; shape (frames, channels), int16 or float32.

        While one block is worked on, the next is read: no `window` before the last.
        """
        try:
            self._file.seek(0)
            coming = self._reader.submit(self._read)
            while len(block := coming.result()):
                coming = self._reader.submit(self._read)
                # one sum finds every NaN and infinity, at a fraction of the price of looking for them
                if self._kind == "float32" and not np.isfinite(block.sum()):
                    raise RecordingError(
                        f"{self.name}: some of its values are not numbers (NaN or infinite). "
                        "Export it again, as 24-bit WAV."
                    )
                yield block
        except self._problem as error:
            raise RecordingError(
                f"{self.name}: breaks off in the middle ({_plain(error)}). Copy it again, or record again."
            ) from error

    def _read(self) -> NDArray[Any]:
        block: NDArray[Any] = self._file.read(READ_FRAMES, dtype=self._kind, always_2d=True)
        return block

    def window(self, channel: int, start: int, stop: int) -> NDArray[np.float64]:
        """Samples start … stop of one channel, from the file."""
        start = max(0, start)
        self._file.seek(min(start, self.frames))
        block = self._file.read(max(0, min(stop, self.frames) - start), dtype=self._kind, always_2d=True)
        line: NDArray[np.float64] = block[:, channel].astype(np.float64)
        if self._kind == "int16":
            line *= 1.0 / 32768.0
        return line


def _plain(error: Exception) -> str:
    text = getattr(error, "error_string", None) or str(error)
    return str(text).strip().rstrip(".")


def measure_recording(
    path: Path,
    *,
    way: Way | None = None,
    contact_channel: int | None = None,
    microphone_channel: int | None = None,
    trigger_times_s: Sequence[float] | None = None,
) -> Measurement:
    """Measure every trial in a sound file; channels count from 1, times are in seconds from its start.

    The file is read in blocks and re-read around the triggers and pops, so memory doesn't grow with its
    length. `way` None: the way the triggers are marked is found by itself where that is safe.

    Raises RecordingError, which names the file, what is wrong and what to do.
    """
    with FileSource(path) as source:
        return measure_source(
            source,
            way=way,
            contact_channel=contact_channel,
            microphone_channel=microphone_channel,
            trigger_times_s=trigger_times_s,
        )


def read_trigger_list(path: Path) -> tuple[float, ...]:
    """Trigger times in seconds: one a line, or the first column of comma-separated lines.

    `#` starts a comment; a first line of words is taken for a heading.
    Raises RecordingError with file and line.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise RecordingError(f"{path}: there is no such file. {nearest_file(path)}") from error
    except (OSError, UnicodeDecodeError) as error:
        raise RecordingError(
            f"{path}: can't be read as text ({error}). It should hold one trigger time in seconds a line."
        ) from error
    times_s: list[float] = []
    heading = True
    for number, line in enumerate(text.splitlines(), 1):
        words = line.split("#", 1)[0].replace(";", ",").split(",")
        first = words[0].strip().strip('"')
        if not first:
            continue
        try:
            at_s = float(first)
        except ValueError:
            if heading and not times_s:
                heading = False
                continue
            raise RecordingError(
                f"{path}:{number}: {first!r} is not a time. Write seconds from the "
                "recording's start, such as 12.5."
            ) from None
        if not 0.0 <= at_s < float("inf"):
            raise RecordingError(
                f"{path}:{number}: a trigger can't be at {first} s. Write seconds from the "
                "recording's start, 0 or more."
            )
        times_s.append(at_s)
    if not times_s:
        raise RecordingError(f"{path}: holds no trigger time. Write one time in seconds a line.")
    return tuple(sorted(times_s))
