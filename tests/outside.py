"""Recordings that nobody here made, for tests marked `outside_data`.

They stay where their packages put them; none is copied into this project.

| package (Debian)  | what tests use                                            | licence                   |
| ----------------- | --------------------------------------------------------- | ------------------------- |
| bucklespring-data | 171 clicks of springs under keys, 44.1 kHz                | GPL-2+                    |
| sonic-pi-samples  | drum hits, knocks, a machine loop, hiss, 44.1 kHz         | CC0 (its README says so)  |
| freedoom          | screams, doors, a motor: lumps `DS…`, 8 bit, 11 to 44 kHz | BSD-3                     |
| freedink-data     | `wscream.wav` (a scream), `open.wav` (a door), 22.05 kHz  | WTFPL; GPL-2+ or CC-BY-SA |
| freegish-data     | `blockbreak.wav`; `ropebreak.wav` is named so but no WAV  | CC-BY-SA-3.0              |
| obspy (PyPI)      | seismograms with the picks that its own tests expect      | LGPL                      |

A test whose package is missing is skipped with the line that installs it, and fails instead where the
environment says CUESYNC_OUTSIDE_DATA=required.
"""

from __future__ import annotations

import importlib.util
import os
import struct
from functools import cache
from pathlib import Path
from typing import NoReturn

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

Sound = tuple[NDArray[np.float32], int]
"""Samples, float32 of shape (frames,) or (frames, channels), and the rate in Hz."""

FOLDERS = {
    "bucklespring-data": Path("/usr/share/buckle/wav"),
    "sonic-pi-samples": Path("/usr/share/sonic-pi/samples"),
    "freedoom": Path("/usr/share/games/doom"),
    "freedink-data": Path("/usr/share/games/dink/dink/Sound"),
    "freegish-data": Path("/usr/share/games/freegish/sound"),
}


def without(what: str, install: str) -> NoReturn:
    """Skip the running test, or fail it where the outside recordings are compulsory."""
    message = f"{what} is not installed here; install it with: {install}"
    if os.environ.get("CUESYNC_OUTSIDE_DATA") == "required":
        pytest.fail(f"{message} (CUESYNC_OUTSIDE_DATA=required)", pytrace=False)
    pytest.skip(message)


def path(package: str, name: str) -> Path:
    """Where a file of one of the Debian packages lies; `name` as in `drum_snare_hard.flac`."""
    folder = FOLDERS[package]
    if not folder.is_dir():
        without(f"the Debian package {package}", f"sudo apt-get install --no-install-recommends {package}")
    file = folder / name
    if not file.is_file():
        raise FileNotFoundError(f"{package} is installed but holds no {name}; its names are in {folder}")
    return file


def sound(package: str, name: str) -> Sound:
    """One of the packages' sound files, decoded by libsndfile."""
    samples, rate_hz = soundfile.read(path(package, name), dtype="float32")
    return samples, int(rate_hz)


def names(package: str, pattern: str = "*") -> list[str]:
    """The package's files that match, sorted."""
    folder = FOLDERS[package]
    if not folder.is_dir():
        without(f"the Debian package {package}", f"sudo apt-get install --no-install-recommends {package}")
    return sorted(file.name for file in folder.glob(pattern))


@cache
def _lumps(wad: Path) -> dict[str, tuple[int, int]]:
    data = wad.read_bytes()
    count, directory = struct.unpack_from("<ii", data, 4)
    entries = struct.iter_unpack("<ii8s", data[directory : directory + 16 * count])
    return {name.rstrip(b"\0").decode("ascii"): (at, size) for at, size, name in entries}


def lump_names() -> list[str]:
    """Names of all lumps of freedoom2.wad."""
    return list(_lumps(path("freedoom", "freedoom2.wad")))


def lump(name: str) -> Sound:
    """A sound out of freedoom2.wad: 8 bytes of header (kind 3, rate, count), then unsigned bytes."""
    wad = path("freedoom", "freedoom2.wad")
    at, size = _lumps(wad)[name]
    with wad.open("rb") as file:
        file.seek(at)
        data = file.read(size)
    kind, rate_hz, count = struct.unpack_from("<HHI", data)
    if kind != 3:
        raise ValueError(f"lump {name} is no sampled sound (kind {kind}, 3 wanted)")
    unsigned = np.frombuffer(data, dtype=np.uint8, count=min(count, size - 8), offset=8)
    return (unsigned.astype(np.float32) - 128.0) / 128.0, int(rate_hz)


def seismogram(name: str) -> Path:
    """A file of obspy's test data, such as `manz_waldk.a01.gz`."""
    found = importlib.util.find_spec("obspy")
    if found is None or found.origin is None:
        without("the Python package obspy", "python -m pip install obspy")
    return Path(found.origin).parent / "signal" / "tests" / "data" / name
