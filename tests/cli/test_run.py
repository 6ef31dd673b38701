"""Whole nights by the command line, in terminals of their own: whatever becomes of the screen, they go on."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import IO

import pytest

from cuesync.show.log import night_files, read_events, read_summary

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are a thing of Linux and macOS", allow_module_level=True)

ROOT = Path(__file__).resolve().parents[2]
SCENE = """
title = "dark hatch"
[prop]
trigger_to_pop_ms = 300
reset_s = 1
[trigger]
contact = "key:space"
[[flash]]
at_ms = 0
length_ms = {length_ms}
light = "dmx:1:5"
"""
FULL = Path("/dev/full")
CTRL_S, CTRL_Q = b"\x13", b"\x11"

needs_full = pytest.mark.skipif(not FULL.exists(), reason="a thing of Linux")


class Run:
    """`cuesync run` with a keyboard; what it writes into a pipe or to the terminal is read all the time."""

    def __init__(
        self,
        folder: Path,
        *arguments: str,
        stdout: int | IO[str] | None = None,
        length_ms: int = 80,
        nights: Path | None = None,
    ) -> None:
        """`stdout`: a pipe of our own where it is not given, -1 for the terminal."""
        self.nights = folder / "nights" if nights is None else nights
        scene = folder / "scene.toml"
        scene.write_text(SCENE.format(length_ms=length_ms), encoding="utf-8")
        self.typist, keyboard = os.openpty()
        streams = {-1: keyboard, None: subprocess.PIPE}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "cuesync", "run", scene, "--log-folder", self.nights, *arguments],
            cwd=ROOT,
            env={**os.environ, "TERM": "xterm"},
            stdin=keyboard,
            stdout=streams.get(stdout, stdout) if isinstance(stdout, int | None) else stdout,
            stderr=keyboard if stdout == -1 else subprocess.PIPE,
            start_new_session=True,
        )
        os.close(keyboard)
        self.out, self.error, self.terminal = bytearray(), bytearray(), bytearray()
        self._readers = [
            self._read(pipe.fileno(), into)
            for pipe, into in ((self.process.stdout, self.out), (self.process.stderr, self.error))
            if pipe is not None
        ]
        self._read(self.typist, self.terminal)

    def _read(self, number: int, into: bytearray) -> threading.Thread:
        def read() -> None:
            try:
                while part := os.read(number, 4096):
                    into.extend(part)
            except OSError:
                return

        reader = threading.Thread(target=read, daemon=True)
        reader.start()
        return reader

    def logged(self, kind: str) -> int:
        """How many lines of this kind the log has by now."""
        try:
            with closing(sqlite3.connect(night_files(self.nights)[-1], timeout=1.0)) as log:
                (count,) = log.execute("SELECT count(*) FROM event WHERE kind = ?", (kind,)).fetchone()
        except (IndexError, OSError, sqlite3.Error):
            return 0
        return int(count)

    def wait(self, true: Callable[[], bool], timeout_s: float = 20.0) -> None:
        end_s = time.monotonic() + timeout_s
        while not true():
            if time.monotonic() > end_s or self.process.poll() is not None:
                raise AssertionError((self.process.poll(), self.out, self.error, self.terminal))
            time.sleep(0.02)

    def scare(self, number: int) -> None:
        """Press once the scene is armed, and wait until this scare is over."""
        # resetting, armed; and each time playing, resetting, armed
        self.wait(lambda: self.logged("state") >= 3 * number - 1)
        os.write(self.typist, b" ")
        self.wait(lambda: self.logged("scare") >= number)

    def armed(self) -> None:
        self.wait(lambda: self.logged("state") >= 2)

    def end(self, *sent: signal.Signals, timeout_s: float = 15.0) -> int:
        for number in sent:
            self.process.send_signal(number)
        code = self.process.wait(timeout_s)
        for reader in self._readers:
            reader.join(5.0)
        return code

    def faults(self) -> list[str]:
        return [event.text for event in read_events(night_files(self.nights)[-1], kinds=["fault"])]

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self.typist)
        for pipe in (self.process.stdout, self.process.stderr):
            if pipe is not None:
                pipe.close()


@pytest.fixture
def nights() -> Iterator[list[Run]]:
    """The test puts in what it runs."""
    running: list[Run] = []
    yield running
    for each in running:
        each.close()


@needs_full
def test_a_status_file_on_a_full_disk_ends_no_night(tmp_path: Path, nights: list[Run]) -> None:
    nights.append(run := Run(tmp_path, "--status-json", str(FULL)))
    run.scare(1)
    assert run.end(signal.SIGTERM) == 0
    (fault,) = run.faults()
    assert fault.startswith("--status-json can't be written to /dev/full any more: ")
    assert run.out.count(fault.encode()) == 1
    assert b"The night is over: 1 scare, 0 presses refused, 1 fault." in run.out
    assert read_summary(night_files(run.nights)[0]).ended_wall is not None


@needs_full
def test_words_for_a_full_disk_go_to_stderr(tmp_path: Path, nights: list[Run]) -> None:
    with FULL.open("w") as full:
        nights.append(run := Run(tmp_path, stdout=full))
        run.scare(1)
        assert run.end(signal.SIGTERM) == 0
    (fault,) = run.faults()
    assert fault.startswith("the words can't be written to standard output any more: ")
    assert fault.endswith("They go to standard error.")
    assert run.error.count(fault.encode()) == 1
    assert b"scare 1 done" in run.error
    assert b"The night is over: 1 scare" in run.error


def test_a_reader_of_the_status_that_ends_ends_no_night(tmp_path: Path, nights: list[Run]) -> None:
    reader, writer = os.pipe()
    nights.append(run := Run(tmp_path, "--status-json", "-", stdout=writer))
    os.close(writer)
    run.armed()
    time.sleep(0.2)
    got = os.read(reader, 65536).splitlines()
    os.close(reader)
    assert "event" in json.loads(got[0])  # nothing but JSON: the words make way
    run.scare(1)
    run.scare(2)
    assert run.end(signal.SIGTERM) == 0
    (fault,) = run.faults()
    assert fault.startswith("--status-json can't be written to ")
    assert run.error.count(fault.encode()) == 1
    assert b"The night is over: 2 scares" in run.error


@pytest.mark.parametrize("sent", [signal.SIGTERM, signal.SIGINT])
def test_a_reader_of_the_status_that_hangs_holds_nothing_up(
    tmp_path: Path, nights: list[Run], sent: signal.Signals
) -> None:
    fifo = tmp_path / "status"
    os.mkfifo(fifo)
    reader = os.open(fifo, os.O_RDONLY | os.O_NONBLOCK)
    filler = os.open(fifo, os.O_WRONLY | os.O_NONBLOCK)
    try:
        with contextlib.suppress(BlockingIOError):
            while os.write(filler, b"x" * 4096):
                pass
        nights.append(run := Run(tmp_path, "--status-json", str(fifo)))
        run.scare(1)
        run.scare(2)
        start_s = time.monotonic()
        assert run.end(sent) == 0
        assert time.monotonic() - start_s < 8.0
    finally:
        os.close(filler)
        os.close(reader)
    (fault,) = run.faults()
    assert fault.startswith("the reader of --status-json hangs; of what happened it has not taken ")
    assert fault.encode() in run.out  # the operator's own screen goes on beside it
    assert b"The night is over: 2 scares" in run.out
    assert read_summary(night_files(run.nights)[0]).ended_wall is not None


def test_a_terminal_that_is_stopped_holds_nothing_up(tmp_path: Path, nights: list[Run]) -> None:
    """Ctrl-S stops a terminal's output until Ctrl-Q (POSIX.1-2017, 11.1.9, IXON)."""
    nights.append(run := Run(tmp_path, stdout=-1))
    run.armed()
    run.wait(lambda: b"ARMED" in run.terminal)
    os.write(run.typist, CTRL_S)
    time.sleep(1.5)
    stands = len(run.terminal)
    run.scare(1)
    assert len(run.terminal) == stands
    start_s = time.monotonic()
    assert run.end(signal.SIGTERM) == 0
    assert time.monotonic() - start_s < 12.0
    assert run.faults()[0].startswith("the operator's screen hangs; ")
    summary = read_summary(night_files(run.nights)[0])
    assert summary.ended_wall is not None
    assert summary.scares == 1


def test_a_terminal_that_was_stopped_for_a_while_shows_all(tmp_path: Path, nights: list[Run]) -> None:
    nights.append(run := Run(tmp_path, stdout=-1))
    run.armed()
    run.wait(lambda: b"ARMED" in run.terminal)
    os.write(run.typist, CTRL_S)
    time.sleep(0.7)
    run.scare(1)
    os.write(run.typist, CTRL_Q)
    run.wait(lambda: b"scare 1 done" in run.terminal)
    assert run.end(signal.SIGTERM) == 0
    assert b"The night is over: 1 scare, 0 presses refused, 0 faults." in run.terminal
    assert run.faults() == []


@pytest.mark.parametrize("gap_s", [0.0, 0.1, 0.5])
def test_a_second_ctrl_c_changes_nothing(tmp_path: Path, nights: list[Run], gap_s: float) -> None:
    nights.append(run := Run(tmp_path, length_ms=20_000))
    run.armed()
    os.write(run.typist, b" ")
    run.wait(lambda: state_of(run) == "playing")
    for _ in range(2):
        run.process.send_signal(signal.SIGINT)
        time.sleep(gap_s)
    while run.process.poll() is None:  # somebody in a hurry, to the very end
        run.process.send_signal(signal.SIGINT)
        time.sleep(0.005)
    assert run.end() == 0, run.error
    assert b"The night is over: 1 scare, 0 presses refused, 0 faults." in run.out
    summary = read_summary(night_files(run.nights)[0])
    assert summary.ended_wall is not None
    assert summary.scares == 1
    texts = [event.text for event in read_events(summary.path)]
    assert "the night ends" in texts
    assert "scare 1 was stopped" in texts


def state_of(run: Run) -> str:
    *_, last = read_events(night_files(run.nights)[0], kinds=["state"])
    return str(last.data["after"])


@pytest.mark.skipif(sys.platform == "darwin", reason="macOS takes no such names")
def test_a_folder_whose_name_is_no_utf_8_has_a_whole_log(tmp_path: Path, nights: list[Run]) -> None:
    folder = Path(os.fsdecode(os.fsencode(tmp_path) + b"/n\xe4chte"))
    nights.append(run := Run(tmp_path, nights=folder))
    run.armed()
    assert run.end(signal.SIGKILL) == -signal.SIGKILL
    nights.append(run := Run(tmp_path, nights=folder))
    run.wait(lambda: len(night_files(folder)) == 2)
    run.scare(1)
    assert run.end(signal.SIGTERM) == 0
    summary = read_summary(night_files(folder)[-1])
    assert summary.scares == 1
    assert summary.ended_wall is not None
    texts = [event.text for event in read_events(summary.path)]
    assert any("the last night ended badly; its log is " in text and "n\\udce4chte" in text for text in texts)
