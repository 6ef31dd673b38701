"""What the operator sees: plain lines in a pipe, rows in a terminal, JSON for other programs."""

from __future__ import annotations

import errno
import io
import json
import os
import sys
from pathlib import Path

import pytest

from cuesync.cli.screen import StatusLines, Words, outlets
from cuesync.devices.simulated import SimulatedClock
from cuesync.errors import StorageError
from cuesync.show.events import Fault, Note, ShowEvent, StateChanged, Triggered
from cuesync.show.log import NightSummary
from cuesync.show.states import State
from cuesync.show.telling import Outlet


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


class Broken(io.StringIO):
    """A stream that breaks with the next thing that is written to it."""

    def __init__(self, problem: Exception, name: str) -> None:
        super().__init__()
        self._problem = problem
        self.name = name

    def write(self, text: str) -> int:  # noqa: ARG002
        raise self._problem


SUMMARY = NightSummary(path=Path("night.sqlite"), started_wall="", ended_wall=None, scenes=(), faults=2)


def armed(at_s: float) -> StateChanged:
    return StateChanged(at_s=at_s, scene="attic", before=State.RESETTING, after=State.ARMED, wait_s=0.0)


def tell(outlet: Outlet, event: ShowEvent) -> None:
    outlet.take(event)
    outlet.say(event)


def test_a_pipe_gets_plain_lines() -> None:
    pipe = io.StringIO()
    words = Words(["attic"], [pipe], SimulatedClock())
    tell(words, armed(1.0))
    words.tick()
    out = pipe.getvalue()
    assert out.endswith("  attic: armed\n")
    assert "\x1b" not in out
    assert out.count("\n") == 1
    words.over(SUMMARY)
    assert pipe.getvalue().splitlines()[1:] == [
        "The night is over: 0 scares, 0 presses refused, 2 faults.",
        "Its log: cuesync log night.sqlite",
    ]


def test_a_terminal_keeps_a_row_a_scene(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setenv("TERM", "xterm")
    clock = SimulatedClock()
    words = Words(["attic", "cellar"], [terminal], clock)
    tell(words, armed(clock.now_s()))
    last = terminal.getvalue().split("\n")[-4:]
    assert last[1].startswith("ARMED     attic")
    assert last[2].startswith("OFF       cellar")
    before = len(terminal.getvalue())
    words.tick()
    assert len(terminal.getvalue()) == before  # too soon to paint again
    clock.run_until(clock.now_s() + 1.0)
    words.tick()
    assert terminal.getvalue()[before:].startswith("\x1b[3F\x1b[J")


def test_no_row_is_wider_than_the_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "80")
    clock = SimulatedClock()
    words, now_s = Words(["attic"], [terminal], clock), clock.now_s()
    tell(words, Fault(at_s=now_s, what="the sound card is gone; the lights go on. " * 3))
    jam = "the limit switch has not told that the prop is back. " * 3
    tell(words, Fault(at_s=now_s, scene="attic", what=jam))
    row, trouble = terminal.getvalue().split("\n")[-3:-1]
    assert (len(row), len(trouble)) == (79, 79)
    assert row.startswith("OFF       attic  ! the limit switch has not told that the prop is back.")
    assert trouble.startswith("! the sound card is gone; the lights go on. the sound")
    assert (row[-1], trouble[-1]) == ("…", "…")


def test_a_plain_terminal_is_not_painted_over(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setenv("TERM", "dumb")
    words = Words(["attic"], [terminal], SimulatedClock())
    tell(words, armed(0.0))
    assert "\x1b" not in terminal.getvalue()


def test_other_programs_get_a_line_of_json_an_event() -> None:
    status = io.StringIO()
    lines = StatusLines(["attic"], status, SimulatedClock())
    tell(lines, Note(at_s=0.0, what="hello \udce4"))
    tell(lines, Triggered(at_s=1.0, scene="attic", number=1))
    first, second = (json.loads(line) for line in status.getvalue().encode("utf-8").splitlines())
    assert (first["event"], first["text"]) == ("note", "hello \udce4")
    assert second["scenes"][0]["scares"] == 1


def test_words_make_way_where_json_goes_to_stdout(tmp_path: Path) -> None:
    """Also where the two are not the same to Python, as where only their encodings differ."""
    same = os.fdopen(os.dup(1), "w", encoding="utf-8")
    try:
        with open(same.fileno(), "a", encoding="utf-8", closefd=False) as other:
            assert [list(outlet._streams) for outlet in outlets([], other) if isinstance(outlet, Words)] == [
                [sys.stdout, sys.stderr]
            ]
    finally:
        same.close()
    with (tmp_path / "words").open("w", encoding="utf-8") as out:
        again = io.TextIOWrapper(io.FileIO(out.fileno(), "w", closefd=False), encoding="utf-8")
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(sys, "stdout", out)
            for status in (out, again):
                words, _ = outlets([], status)
                assert isinstance(words, Words)
                assert words._streams == [sys.stderr]
        again.close()


@pytest.mark.parametrize("problem", [OSError(errno.ENOSPC, "No space left on device"), ValueError("closed")])
def test_words_that_can_t_be_written_go_elsewhere_and_say_so_once(problem: Exception) -> None:
    broken, error = Broken(problem, "<stdout>"), io.StringIO()
    words = Words(["attic"], [broken, error], SimulatedClock())
    with pytest.raises(StorageError, match=r"can't be written to standard output any more: .*\. They go to"):
        tell(words, armed(0.0))
    tell(words, armed(1.0))
    assert error.getvalue().count("attic: armed\n") == 2
    words.over(SUMMARY)
    assert "The night is over" in error.getvalue()


def test_where_no_words_can_be_written_that_is_said_once_and_the_end_is_reached() -> None:
    words = Words(
        ["attic"], [Broken(OSError("a"), "<stdout>"), Broken(OSError("b"), "<stderr>")], SimulatedClock()
    )
    with pytest.raises(
        StorageError, match=r"output any more: a\. .* error any more: b\. Now only the log has"
    ):
        tell(words, armed(0.0))
    tell(words, armed(1.0))
    words.tick()
    words.over(SUMMARY)


def test_a_status_that_can_t_be_written_is_given_up_and_said_once() -> None:
    lines = StatusLines(
        ["attic"], Broken(BrokenPipeError(errno.EPIPE, "Broken pipe"), "<stdout>"), SimulatedClock()
    )
    with pytest.raises(
        StorageError, match=r"--status-json can't be written to standard output any more: .*Broken"
    ):
        tell(lines, armed(0.0))
    tell(lines, armed(1.0))
    lines.over(SUMMARY)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such pipes")
def test_a_pipe_that_is_full_for_a_moment_is_not_given_up() -> None:
    """One that is not to block, as a program at its other end may set it."""
    reader, writer = os.pipe()
    os.set_blocking(writer, False)
    with os.fdopen(writer, "w", encoding="utf-8") as pipe, os.fdopen(reader, "rb") as rest:
        words = Words(["attic"], [pipe], SimulatedClock())
        for _ in range(3000):  # a pipe holds 64 KiB
            tell(words, armed(0.0))
        os.set_blocking(reader, False)
        assert len(rest.read()) > 10_000
        tell(words, Note(at_s=1.0, what="hello"))
        assert rest.read().endswith(b"hello\n")
