"""The night's log: one SQLite file a night, written on a thread of its own, read by `cuesync log`.

The file is in WAL mode with full synchronisation: what was written survives the death of the program, and
of the computer. Times are seconds since the start of the night on the monotonic clock; the `wall` column is
for people, and may step when somebody sets the date.
"""

from __future__ import annotations

import dataclasses
import json
import queue
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from cuesync import __version__
from cuesync.errors import InputError, StorageError
from cuesync.plan.plan import Plan
from cuesync.show.events import ScareDone, ShowEvent
from cuesync.storage import storage_error

_SCHEMA = """
CREATE TABLE night (schema INTEGER, version TEXT, started_wall TEXT, ended_wall TEXT);
CREATE TABLE scene (title TEXT, contact TEXT, delay_s REAL, bias_s REAL, reset_s REAL);
CREATE TABLE event (
    id INTEGER PRIMARY KEY, at_s REAL, wall TEXT, kind TEXT, scene TEXT, text TEXT, data TEXT
);
CREATE TABLE scare (
    number INTEGER PRIMARY KEY, scene TEXT, trigger_s REAL, wall TEXT, stopped INTEGER, late_ms REAL,
    lights_late_ms REAL, sounds_missing INTEGER, lights_missing INTEGER, misfire INTEGER, pop_s REAL,
    offset_ms REAL
);
CREATE INDEX event_kind ON event (kind, scene);
"""
_SCHEMA_NUMBER = 1
_MOST_WAITING = 50_000
_TRY_AGAIN_S = 1.0
_BATCH = 500
_DATED = len("night-YYYY-MM-DD")


def new_night_file(folder: Path, today: str) -> Path:
    """A new, empty file for this night (`today` as YYYY-MM-DD); an earlier one is never touched.

    StorageError where the folder can't be written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise storage_error(folder, problem) from problem
    for count in range(1, 10_000):
        path = folder / (f"night-{today}.sqlite" if count == 1 else f"night-{today}-{count}.sqlite")
        try:
            path.touch(exist_ok=False)
        except FileExistsError:
            continue
        except OSError as problem:
            raise storage_error(path, problem) from problem
        return path
    raise StorageError(f"{folder}: there are 9999 logs of {today} already. Choose another folder.")


class NightLog:
    """Takes events from any thread and never makes anybody wait; `close` waits until all is written.

    When the file can't be written (full disk), events wait in memory, up to a limit, until it can be
    again; `trouble` is told once in words, `relief` when it is over.
    """

    def __init__(
        self,
        path: Path,
        plans: Sequence[Plan],
        start_s: float,
        *,
        trouble: Callable[[str], None] = lambda _: None,
        relief: Callable[[str], None] = lambda _: None,
    ) -> None:
        """`path` is empty or new; `start_s` is the host time from which the night is counted."""
        self.path = path
        self._start_s = start_s
        self._trouble = trouble
        self._relief = relief
        self._queue: queue.SimpleQueue[tuple[str, ShowEvent] | None] = queue.SimpleQueue()
        self._waiting: deque[tuple[str, ShowEvent]] = deque()
        self.lost = 0
        """Events that found no room while the file could not be written."""
        try:
            with closing(self._connect()) as database:
                database.executescript(_SCHEMA)
                database.execute(
                    "INSERT INTO night VALUES (?, ?, ?, NULL)", (_SCHEMA_NUMBER, __version__, _wall())
                )
                database.executemany(
                    "INSERT INTO scene VALUES (?, ?, ?, ?, ?)",
                    [(plan.title, plan.contact, plan.delay_s, plan.bias_s, plan.reset_s) for plan in plans],
                )
                database.commit()
        except sqlite3.Error as problem:
            raise StorageError(
                f"{path}: the night's log can't be written ({problem}). Choose another folder for it."
            ) from problem
        self._thread = threading.Thread(target=self._write, name="cuesync log", daemon=True)
        self._thread.start()

    def put(self, event: ShowEvent) -> None:
        self._queue.put((_wall(), event))

    def close(self, timeout_s: float = 10.0) -> None:
        """Write what is left and mark the night as ended well."""
        self._queue.put(None)
        self._thread.join(timeout_s)

    def _connect(self) -> sqlite3.Connection:
        database = sqlite3.connect(self.path, timeout=1.0)
        database.execute("PRAGMA journal_mode=WAL")
        database.execute("PRAGMA synchronous=FULL")
        return database

    def _write(self) -> None:
        database: sqlite3.Connection | None = None
        ending = in_trouble = False
        while not (ending and not self._waiting):
            ending = self._collect(block=not self._waiting and not ending) or ending
            try:
                if database is None:
                    database = self._connect()
                self._write_batch(database, ended=ending)
            except (sqlite3.Error, OSError) as problem:
                if database is not None:
                    database.close()
                    database = None
                if not in_trouble:
                    in_trouble = True
                    self._trouble(f"the night's log can't be written: {problem}.")
                if ending:
                    self.lost += len(self._waiting)
                    return
                time.sleep(_TRY_AGAIN_S)
                continue
            if in_trouble:
                in_trouble = False
                self._relief(
                    "the night's log is being written again; nothing was lost"
                    if not self.lost
                    else f"the night's log is being written again; {self.lost} lines were lost"
                )
        if database is not None:
            database.close()

    def _collect(self, *, block: bool) -> bool:
        """Move what has come in to the waiting line; True when the end was asked for."""
        while True:
            try:
                entry = self._queue.get(block=block)
            except queue.Empty:
                return False
            if entry is None:
                return True
            block = False
            if len(self._waiting) >= _MOST_WAITING:
                self.lost += 1
            else:
                self._waiting.append(entry)

    def _write_batch(self, database: sqlite3.Connection, *, ended: bool) -> None:
        batch = [self._waiting[index] for index in range(min(_BATCH, len(self._waiting)))]
        with database:  # one transaction, undone as a whole where it fails
            database.executemany(
                "INSERT INTO event (at_s, wall, kind, scene, text, data) VALUES (?, ?, ?, ?, ?, ?)",
                [self._event_row(wall, event) for wall, event in batch],
            )
            database.executemany(
                f"INSERT OR REPLACE INTO scare VALUES ({', '.join('?' * 12)})",
                [self._scare_row(wall, event) for wall, event in batch if isinstance(event, ScareDone)],
            )
            if ended and len(batch) == len(self._waiting):
                database.execute("UPDATE night SET ended_wall = ?", (_wall(),))
        for _ in batch:
            self._waiting.popleft()

    def _event_row(self, wall: str, event: ShowEvent) -> tuple[float, str, str, str, str, str]:
        data = json.dumps(_plain(event), separators=(",", ":"))
        return (event.at_s - self._start_s, wall, event.kind, event.scene, event.text, data)

    def _scare_row(self, wall: str, scare: ScareDone) -> tuple[int | float | str | None, ...]:
        return (
            scare.number,
            scare.scene,
            scare.trigger_s - self._start_s,
            wall,
            int(scare.stopped),
            scare.late_ms,
            max((light.late_ms or 0.0 for light in scare.lights), default=0.0),
            sum(sound.start_s is None for sound in scare.sounds),
            sum(light.at_s is None for light in scare.lights),
            int(scare.misfire),
            scare.pop_s,
            None if scare.offset_s is None else scare.offset_s * 1000.0,
        )


def _wall() -> str:
    return datetime.now().astimezone().isoformat(timespec="milliseconds")


def _plain(event: ShowEvent) -> dict[str, object]:
    """The event's own fields for JSON, without those that have a column."""
    data = dataclasses.asdict(event)
    del data["at_s"], data["scene"]
    data.pop("trigger_s", None)
    return data


# -- reading


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedEvent:
    """One line of a log. `at_s`: since the start of the night; `data`: the event's own fields."""

    at_s: float
    wall: str
    kind: str
    scene: str
    text: str
    data: dict[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneNight:
    """What became of one scene in a night."""

    title: str
    scares: int
    stopped: int
    refusals: int
    worst_late_ms: float
    worst_light_late_ms: float
    sounds_missing: int
    lights_missing: int
    misfires: int
    mean_offset_ms: float | None
    """Sound against the pops that a pop contact saw, in the sign of `signs.audio_offset_s`."""
    worst_offset_ms: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NightSummary:
    """A whole night; `ended_wall` is None where the program was killed (or is still running)."""

    path: Path
    started_wall: str
    ended_wall: str | None
    scenes: tuple[SceneNight, ...]
    faults: int

    @property
    def scares(self) -> int:
        return sum(scene.scares for scene in self.scenes)

    @property
    def refusals(self) -> int:
        return sum(scene.refusals for scene in self.scenes)


def night_files(folder: Path) -> tuple[Path, ...]:
    """Every log in the folder, oldest night first."""

    def order(path: Path) -> tuple[str, int]:
        night, count = path.stem[:_DATED], path.stem[_DATED + 1 :]
        return night, int(count) if count.isdigit() else 1

    return tuple(sorted(folder.glob("night-*.sqlite"), key=order))


def _open(path: Path) -> sqlite3.Connection:
    if not path.is_file():
        raise InputError(f"{path}: there is no such log. Logs are called night-YYYY-MM-DD.sqlite.")
    try:
        database = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=1.0)
        row = database.execute("SELECT schema FROM night").fetchone()
    except sqlite3.Error as problem:
        raise InputError(
            f"{path}: is not a log of cuesync ({problem}). Name a night-….sqlite file."
        ) from problem
    if row is None or row[0] != _SCHEMA_NUMBER:
        database.close()
        raise InputError(f"{path}: was written by another version of cuesync and can't be read by this one.")
    return database


def read_summary(path: Path) -> NightSummary:
    """The night in numbers. InputError where the file is not a log."""
    with closing(_open(path)) as database:
        started_wall, ended_wall = database.execute("SELECT started_wall, ended_wall FROM night").fetchone()
        titles = [row[0] for row in database.execute("SELECT title FROM scene ORDER BY rowid")]
        scares = {
            row[0]: row[1:]
            for row in database.execute(
                "SELECT scene, count(*), sum(stopped), max(late_ms), max(lights_late_ms), "
                "sum(sounds_missing), sum(lights_missing), sum(misfire), avg(offset_ms), "
                "max(abs(offset_ms)) FROM scare GROUP BY scene"
            )
        }
        refusals = dict(
            database.execute(
                "SELECT scene, count(*) FROM event WHERE kind = 'refused' GROUP BY scene"
            ).fetchall()
        )
        (faults,) = database.execute("SELECT count(*) FROM event WHERE kind = 'fault'").fetchone()
    scenes = []
    for title in titles:
        count, stopped, late_ms, light_ms, silent, dark, misfires, mean_ms, worst_ms = scares.get(
            title, (0, 0, 0.0, 0.0, 0, 0, 0, None, None)
        )
        scenes.append(
            SceneNight(
                title=title,
                scares=count,
                stopped=stopped,
                refusals=refusals.get(title, 0),
                worst_late_ms=late_ms,
                worst_light_late_ms=light_ms,
                sounds_missing=silent,
                lights_missing=dark,
                misfires=misfires,
                mean_offset_ms=mean_ms,
                worst_offset_ms=worst_ms,
            )
        )
    return NightSummary(
        path=path, started_wall=started_wall, ended_wall=ended_wall, scenes=tuple(scenes), faults=faults
    )


def read_events(path: Path, *, kinds: Sequence[str] = (), scene: str | None = None) -> Iterator[LoggedEvent]:
    """The lines of a log in order, only of these kinds and this scene where given."""
    where, values = ["1"], list[str]()
    if kinds:
        where.append(f"kind IN ({', '.join('?' * len(kinds))})")
        values += kinds
    if scene is not None:
        where.append("scene = ?")
        values.append(scene)
    query = f"SELECT at_s, wall, kind, scene, text, data FROM event WHERE {' AND '.join(where)} ORDER BY id"
    with closing(_open(path)) as database:
        for at_s, wall, kind, title, text, data in database.execute(query, values):
            yield LoggedEvent(at_s=at_s, wall=wall, kind=kind, scene=title, text=text, data=json.loads(data))


def ended_badly(folder: Path) -> Path | None:
    """The newest log of the folder, where its night has no end: the program or the computer died."""
    files = night_files(folder)
    if not files:
        return None
    try:
        return files[-1] if read_summary(files[-1]).ended_wall is None else None
    except InputError:
        return files[-1]
