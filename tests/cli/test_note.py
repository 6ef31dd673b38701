"""`cuesync note`: the operator's words reach the log, also while the night writes it."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from cuesync.cli import cuesync
from cuesync.errors import InputError
from cuesync.show.events import Fault
from cuesync.show.log import NightLog, new_night_file, read_events
from tests.show.plans import plan


def noted(*arguments: str | Path) -> str:
    done = CliRunner().invoke(cuesync, ["note", *map(str, arguments)], catch_exceptions=False)
    assert done.exit_code == 0
    return done.stderr


def test_a_note_stands_in_its_turn_while_the_night_is_running(tmp_path: Path) -> None:
    path = new_night_file(tmp_path, "2026-10-31")
    log = NightLog(path, [plan(title="Attic")], 1000.0)
    log.put(Fault(at_s=1010.0, what="before"))
    while not list(read_events(path)):
        pass
    assert str(path) in noted("fresh batteries,", "12.6 V", "--scene", "Attic", "--night", tmp_path)
    log.put(Fault(at_s=1020.0, what="after"))
    log.close()
    events = list(read_events(path))
    assert [event.text for event in events] == ["before", "fresh batteries, 12.6 V", "after"]
    assert [event.kind for event in events] == ["fault", "note", "fault"]
    assert events[1].scene == "Attic"
    assert 10.0 <= events[1].at_s < 20.0
    assert events[1].data == {"what": "fresh batteries, 12.6 V"}


def test_the_first_line_of_a_night_may_be_a_note(tmp_path: Path) -> None:
    path = new_night_file(tmp_path, "2026-10-31")
    NightLog(path, [plan()], 1000.0).close()
    noted("set up at dusk", "--night", path)
    assert [(event.text, event.at_s) for event in read_events(path)] == [("set up at dusk", 0.0)]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["  "], "the note is empty"),
        (["x", "--scene", "Cellar"], "there was no scene 'Cellar' this night, but: Attic"),
    ],
)
def test_what_can_not_be_noted_is_said(tmp_path: Path, arguments: list[str], message: str) -> None:
    NightLog(new_night_file(tmp_path, "2026-10-31"), [plan(title="Attic")], 1000.0).close()
    with pytest.raises(InputError, match=message):
        noted(*arguments, "--night", tmp_path)


@pytest.mark.parametrize("arguments", [["log"], ["note", "fresh batteries"]])
def test_before_any_night_it_is_said_who_writes_the_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match=r"^cuesync-nights: there is no such folder of logs\. cuesync run"):
        CliRunner().invoke(cuesync, arguments, catch_exceptions=False)


def test_a_folder_without_a_log_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no log in this folder yet"):
        noted("x", "--night", tmp_path)
