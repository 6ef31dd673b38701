"""In a terminal lines are broken between words; in a pipe they stay as they are."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are of Unix", allow_module_level=True)

import fcntl
import os
import pty
import struct
import termios

SCENE = """\
title = "Cellar door"
[prop]
trigger_to_pop_ms = 640
reset_s = 12
[[flash]]
at_ms = 0
length_ms = 80
light = "dmx:1:17"
"""


def in_terminal(columns: int, *arguments: str | Path) -> list[str]:
    """The lines that cuesync writes into a terminal of so many columns."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    environment = {name: value for name, value in os.environ.items() if name != "COLUMNS"}
    with subprocess.Popen(
        [sys.executable, "-m", "cuesync", *map(str, arguments)],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        env=environment,
    ):
        os.close(theirs)
        said = b""
        while True:
            try:
                part = os.read(ours, 65536)
            except OSError:  # Linux' way to say that the other side is closed
                break
            if not part:
                break
            said += part
    os.close(ours)
    return said.decode("utf-8").splitlines()


@pytest.fixture
def scene(tmp_path: Path) -> Path:
    path = tmp_path / "s.toml"
    path.write_text(SCENE, encoding="utf-8")
    return path


@pytest.mark.parametrize("command", ["check", "align"])
def test_no_line_is_wider_than_the_terminal(
    scene: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    monkeypatch.chdir(scene.parent)  # a short name for it: paths are not broken
    lines = in_terminal(72, command, scene.name)
    assert max(len(line) for line in lines) < 72
    assert any(line.startswith("    ") for line in lines)


def test_a_wide_terminal_gets_the_whole_remark(scenes: Path) -> None:
    source = "median of 11 measured pops of 'attic crone' (release)"
    assert any(line.endswith(source) for line in in_terminal(200, "align", scenes / "attic-crone.toml"))


def test_a_pipe_gets_lines_as_they_are(scene: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "cuesync", "check", scene], capture_output=True, text=True, check=True
    )
    assert max(len(line) for line in done.stdout.splitlines()) > 120
