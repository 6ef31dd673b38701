"""A JACK server of our own with a dummy driver, and a handle on `ear`; for tests and benchmarks."""

from __future__ import annotations

import contextlib
import ctypes.util
import os
import shutil
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 48000
PORTAUDIO_PORTS = "PortAudio:"
_MEDIAN_OF = 11
# What a killed server has left behind may stand in the way of the next one for a moment.
_STARTS = 3
_claims: dict[str, TextIO] = {}


def missing() -> str:
    """Why there can be no JACK stream here; empty when there can."""
    if shutil.which("jackd") is None:
        return "jackd is not installed (Debian: apt install jackd2)"
    if ctypes.util.find_library("portaudio") is None:
        return "libportaudio is not installed (Debian: apt install libportaudio2)"
    try:
        import jack  # noqa: F401
    except (ImportError, OSError) as problem:
        return f'JACK-Client is not usable ({problem}); install it with pip install "cuesync[jack]"'
    return ""


def may_be_realtime() -> bool:
    """Whether this user may give a process real-time priority, as jackd wants it."""
    if sys.platform != "linux":
        return False
    before = os.sched_getscheduler(0), os.sched_getparam(0)
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
    except OSError:
        return False
    os.sched_setscheduler(0, *before)
    return True


def start_server(name: str, frames: int, *, realtime: bool = False) -> subprocess.Popen[bytes]:
    """Start a server and wait until clients get in. TimeoutError where it does not, or runs already.

    `realtime` needs rights that a container seldom has, and makes the stream independent of other load.
    """
    if _runs(name):
        raise TimeoutError(f"the JACK server {name} runs already")
    command = ["jackd", "-n", name, *(["-R", "-P", "70"] if realtime else ["-r"])]
    with tempfile.TemporaryFile() as words:
        for _ in range(_STARTS):
            server = subprocess.Popen(
                [*command, "-d", "dummy", "-r", str(RATE_HZ), "-p", str(frames)],
                stdout=words,
                stderr=words,
                env={**os.environ, "JACK_NO_AUDIO_RESERVATION": "1"},
            )
            end_s = time.monotonic() + 10.0
            while server.poll() is None and time.monotonic() < end_s:
                if _runs(name):
                    return server
                time.sleep(0.1)
            stop_server(server)
        words.seek(0)
        said = words.read().decode(errors="replace").split("\n")
    reason = " / ".join(line for line in said[-8:] if line)
    raise TimeoutError(f"the JACK server {name} did not start; it said: {reason}")


def _runs(name: str) -> bool:
    import jack

    jack.set_error_function(lambda _: None)
    try:
        jack.Client("cuesync knock", no_start_server=True, servername=name).close()
    except jack.JackOpenError:
        return False
    return True


def start_free_server(
    kind: str, frames: int, *, realtime: bool = False
) -> tuple[str, subprocess.Popen[bytes]]:
    """Start a server under the first name that nobody uses; it stays ours until this process ends.

    JACK keeps at most eight names, and one whose server was killed stays taken until it is used again; so
    the names are few and come again.
    """
    for count in range(1, 5):
        name = f"cuesync-{kind}-{count}"
        if not claim(name):
            continue
        try:
            return name, start_server(name, frames, realtime=realtime)
        except TimeoutError:
            continue
    raise TimeoutError("no JACK server started under any of four names; are there others running?")


def claim(name: str) -> bool:
    """Keep a name from all other test runs, also while its server is killed and started again."""
    import fcntl

    if name not in _claims:
        with contextlib.ExitStack() as stack:
            try:
                path = Path(tempfile.gettempdir()) / f"{name}.claim"
                held = stack.enter_context(path.open("w"))
                fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                return False
            _claims[name] = held
            stack.pop_all()
    return True


def stop_server(server: subprocess.Popen[bytes]) -> None:
    server.terminate()
    try:
        server.wait(5.0)
    except subprocess.TimeoutExpired:
        server.kill()
        server.wait()


@contextlib.contextmanager
def jack_server(frames: int = 256, *, realtime: bool = False) -> Iterator[str]:
    """A server that nobody else meets. PortAudio and MIDI find it by the environment."""
    name, server = start_free_server("test", frames, realtime=realtime)
    before = os.environ.get("JACK_DEFAULT_SERVER")
    os.environ["JACK_DEFAULT_SERVER"] = name
    try:
        yield name
    finally:
        if before is None:
            os.environ.pop("JACK_DEFAULT_SERVER", None)
        else:
            os.environ["JACK_DEFAULT_SERVER"] = before
        stop_server(server)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """What the ear heard. `samples` (frames, 2); `at`, `host_s`: one pair of sample and host time a block.

    `host_s` is when the block was asked for, with the median of eleven blocks against the lateness of one;
    `asked_s` is without.
    """

    samples: NDArray[np.float32]
    at: NDArray[np.int64]
    host_s: NDArray[np.float64]
    asked_s: NDArray[np.float64]
    lost: int

    def hits(self, threshold: float = 0.1) -> NDArray[np.int64]:
        """The first sample of every sound: louder than `threshold` after 20 ms of less."""
        loud = np.flatnonzero(np.abs(self.samples[:, 0]) > threshold)
        return loud[np.diff(loud, prepend=-(10**9)) > 0.02 * RATE_HZ]

    def times_s(self, samples: NDArray[np.int64]) -> NDArray[np.float64]:
        """Host time of these samples, by the block each lies in."""
        block = np.searchsorted(self.at, samples, side="right") - 1
        return np.asarray(self.host_s[block] + (samples - self.at[block]) / RATE_HZ, dtype=np.float64)

    def unsteady_s(self, from_s: float, to_s: float) -> float:
        """How far the server's own time went astray between two host times: late, lost and shifted blocks.

        Near 0 on a calm computer; what a busy one does to the server nobody who plays through it can mend.
        """
        origin_s = self.asked_s - self.at / RATE_HZ
        first, end = np.searchsorted(self.asked_s, [from_s, to_s])
        around = slice(max(0, first - 1), end + 1)
        gaps_s = np.diff(self.at[around]) / RATE_HZ
        shifts_s = float(np.ptp(origin_s[around])) if len(gaps_s) else np.inf
        lost_s = float(np.sum(gaps_s - np.min(gaps_s))) if len(gaps_s) else np.inf
        return max(shifts_s, lost_s)


class Ear:
    """Records from `start` to `stop` in a process of its own."""

    def __init__(self, folder: Path, seconds: float, prefix: str = PORTAUDIO_PORTS) -> None:
        self._path = folder / f"heard-{uuid.uuid4().hex[:8]}.npz"
        root = Path(__file__).resolve().parents[2]
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.show.ear", str(seconds), str(self._path), prefix],
            cwd=root,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self._process.stdout is not None
        if self._process.stdout.readline().strip() != "ready":
            self.kill()
            raise RuntimeError("the ear did not get into the JACK server")

    def stop(self) -> Heard:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(30.0)
        self.kill()
        with np.load(self._path) as data:
            at = data["at"]
            origin_s = np.pad(data["asked_s"] - at / RATE_HZ, _MEDIAN_OF // 2, mode="edge")
            origin_s = np.median(np.lib.stride_tricks.sliding_window_view(origin_s, _MEDIAN_OF), axis=1)
            return Heard(
                samples=data["samples"],
                at=at,
                host_s=origin_s + at / RATE_HZ,
                asked_s=data["asked_s"],
                lost=int(data["lost"]),
            )

    def kill(self) -> None:
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()
