"""Keeps what the microphone hears, as a WAV file that is valid at every moment."""

from __future__ import annotations

import wave
from contextlib import suppress
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from cuesync.errors import StorageError
from cuesync.storage import refuse_existing, storage_error

FULL_SCALE = 2**23 - 1


class KeptRecording:
    """A 24-bit WAV file written block by block; its header is put right after each block.

    Whoever kills the program, or fills the disk, leaves a file that reads up to the last whole block.
    An existing file is never written over.
    """

    def __init__(self, path: Path, *, channels: int, rate_hz: int) -> None:
        refuse_existing(path, replace=False, how="choose another name")
        self.path = path
        self.frames = 0
        try:
            # "x" refuses a file that came into being since the look above
            self._file = path.open("xb")
        except OSError as error:
            raise storage_error(path, error) from error
        self._wave = wave.open(self._file, "wb")  # noqa: SIM115 - open for as long as the measurement
        self._wave.setnchannels(channels)
        self._wave.setsampwidth(3)
        self._wave.setframerate(rate_hz)

    def write(self, samples: NDArray[np.float32]) -> None:
        """Append (frames, channels); StorageError where the disk takes no more."""
        whole = np.rint(np.clip(samples, -1.0, 1.0) * FULL_SCALE).astype("<i4")
        # the lower three of four bytes, low byte first
        data = whole.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
        try:
            self._wave.writeframes(data)
            self._file.flush()
        except OSError as error:
            raise storage_error(self.path, error) from error
        except Exception as error:  # the wave module's own, where 4 GB are full
            raise StorageError(
                f"{self.path}: a WAV file holds no more than 4 GB ({error}). Start another measurement."
            ) from error
        self.frames += len(samples)

    def close(self) -> None:
        """End the file; what could not be written stays away. One without a single frame is taken away."""
        with suppress(OSError):
            self._wave.close()
        with suppress(OSError):
            self._file.close()
        if not self.frames:
            with suppress(OSError):
                self.path.unlink()
