"""Measures live at the prop of `jack_prop`, in a process of its own: a PortAudio that met a JACK server does
not outlive it well.

    python -m tests.measuring.live_session SOUND.npy RECORDING.wav TRIALS

Says what it found as one line of JSON: `delays_s` (null for a misfire) and `words`.
"""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from cuesync.devices.portaudio import PortAudioRecorder
from cuesync.devices.ports import ContactEdge, Counts, EdgeSink, HostClock
from cuesync.measuring.live import measure_live

CONTACT = "key:space"
AHEAD_S = 0.1
"""The prop starts this long after the press, so that it has heard of it in time."""


class Button:
    """A contact that this program presses; the prop hangs on the same wire."""

    def __init__(self, prop: subprocess.Popen[str]) -> None:
        self._prop = prop
        self._sink: EdgeSink | None = None

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        assert list(contacts) == [CONTACT]
        self._sink = sink

    def press(self) -> None:
        sink, stdin = self._sink, self._prop.stdin
        if sink is None or stdin is None:
            return
        now_s = time.perf_counter()
        sink(ContactEdge(contact=CONTACT, closed=True, at_s=now_s))
        print(repr(now_s + AHEAD_S), file=stdin, flush=True)
        sink(ContactEdge(contact=CONTACT, closed=False, at_s=now_s + 0.05))

    @property
    def discarded(self) -> Counts:
        return {}

    def alive(self) -> bool:
        return self._sink is not None

    def close(self) -> None:
        self._sink = None


def main(sound: str, recording: str, trials: int) -> None:
    prop = subprocess.Popen(
        [sys.executable, "-m", "tests.measuring.jack_prop", sound],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    button = Button(prop)
    words: list[str] = []
    presses = 0

    def hear(word: str) -> None:
        nonlocal presses
        words.append(word)
        if not word.startswith("Ready"):
            return
        assert prop.stdout is not None
        if not presses:
            assert select.select([prop.stdout], [], [], 20.0)[0], "the prop did not find PortAudio"
            assert prop.stdout.readline().strip() == "joined"
        # anywhere within a block
        threading.Timer(1.0 + 0.0017 * presses, button.press).start()
        presses += 1

    end_s = time.monotonic() + 120.0
    try:
        measured = measure_live(
            PortAudioRecorder(clock=HostClock()),
            button,
            CONTACT,
            HostClock(),
            trials=trials,
            recording_path=Path(recording),
            on_trial=lambda _: None,
            on_word=hear,
            stop=lambda: time.monotonic() > end_s,
            reset_s=2.0,
        )
        delays_s = [trial.delay_s for trial in measured.trials]
        print(json.dumps({"delays_s": delays_s, "words": words}), flush=True)
    finally:
        prop.kill()
        prop.wait()


if __name__ == "__main__":
    try:
        main(sys.argv[1], sys.argv[2], int(sys.argv[3]))
    finally:
        os._exit(0)  # PortAudio's own end waits for a server that may be going
