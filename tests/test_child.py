"""Processes of cuesync's own."""

from __future__ import annotations

from pathlib import Path

import pytest

from cuesync.child import start_module, wait_or_kill
from cuesync.show.sound_child import read_message, write_message


def test_a_file_of_the_users_is_not_taken_for_a_module_of_ours(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The show is started in the folder of its scenes, and there anything may lie about."""
    (tmp_path / "queue.py").write_text("raise SystemExit(7)\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    child = start_module("cuesync.show.sound_process")
    try:
        assert child.stdin is not None
        assert child.stdout is not None
        write_message(child.stdin, {"play": 0, "sound": 0, "start_s": 0.0, "trigger_s": 0.0})  # type: ignore[arg-type]
        assert read_message(child.stdout) == {"done": 0, "late_s": None}  # type: ignore[arg-type]
        child.stdin.close()
        assert child.wait(10.0) == 0
    finally:
        wait_or_kill(child, 0.0)
        assert child.stdout is not None
        child.stdout.close()
