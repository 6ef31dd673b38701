"""Live measuring through a real PortAudio stream, with a prop that is another JACK client."""

from __future__ import annotations

import select
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest

from cuesync.devices.portaudio import PortAudioRecorder
from cuesync.devices.ports import ContactEdge, EdgeSink, HostClock
from cuesync.measuring.live import measure_live
from cuesync.measuring.recording import measure_recording

pytestmark = pytest.mark.real_stream

RATE_HZ = 48000
CONTACT = "key:space"
DELAY_S = 0.35


def prop_sound() -> np.ndarray:
    """A motor for a second, and a bang `DELAY_S` after its start that dies away in a twentieth of one."""
    random = np.random.default_rng(3)
    times_s = np.arange(RATE_HZ) / RATE_HZ
    sound = 0.01 * np.sin(2 * np.pi * 110 * times_s) + 0.002 * random.standard_normal(RATE_HZ)
    after_s = times_s - DELAY_S
    bang = np.where(after_s >= 0, 0.5 * np.exp(-after_s / 0.05), 0.0) * random.standard_normal(RATE_HZ)
    return (sound + np.clip(bang, -0.9, 0.9)).astype(np.float32)


class Button:
    """A contact that the test presses; the prop hangs on the same wire."""

    def __init__(self, prop: subprocess.Popen[str]) -> None:
        self._prop = prop
        self._sink: EdgeSink | None = None

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        assert list(contacts) == [CONTACT]
        self._sink = sink

    def press(self) -> None:
        sink, stdin = self._sink, self._prop.stdin
        assert sink is not None
        assert stdin is not None
        now_s = time.perf_counter()
        sink(ContactEdge(contact=CONTACT, closed=True, at_s=now_s))
        # the prop starts a moment later, so that the line is read in time
        print(repr(now_s + 0.1), file=stdin, flush=True)
        sink(ContactEdge(contact=CONTACT, closed=False, at_s=now_s + 0.05))

    def alive(self) -> bool:
        return self._sink is not None

    def close(self) -> None:
        self._sink = None


@pytest.fixture
def prop(tmp_path: Path, roomy_jack: int) -> Iterator[subprocess.Popen[str]]:
    assert roomy_jack
    path = tmp_path / "prop.npy"
    np.save(path, prop_sound())
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.measuring.jack_prop", str(path)],
        cwd=Path(__file__).resolve().parents[2],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    yield process
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            pipe.close()
    try:
        process.wait(5.0)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def test_the_delay_is_found_through_a_real_stream(
    tmp_path: Path, prop: subprocess.Popen[str], roomy_jack: int
) -> None:
    """A block more or less on the prop's way is the server's business, but it is the same for each trial."""
    recorder = PortAudioRecorder(clock=HostClock())
    assert recorder.rate_hz == RATE_HZ
    button = Button(prop)
    words: list[str] = []
    presses: list[threading.Timer] = []

    def hear(word: str) -> None:
        words.append(word)
        if word.startswith("Ready"):
            assert prop.stdout is not None
            if not presses:
                assert select.select([prop.stdout], [], [], 20.0)[0], "the prop did not find PortAudio"
                assert prop.stdout.readline().strip() == "joined"
            # anywhere within a block
            presses.append(threading.Timer(0.2 + 0.0017 * len(presses), button.press))
            presses[-1].start()

    path = tmp_path / "live.wav"
    end_s = time.monotonic() + 150.0
    measured = measure_live(
        recorder,
        button,
        CONTACT,
        HostClock(),
        trials=3,
        recording_path=path,
        on_trial=lambda _: None,
        on_word=hear,
        stop=lambda: time.monotonic() > end_s,
        reset_s=2.0,
    )
    assert len(measured.trials) == 3, words
    errors_s = np.array([(trial.delay_s or 0.0) - 0.1 - DELAY_S for trial in measured.trials])
    assert np.abs(np.median(errors_s)) < roomy_jack / RATE_HZ + 0.002, (errors_s, words)
    assert np.abs(errors_s - np.median(errors_s)).max() < 0.004, (errors_s, words)
    kept = measure_recording(path)
    assert kept.way == "chirp"
    assert len(kept.trials) >= len(measured.trials)
