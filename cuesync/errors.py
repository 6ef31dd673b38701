"""Every error that a user can meet.

CuesyncError                    says what is wrong, where, and what to do
├── InputError  (ValueError)    a value, an option or a file's content is not usable
│   ├── FaultyFileError            all problems of one scene or profile, reported at once
│   ├── RecordingError          a sound file that can't be read or measured
│   └── ClipError               a clip that can't be decoded, or has no clear hit
├── StorageError (OSError)      a file can't be written: read-only folder, full disk, already there
└── DeviceError (OSError)       sound card, MIDI port or contact: missing, vanished, refused
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class CuesyncError(Exception):
    """Base of all; the message is written for the person at the prop."""


class InputError(CuesyncError, ValueError):
    """A value, an option or a file's content is not usable."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing wrong in a file.

    `line` counts from 1, or is None where the whole file is meant; `key` is the dotted path
    (`flash[2].at_ms`, entries counted from 1) or empty.
    """

    file: str
    line: int | None
    key: str
    what: str
    todo: str

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file}:{self.line}"
        key = f" {self.key}:" if self.key else ""
        return f"{where}:{key} {self.what} {self.todo}".rstrip()


class FaultyFileError(InputError):
    """All problems of one scene or profile file."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = tuple(problems)


class RecordingError(InputError):
    """A sound file that can't be read or measured."""


class ClipError(InputError):
    """A clip that can't be decoded, or has no clear hit."""


class StorageError(CuesyncError, OSError):
    """A file can't be written: read-only folder, full disk, already there."""


class DeviceError(CuesyncError, OSError):
    """Sound card, MIDI port or contact: missing, vanished, refused."""
