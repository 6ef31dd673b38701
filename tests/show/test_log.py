"""The night's log: complete, crash-safe, never in the way."""

from __future__ import annotations

import contextlib
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from cuesync.errors import InputError, StorageError
from cuesync.show import log as log_module
from cuesync.show.events import Fault, Note, ScareDone, ShowEvent
from cuesync.show.log import (
    NightLog,
    NightTally,
    SceneNight,
    ended_badly,
    new_night_file,
    night_files,
    read_events,
    read_scares,
    read_summary,
)
from tests.show.plans import light, plan
from tests.show.simulation import Simulation

TODAY = "2026-10-31"


def logged_night(folder: Path, presses: int = 3) -> Path:
    """A simulated night of two scenes with one stray press each round, written to a log."""
    plans = [plan(reset_s=2.0, lights=(light(0.6),)), plan(title="Attic", contact="key:f")]
    path = new_night_file(folder, TODAY)
    log = NightLog(path, plans, 1000.0)
    night = Simulation(plans, report=log.put)
    for _ in range(presses):
        night.press()
        night.clock.sleep_s(1.0)
        night.press()
        night.clock.sleep_s(2.0)
    log.close()
    return path


def test_a_night_is_read_back_whole(tmp_path: Path) -> None:
    path = logged_night(tmp_path)
    summary = read_summary(path)
    cellar, attic = summary.scenes
    assert (cellar.title, cellar.scares, cellar.refusals) == ("Cellar door", 3, 3)
    assert (attic.title, attic.scares, attic.refusals) == ("Attic", 0, 0)
    assert cellar.worst_late_ms < 0.02
    assert summary.ended_wall is not None
    scares = list(read_events(path, kinds=["scare"]))
    assert [event.data["number"] for event in scares] == [1, 2, 3]
    assert [event.at_s for event in scares] == sorted(event.at_s for event in scares)
    sounds = scares[0].data["sounds"]
    assert isinstance(sounds, list)
    assert sounds[0]["planned_start_s"] == 0.5
    kinds = {event.kind for event in read_events(path, scene="Cellar door")}
    assert kinds == {"state", "trigger", "refused", "scare"}


def test_a_file_of_an_earlier_night_is_never_touched(tmp_path: Path) -> None:
    first = new_night_file(tmp_path, TODAY)
    first.write_bytes(b"old")
    second = new_night_file(tmp_path, TODAY)
    assert second.name == "night-2026-10-31-2.sqlite"
    assert first.read_bytes() == b"old"
    later = new_night_file(tmp_path, "2026-11-01")
    assert night_files(tmp_path) == (first, second, later)


@contextlib.contextmanager
def nobody() -> Iterator[None]:
    """What is done in here is done by a user who is not root."""
    user = os.geteuid()
    if user == 0:
        os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(user)


@pytest.mark.skipif(os.name == "nt", reason="no such rights")
def test_a_read_only_folder_is_said() -> None:
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o555)
        with nobody(), pytest.raises(StorageError, match="can't be written to"):
            new_night_file(Path(name) / "logs", TODAY)
        assert list(Path(name).iterdir()) == []


def test_a_folder_that_is_a_file_is_said(tmp_path: Path) -> None:
    (tmp_path / "logs").write_text("x")
    with pytest.raises(StorageError, match="logs"):
        new_night_file(tmp_path / "logs", TODAY)


def test_what_is_no_log_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no such log"):
        read_summary(tmp_path / "night-x.sqlite")
    (tmp_path / "night-y.sqlite").write_bytes(b"no database at all" * 100)
    with pytest.raises(InputError, match="is not a log of cuesync"):
        read_summary(tmp_path / "night-y.sqlite")


def test_a_log_that_is_damaged_or_in_use_is_said(tmp_path: Path) -> None:
    path = logged_night(tmp_path, presses=20)
    blocker = sqlite3.connect(path)
    blocker.execute("PRAGMA locking_mode=EXCLUSIVE")
    blocker.execute("BEGIN EXCLUSIVE")
    with pytest.raises(InputError, match=r"is in use by another program \(database is locked\)\. Try again"):
        read_summary(path)
    blocker.rollback()
    blocker.close()
    damaged = bytearray(path.read_bytes())
    damaged[8192:] = b"\xa5" * (len(damaged) - 8192)
    path.write_bytes(damaged)
    for read in (read_summary, lambda path: list(read_events(path))):
        with pytest.raises(
            InputError, match=r"is damaged \(database disk image is malformed\)\. Name another"
        ):
            read(path)
    path.write_bytes(bytes(damaged[:100]))
    assert ended_badly(tmp_path) == path


def test_the_tally_of_the_events_is_the_log_s_summary(tmp_path: Path) -> None:
    plans = [replace(plan(reset_s=1.0, lights=(light(0.6),)), pop_contact="midi:61", hold_after=0)]
    path = new_night_file(tmp_path, TODAY)
    log = NightLog(path, plans, 1000.0)
    tally = NightTally(path, plans)

    def report(event: ShowEvent) -> None:
        log.put(event)
        tally.take(event)

    night = Simulation(plans, report=report)
    for pop_s in (0.61, 0.58, None):
        trigger_s = night.press()
        if pop_s is not None:
            night.contacts.press("midi:61", trigger_s + pop_s)
        night.clock.sleep_s(0.9)
        night.press()
        night.clock.sleep_s(1.5)
    night.lights.unplug()
    night.press()
    night.clock.sleep_s(0.2)
    night.show.put(lambda: night.show.stop_all("stopped"))
    night.clock.sleep_s(1.0)
    log.close()
    told, read = tally.summary(), read_summary(path)
    assert told.scares == 4
    assert (told.refusals, told.faults, told.scenes[0].stopped, told.scenes[0].misfires) == (3, 1, 1, 1)
    for name in SceneNight.__slots__:
        assert getattr(told.scenes[0], name) == pytest.approx(getattr(read.scenes[0], name)), name
    assert (told.faults, told.path) == (read.faults, read.path)


def test_a_disk_that_is_full_for_a_while_loses_nothing(tmp_path: Path) -> None:
    path = new_night_file(tmp_path, TODAY)
    troubles: list[str] = []
    reliefs: list[str] = []
    log = NightLog(path, [plan()], 0.0, trouble=troubles.append, relief=reliefs.append)
    full = sqlite3.connect(path)
    full.execute("BEGIN EXCLUSIVE")  # nobody else can write, as on a full disk
    for index in range(300):
        log.put(Note(at_s=float(index), what=f"line {index}"))
    end_s = time.monotonic() + 10.0
    while not troubles and time.monotonic() < end_s:
        time.sleep(0.05)
    full.rollback()
    full.close()
    log.close()
    assert len(troubles) == 1
    assert "can't be written" in troubles[0]
    assert reliefs == ["the night's log is being written again; nothing was lost"]
    assert [event.text for event in read_events(path)] == [f"line {index}" for index in range(300)]


FULL = """
import resource, sys, time
from pathlib import Path
from cuesync.show.events import Note
from cuesync.show.log import NightLog, new_night_file, read_events
path = new_night_file(Path(sys.argv[1]), "2026-10-31")
told = []
log = NightLog(path, [], 0.0, trouble=told.append, relief=told.append)
size = sum(file.stat().st_size for file in path.parent.iterdir())
import signal
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
resource.setrlimit(resource.RLIMIT_FSIZE, (size // 2, hard))
for index in range(500):
    log.put(Note(at_s=float(index), what=f"line {index} " + "x" * 200))
time.sleep(2.5)
resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
log.close()
lines = [event.text.split()[1] for event in read_events(path)]
assert lines == [str(index) for index in range(500)], lines[:10]
print(len(told), told[0])
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no limit for the size of a file")
def test_a_file_that_may_not_grow_for_a_while_loses_nothing(tmp_path: Path) -> None:
    """The system itself refuses to write, as it does on a full disk."""
    run = subprocess.run(
        [sys.executable, "-c", FULL, str(tmp_path)], capture_output=True, text=True, timeout=60.0, check=False
    )
    assert run.returncode == 0, run.stderr
    assert run.stdout.startswith("2 the night's log can't be written")


def test_a_date_that_is_set_back_an_hour_changes_no_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    walls = iter([f"2026-10-31T{hour}:00:00.000+00:00" for hour in ("21", "22", "21", "21", "22", "22")])
    monkeypatch.setattr(log_module, "_wall", lambda: next(walls))
    path = new_night_file(tmp_path, TODAY)
    log = NightLog(path, [plan()], 100.0)
    for index in range(3):
        log.put(Note(at_s=101.0 + index, what=f"line {index}"))
    log.close()
    events = list(read_events(path))
    assert [event.at_s for event in events] == [1.0, 2.0, 3.0]
    assert [event.wall[11:13] for event in events] == ["22", "21", "21"]


def test_put_never_waits(tmp_path: Path) -> None:
    path = new_night_file(tmp_path, TODAY)
    log = NightLog(path, [plan()], 0.0)
    blocker = sqlite3.connect(path)
    blocker.execute("BEGIN EXCLUSIVE")
    event: ShowEvent = Fault(at_s=1.0, what="x")
    start_s = time.perf_counter()
    for _ in range(1000):
        log.put(event)
    assert time.perf_counter() - start_s < 0.5  # the file is locked for much longer
    blocker.rollback()
    blocker.close()
    log.close()


@dataclass(frozen=True, slots=True, kw_only=True)
class Odd(Note):
    """A note with a field that may be anything."""

    field: object = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Mute(Note):
    """A note that fails when it is asked for its words, and even for how Python shows it."""

    @property
    def text(self) -> str:
        raise RuntimeError("no words")

    def __repr__(self) -> str:
        raise RuntimeError("nothing to show")


# A name of a file that isn't UTF-8, as Python hands it over (PEP 383, surrogateescape).
LATIN_1 = b"n\xe4chte".decode("utf-8", "surrogateescape")


def test_one_odd_line_keeps_no_other_from_being_written(tmp_path: Path) -> None:
    path = new_night_file(tmp_path, TODAY)
    told: list[str] = []
    log = NightLog(path, [plan()], 0.0, trouble=told.append)
    deep: list[object] = []
    deep.append(deep)
    fields = (
        LATIN_1,
        Path("x"),
        {(1, 2): 3},
        threading.Lock(),
        deep,
        float("nan"),
        2**70,
        {LATIN_1: [LATIN_1]},
    )
    events = [
        Note(at_s=1.0, what=f"the log is {LATIN_1}"),
        *(Odd(at_s=2.0, what="odd", field=one) for one in fields),
    ]
    events += [
        Mute(at_s=3.0, what="x"),
        Note(at_s=2**70, what="late"),
        Note(at_s=4.0, scene=LATIN_1, what="y"),
    ]
    for event in events:
        log.put(event)
        log.put(Note(at_s=5.0, what="as ever"))
    log.close()
    assert told == []
    written = list(read_events(path))
    assert [event.text for event in written[1::2]] == ["as ever"] * len(events)
    odd = written[::2]
    assert odd[0].text == "the log is n\\udce4chte"
    assert odd[0].data == {"what": "the log is n\\udce4chte"}
    assert odd[1].data["field"] == "n\\udce4chte"
    assert odd[2].data["field"] == repr(Path("x"))
    assert odd[3].text.startswith("could not be written in full (TypeError: ")
    assert "Odd(at_s=2.0, scene='', what='odd', field={(1, 2): 3})" in odd[3].text
    assert "RuntimeError: no words" in odd[9].text
    assert "Mute object" in odd[9].text
    assert odd[9].at_s == 3.0
    assert odd[11].scene == "n\\udce4chte"
    assert read_summary(path).ended_wall is not None


def test_a_scare_with_a_number_that_cannot_be_stored_is_a_line_all_the_same(tmp_path: Path) -> None:
    path = new_night_file(tmp_path, TODAY)
    log = NightLog(path, [plan()], 0.0)
    for number in (1, 2**70, 3):
        log.put(
            ScareDone(
                at_s=1.0,
                scene="Cellar door",
                number=number,
                trigger_s=0.5,
                sounds=(),
                lights=(),
                stopped=False,
            )
        )
    log.close()
    assert [event.text.partition(" (")[0] for event in read_events(path)] == [
        "scare 1 done",
        "could not be written in full",
        "scare 3 done",
    ]
    assert [scare.number for scare in read_scares(path)] == [1, 3]


def test_whatever_fails_as_the_log_is_written_is_told_and_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = new_night_file(tmp_path, TODAY)
    told: list[str] = []
    log = NightLog(path, [plan()], 0.0, trouble=told.append, relief=told.append)
    failing = iter([RuntimeError("odd"), MemoryError()])
    connect = log._connect

    def sometimes() -> sqlite3.Connection:
        for problem in failing:
            raise problem
        return connect()

    monkeypatch.setattr(log, "_connect", sometimes)
    log.put(Note(at_s=1.0, what="x"))
    end_s = time.monotonic() + 10.0
    while len(told) < 2 and time.monotonic() < end_s:
        time.sleep(0.02)
    log.close()
    assert told == [
        "the night's log can't be written: RuntimeError: odd.",
        "the night's log is being written again; nothing was lost",
    ]
    assert [event.text for event in read_events(path)] == ["x"]


def test_a_log_whose_thread_ends_all_the_same_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[str] = []
    log = NightLog(new_night_file(tmp_path, TODAY), [plan()], 0.0, trouble=told.append)

    def ended(*_: object, **__: object) -> None:
        raise SystemExit("asked to")

    monkeypatch.setattr(log, "_write_batch", ended)
    log.put(Note(at_s=1.0, what="x"))
    log.close()
    assert told == ["the night's log has ended before the night: SystemExit: asked to."]


KILLED = """
import sys, time
from pathlib import Path
from cuesync.show.events import Note
from cuesync.show.log import NightLog, new_night_file
log = NightLog(new_night_file(Path(sys.argv[1]), "2026-10-31"), [], 0.0)
for index in range(100000):
    log.put(Note(at_s=float(index), what=f"line {index}"))
    if index % 50 == 0:
        print(index, flush=True)
    time.sleep(0.0005)
"""


def test_a_kill_at_any_moment_leaves_a_log_that_says_so(tmp_path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(tmp_path)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    told = [int(process.stdout.readline())]  # only now it writes, however long Python took to start
    time.sleep(1.0)
    process.send_signal(signal.SIGKILL if sys.platform != "win32" else signal.SIGTERM)
    told += [int(line) for line in process.stdout.read().split()]
    process.wait()
    process.stdout.close()
    (path,) = night_files(tmp_path)
    assert ended_badly(tmp_path) == path
    lines = [event.text for event in read_events(path)]
    assert lines == [f"line {index}" for index in range(len(lines))]
    assert len(lines) >= told[-1] - 200  # what was put in the last tenth of a second may be missing


def test_a_night_that_ended_well_is_no_bad_end(tmp_path: Path) -> None:
    assert ended_badly(tmp_path) is None
    logged_night(tmp_path, presses=1)
    assert ended_badly(tmp_path) is None
