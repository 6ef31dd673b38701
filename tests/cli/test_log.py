"""`cuesync log --csv`, read back by Python's csv module and compared with what sqlite3 finds in the file."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner

from cuesync.cli import cuesync
from cuesync.errors import InputError
from cuesync.show.events import Fault, Note
from cuesync.show.log import NightLog, new_night_file
from tests.show.plans import light, plan
from tests.show.simulation import Simulation

AWKWARD = 'cellar "door", left; Tür\nbehind the stairs'


@pytest.fixture
def night(tmp_path: Path) -> Path:
    """A simulated night of two scenes with scares, refused presses, a fault, and awkward words."""
    plans = [
        plan(title=AWKWARD, reset_s=2.0, lights=(light(0.6),)),
        plan(title="Attic", contact="key:f", reset_s=2.0),
    ]
    path = new_night_file(tmp_path, "2026-10-31")
    log = NightLog(path, plans, 1000.0)
    simulated = Simulation(plans, report=log.put)
    for contact in (plans[0].contact, plans[0].contact, "key:f"):
        simulated.press(contact)
        simulated.clock.sleep_s(1.0)
        simulated.press(contact)
        simulated.clock.sleep_s(2.0)
    log.put(Fault(at_s=1010.0, what='a "quoted", fault'))
    log.put(Note(at_s=1011.0, scene="Attic", what="swept\r\nthe floor"))
    log.close()
    return path


def asked(*arguments: str | Path) -> bytes:
    done = CliRunner().invoke(cuesync, ["log", *map(str, arguments)], catch_exceptions=False)
    assert done.exit_code == 0
    return done.stdout_bytes


def table(*arguments: str | Path) -> list[dict[str, str]]:
    text = asked(*arguments).decode("utf-8")
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def stored(path: Path, query: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as database:
        return database.execute(query).fetchall()


def test_every_event_is_a_line_as_it_stands_in_the_file(night: Path) -> None:
    rows = table(night, "--csv", "events")
    there = stored(night, "SELECT at_s, wall, kind, scene, text, data FROM event ORDER BY id")
    assert len(there) > 10
    assert list(rows[0]) == ["at_s", "wall", "kind", "scene", "text", "data_json"]
    assert [float(row["at_s"]) for row in rows] == pytest.approx([each[0] for each in there], abs=5e-7)
    assert [(row["wall"], row["kind"], row["scene"], row["text"]) for row in rows] == [
        each[1:5] for each in there
    ]
    assert [json.loads(row["data_json"]) for row in rows] == [json.loads(str(each[5])) for each in there]


def test_a_sound_a_hair_early_is_not_minus_nought_late(night: Path) -> None:
    with closing(sqlite3.connect(night)) as database, database:
        database.execute("UPDATE scare SET late_ms = -0.01, lights_late_ms = -0.01")
    lines = [line for line in asked(night).decode("utf-8").splitlines() if "ms late" in line]
    assert [line[line.index("sound at most") :] for line in lines] == [
        "sound at most 0.0 ms late, lights at most 0.0 ms late"
    ] * 2


def test_nothing_is_said_of_lights_or_sounds_that_there_were_none_of(night: Path, tmp_path: Path) -> None:
    *_, dark, _ = asked(night, "--summary").decode("utf-8").splitlines()
    assert dark.startswith("  Attic: 1 scare, 1 press refused, sound at most ")
    assert "lights" not in dark
    assert [row["lights_late_ms"] for row in table(night, "--csv", "scares", "--scene", "Attic")] == [""]
    path = new_night_file(tmp_path, "2026-11-01")
    log = NightLog(path, [plan(sounds=(), lights=(light(0.6),))], 1000.0)
    simulated = Simulation([plan(sounds=(), lights=(light(0.6),))], report=log.put)
    simulated.press()
    simulated.clock.sleep_s(1.0)
    log.close()
    *_, silent, _ = asked(path, "--summary").decode("utf-8").splitlines()
    assert silent.startswith("  Cellar door: 1 scare, 0 presses refused, lights at most ")
    assert "sound" not in silent


def test_a_scare_that_was_cut_short_by_a_kill_is_told(tmp_path: Path) -> None:
    path = new_night_file(tmp_path, "2026-10-31")
    log = NightLog(path, [plan(reset_s=1.0)], 1000.0)
    simulated = Simulation([plan(reset_s=1.0)], report=log.put)
    for _ in range(3):
        simulated.press()
        simulated.clock.sleep_s(1.5)
    simulated.press()
    simulated.clock.sleep_s(0.1)
    log.close()
    *_, line, _ = asked(path, "--summary").decode("utf-8").splitlines()
    assert line.startswith("  Cellar door: 3 scares and 1 that was not finished, 0 presses refused")
    told = json.loads(asked(path, "--json"))
    assert (told["scares"], told["unfinished"], told["scenes"][0]["unfinished"]) == (3, 1, 1)


def test_every_scare_is_a_line_with_its_numbers(night: Path) -> None:
    rows = table(night, "--csv", "scares")
    there = stored(
        night,
        "SELECT number, scene, trigger_s, wall, stopped, late_ms, lights_late_ms, sounds_missing, "
        "lights_missing, misfire, pop_s, offset_ms FROM scare ORDER BY number",
    )
    assert len(there) == 3
    for row, stands in zip(rows, there, strict=True):
        for (name, value), number in zip(row.items(), stands, strict=True):
            if number is None or isinstance(number, str):
                assert value == (number or ""), name
            else:
                assert float(value) == pytest.approx(number, abs=5e-7), name


@pytest.mark.parametrize("of", ["events", "scares"])
def test_lines_end_as_rfc_4180_says(night: Path, of: str) -> None:
    """RFC 4180, 2.1: each record on a line of its own, ended by CR LF; 2.4: as many fields in each."""
    text = asked(night, "--csv", of)
    assert text.endswith(b"\r\n")
    assert b"\r\r\n" not in text
    assert '"cellar ""door"", left; Tür\nbehind the stairs"'.encode() in text
    assert len({len(row) for row in csv.reader(io.StringIO(text.decode("utf-8"), newline=""))}) == 1


def test_scene_and_kind_narrow_the_table(night: Path) -> None:
    kinds = {row["kind"] for row in table(night, "--csv", "events", "--only", "refused", "--only", "fault")}
    assert kinds == {"refused", "fault"}
    for of in ("events", "scares"):
        assert {row["scene"] for row in table(night, "--csv", of, "--scene", "Attic")} == {"Attic"}
    (only,) = table(night, "--csv", "events", "--scene", "Attic", "--only", "note")
    assert only["text"] == "swept\r\nthe floor"
    assert len(table(night, "--csv", "scares", "--scene", AWKWARD)) == 2


def test_a_night_without_scares_still_has_a_header(tmp_path: Path) -> None:
    path = new_night_file(tmp_path, "2026-10-31")
    NightLog(path, [plan()], 0.0).close()
    assert asked(path, "--csv", "scares").count(b"\r\n") == 1


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--csv", "events", "--json"), "--csv goes with neither --json nor --summary"),
        (("--csv", "events", "--summary"), "--csv goes with neither --json nor --summary"),
        (("--csv", "scares", "--only", "fault"), "--only doesn't go with it. Take --csv events"),
    ],
)
def test_what_does_not_go_together_is_said(night: Path, options: tuple[str, ...], said: str) -> None:
    with pytest.raises(InputError, match=said):
        CliRunner().invoke(cuesync, ["log", str(night), *options], catch_exceptions=False)
