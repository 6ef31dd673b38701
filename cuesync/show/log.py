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
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from cuesync import __version__
from cuesync.errors import InputError, StorageError
from cuesync.plan.plan import Plan
from cuesync.show.events import Fault, PressRefused, ScareDone, ShowEvent
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
_Row = tuple[int | float | str | None, ...]
INSERT_EVENT = "INSERT INTO event (at_s, wall, kind, scene, text, data) VALUES (?, ?, ?, ?, ?, ?)"
_SCHEMA_NUMBER = 1
_MOST_WAITING = 50_000
_TRY_AGAIN_S = 1.0
_BATCH = 500
_LATEST = 3
_DATED = len("night-YYYY-MM-DD")
_IN_USE = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
_NO_DISK = (
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_PERM,
)


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
    again; `trouble` is told once in words, `relief` when it is over. Whatever goes wrong, the thread goes on;
    should it end all the same, `trouble` tells that too.
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
        self._thread = threading.Thread(target=self._run, name="cuesync log", daemon=True)
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

    def _run(self) -> None:
        try:
            self._write()
        except BaseException as problem:  # the interpreter itself: nobody must believe that all is logged
            self._trouble(f"the night's log has ended before the night: {_in_words(problem)}.")

    def _write(self) -> None:
        database: sqlite3.Connection | None = None
        ending = in_trouble = False
        while not (ending and not self._waiting):
            try:
                ending = self._collect(block=not self._waiting and not ending) or ending
                if database is None:
                    database = self._connect()
                self._write_batch(database, ended=ending)
            except Exception as problem:
                if database is not None:
                    with suppress(sqlite3.Error):
                        database.close()
                    database = None
                if not in_trouble:
                    in_trouble = True
                    self._trouble(f"the night's log can't be written: {_in_words(problem)}.")
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
        rows = [self._rows(wall, event) for wall, event in batch]
        with database:  # one transaction, undone as a whole where it fails
            database.executemany(INSERT_EVENT, [event_row for event_row, _ in rows])
            database.executemany(
                f"INSERT OR REPLACE INTO scare VALUES ({', '.join('?' * 12)})",
                [scare_row for _, scare_row in rows if scare_row is not None],
            )
            if ended and len(batch) == len(self._waiting):
                database.execute("UPDATE night SET ended_wall = ?", (_wall(),))
        for _ in batch:
            self._waiting.popleft()

    def _rows(self, wall: str, event: ShowEvent) -> tuple[_Row, _Row | None]:
        """The event's line and, for a scare, its numbers; one that fails keeps no other from the file."""
        try:
            scare = self._scare_row(wall, event) if isinstance(event, ScareDone) else None
            return event_row(wall, event, self._start_s), scare
        except Exception as problem:
            said = f"could not be written in full ({_in_words(problem)}): {_as_it_is(event)}"
            at_s = event.at_s - self._start_s if isinstance(event.at_s, float) else 0.0
            return (at_s, wall, event.kind, _encodable(str(event.scene)), _encodable(said), "{}"), None

    def _scare_row(self, wall: str, scare: ScareDone) -> _Row:
        return _storable(
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


def event_row(wall: str, event: ShowEvent, start_s: float) -> _Row:
    """What `INSERT_EVENT` takes; `start_s` is the host time from which the night is counted.

    A field that JSON doesn't know stands there as Python shows it.
    """
    data = json.dumps(_encodable(_plain(event)), separators=(",", ":"), default=repr)
    return _storable(event.at_s - start_s, wall, event.kind, event.scene, event.text, data)


def _storable(*values: object) -> _Row:
    """The values, in order, if SQLite can hold them; TypeError where it can't."""
    row = []
    for value in values:
        if isinstance(value, str):
            row.append(_encodable(value))
        elif value is None or isinstance(value, float) or (isinstance(value, int) and abs(value) < 2**63):
            row.append(value)
        else:
            raise TypeError(f"{value!r} can't be stored")
    return tuple(row)


def _encodable(value: Any) -> Any:
    """The same with every text such that UTF-8 can hold it.

    Names of files and ports needn't be text at all: a byte that isn't is shown as its code.
    """
    if isinstance(value, str):
        return value.encode("utf-8", "backslashreplace").decode("utf-8")
    if isinstance(value, dict):
        return {_encodable(key): _encodable(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_encodable(each) for each in value]
    return value


def _in_words(problem: BaseException) -> str:
    """What the system said in its own words; what Python said with its kind, which often says more."""
    text = str(problem)
    return text if isinstance(problem, sqlite3.Error | OSError) else f"{type(problem).__name__}: {text}"


def _as_it_is(event: ShowEvent) -> str:
    try:
        return repr(event)
    except Exception:
        return object.__repr__(event)


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
class LoggedScare:
    """One scare of a log. `trigger_s`: since the start of the night; `pop_s`: from the trigger to the pop.

    `wall`: when its cue was over. `pop_s` and `offset_ms` (sound against that pop, in the sign of
    `signs.audio_offset_s`) are None where no pop contact saw the pop.
    """

    number: int
    scene: str
    trigger_s: float
    wall: str
    stopped: bool
    late_ms: float
    lights_late_ms: float
    sounds_missing: int
    lights_missing: int
    misfire: bool
    pop_s: float | None
    offset_ms: float | None


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


class NightTally:
    """The numbers of a night from its events alone, for when its log can't be read back."""

    def __init__(self, path: Path, plans: Sequence[Plan]) -> None:
        self._path = path
        self._started_wall = _wall()
        self._scares: dict[str, list[ScareDone]] = {plan.title: [] for plan in plans}
        self._refusals: Counter[str] = Counter()
        self._faults = 0

    def take(self, event: ShowEvent) -> None:
        if isinstance(event, ScareDone):
            self._scares[event.scene].append(event)
        elif isinstance(event, PressRefused):
            self._refusals[event.scene] += 1
        elif isinstance(event, Fault):
            self._faults += 1

    def summary(self) -> NightSummary:
        """The night up to now; it counts as ended now."""
        return NightSummary(
            path=self._path,
            started_wall=self._started_wall,
            ended_wall=_wall(),
            scenes=tuple(self._scene(title, scares) for title, scares in self._scares.items()),
            faults=self._faults,
        )

    def _scene(self, title: str, scares: Sequence[ScareDone]) -> SceneNight:
        offsets_ms = [scare.offset_s * 1000.0 for scare in scares if scare.offset_s is not None]
        lights = [light for scare in scares for light in scare.lights]
        return SceneNight(
            title=title,
            scares=len(scares),
            stopped=sum(scare.stopped for scare in scares),
            refusals=self._refusals[title],
            worst_late_ms=max((scare.late_ms for scare in scares), default=0.0),
            worst_light_late_ms=max((light.late_ms or 0.0 for light in lights), default=0.0),
            sounds_missing=sum(sound.start_s is None for scare in scares for sound in scare.sounds),
            lights_missing=sum(light.at_s is None for light in lights),
            misfires=sum(scare.misfire for scare in scares),
            mean_offset_ms=sum(offsets_ms) / len(offsets_ms) if offsets_ms else None,
            worst_offset_ms=max(map(abs, offsets_ms), default=None),
        )


def night_files(folder: Path) -> tuple[Path, ...]:
    """Every log in the folder, oldest night first."""

    def order(path: Path) -> tuple[str, int]:
        night, count = path.stem[:_DATED], path.stem[_DATED + 1 :]
        return night, int(count) if count.isdigit() else 1

    return tuple(sorted(folder.glob("night-*.sqlite"), key=order))


@contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection]:
    """The log, open for reading only; InputError for whatever goes wrong with it until it is closed."""
    if not path.is_file():
        raise InputError(f"{path}: there is no such log. Logs are called night-YYYY-MM-DD.sqlite.")
    with ExitStack() as stack:
        try:
            uri = f"{path.resolve().as_uri()}?mode=ro"
            database = stack.enter_context(closing(sqlite3.connect(uri, uri=True, timeout=1.0)))
            row = database.execute("SELECT schema FROM night").fetchone()
            if row is None or row[0] != _SCHEMA_NUMBER:
                raise InputError(
                    f"{path}: was written by another version of cuesync and can't be read by this one."
                )
            yield database
        except (sqlite3.Error, ValueError) as problem:  # ValueError: text or JSON that is damaged
            code = getattr(problem, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
            if code in _IN_USE:
                said = f"is in use by another program ({problem}). Try again when that has finished."
            elif code in _NO_DISK:
                said = f"can't be read ({problem}). Look at the disk: is it full, or gone?"
            else:
                said = (
                    f"is not a log of cuesync, or is damaged ({problem}). Name another night-….sqlite file."
                )
            raise InputError(f"{path}: {said}") from problem


def read_summary(path: Path) -> NightSummary:
    """The night in numbers. InputError where the file is not a log, or can't be read."""
    with _reading(path) as database:
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
    """The lines of a log in order, only of these kinds and this scene where given.

    InputError where the file is not a log, or can't be read.
    """
    where, values = ["1"], list[str]()
    if kinds:
        where.append(f"kind IN ({', '.join('?' * len(kinds))})")
        values += kinds
    if scene is not None:
        where.append("scene = ?")
        values.append(scene)
    query = f"SELECT at_s, wall, kind, scene, text, data FROM event WHERE {' AND '.join(where)} ORDER BY id"
    with _reading(path) as database:
        for at_s, wall, kind, title, text, data in database.execute(query, values):
            yield LoggedEvent(at_s=at_s, wall=wall, kind=kind, scene=title, text=text, data=json.loads(data))


def read_scares(path: Path, *, scene: str | None = None) -> Iterator[LoggedScare]:
    """The scares of a log by number, only of this scene where given.

    InputError where the file is not a log, or can't be read.
    """
    names = [field.name for field in dataclasses.fields(LoggedScare)]
    where, values = ("", []) if scene is None else (" WHERE scene = ?", [scene])
    with _reading(path) as database:
        for row in database.execute(f"SELECT {', '.join(names)} FROM scare{where} ORDER BY number", values):
            fields = dict(zip(names, row, strict=True))
            yield LoggedScare(
                **fields | {"stopped": bool(fields["stopped"]), "misfire": bool(fields["misfire"])}
            )


def ended_badly(folder: Path) -> Path | None:
    """The newest log of the folder, where its night has no end: the program or the computer died.

    Never raises: an old log, whatever has become of it, keeps no new night from starting.
    """
    try:
        files = night_files(folder)
    except OSError:
        return None
    if not files:
        return None
    try:
        with _reading(files[-1]) as database:
            (ended_wall,) = database.execute("SELECT ended_wall FROM night").fetchone()
    except (InputError, OSError):
        return files[-1]
    return files[-1] if ended_wall is None else None


def seconds_since_triggers(folder: Path) -> dict[str, float]:
    """How long ago, by the time of day, each scene was last triggered, as the latest logs tell.

    A scene is missing where none of them tells, or where somebody has set the clock back since. Never
    raises: an old log, whatever has become of it, keeps no new night from starting.
    """
    now = datetime.now().astimezone()
    since_s: dict[str, float] = {}
    try:
        files = night_files(folder)[-_LATEST:]
    except OSError:
        return {}
    for path in files:
        try:
            with _reading(path) as database:
                last = database.execute(
                    "SELECT scene, wall, max(id) FROM event WHERE kind = 'trigger' GROUP BY scene"
                ).fetchall()
                ago_s = {
                    scene: (now - datetime.fromisoformat(wall)).total_seconds() for scene, wall, _ in last
                }
        except (InputError, OSError):
            continue
        for scene, scene_ago_s in ago_s.items():
            if scene_ago_s >= 0.0:
                since_s[scene] = min(scene_ago_s, since_s.get(scene, scene_ago_s))
    return since_s
