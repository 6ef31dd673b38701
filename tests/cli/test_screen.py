"""What the operator sees: plain lines in a pipe, rows in a terminal, JSON for other programs."""

from __future__ import annotations

import io
import json
import sys

import pytest

from cuesync.cli.screen import Screen
from cuesync.devices.simulated import SimulatedClock
from cuesync.show.events import Note, StateChanged, Triggered
from cuesync.show.states import State


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def armed(at_s: float) -> StateChanged:
    return StateChanged(at_s=at_s, scene="attic", before=State.RESETTING, after=State.ARMED, wait_s=0.0)


def test_a_pipe_gets_plain_lines(capsys: pytest.CaptureFixture[str]) -> None:
    screen = Screen(["attic"], None, SimulatedClock())
    screen.tell(armed(1.0))
    screen.tick()
    out = capsys.readouterr().out
    assert out.endswith("  attic: armed\n")
    assert "\x1b" not in out
    assert out.count("\n") == 1


def test_a_terminal_keeps_a_row_a_scene(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "stdout", terminal)
    monkeypatch.setenv("TERM", "xterm")
    clock = SimulatedClock()
    screen = Screen(["attic", "cellar"], None, clock)
    screen.tell(armed(clock.now_s()))
    last = terminal.getvalue().split("\n")[-4:]
    assert last[1].startswith("ARMED     attic")
    assert last[2].startswith("OFF       cellar")
    before = len(terminal.getvalue())
    screen.tick()
    assert len(terminal.getvalue()) == before  # too soon to paint again
    clock.run_until(clock.now_s() + 1.0)
    screen.tick()
    assert terminal.getvalue()[before:].startswith("\x1b[3F\x1b[J")


def test_a_plain_terminal_is_not_painted_over(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "stdout", terminal)
    monkeypatch.setenv("TERM", "dumb")
    screen = Screen(["attic"], None, SimulatedClock())
    screen.tell(armed(0.0))
    assert "\x1b" not in terminal.getvalue()


def test_other_programs_get_a_line_of_json_an_event(capsys: pytest.CaptureFixture[str]) -> None:
    status = io.StringIO()
    screen = Screen(["attic"], status, SimulatedClock())
    screen.tell(Note(at_s=0.0, what="hello"))
    screen.tell(Triggered(at_s=1.0, scene="attic", number=1))
    first, second = (json.loads(line) for line in status.getvalue().splitlines())
    assert (first["event"], first["text"]) == ("note", "hello")
    assert second["scenes"][0]["scares"] == 1
    assert "hello" in capsys.readouterr().out


def test_words_make_way_where_json_goes_to_stdout(capsys: pytest.CaptureFixture[str]) -> None:
    screen = Screen(["attic"], sys.stdout, SimulatedClock())
    screen.tell(Note(at_s=0.0, what="hello"))
    captured = capsys.readouterr()
    assert json.loads(captured.out)["text"] == "hello"
    assert captured.err.endswith("hello\n")
