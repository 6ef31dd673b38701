"""The operator's own words in a night's log, also while the night is running."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import datetime
from pathlib import Path

from cuesync.errors import InputError, StorageError
from cuesync.show.events import Note
from cuesync.show.log import INSERT_EVENT, event_row, read_summary

_PATIENCE_S = 5.0


def add_note(path: Path, what: str, *, scene: str = "") -> None:
    """Write a note at the end of this log, as of now.

    The night's own clock is known only to the program that runs it; so the note's time counts on from the
    last line by the time of day.

    Raises:
        InputError: the text is empty, the file is no log, or it has no such scene.
        StorageError: the log can't be written.
    """
    what = what.strip()
    if not what:
        raise InputError(
            'the note is empty. Write it in quotes: cuesync note "fresh batteries in the crone".'
        )
    titles = [one.title for one in read_summary(path).scenes]
    if scene and scene not in titles:
        raise InputError(f"{path}: there was no scene {scene!r} this night, but: {', '.join(titles)}.")
    now = datetime.now().astimezone()
    try:
        with closing(sqlite3.connect(path, timeout=_PATIENCE_S)) as database, database:
            database.execute("PRAGMA synchronous=FULL")
            database.execute("BEGIN IMMEDIATE")  # nothing comes between reading the last line and writing
            last = database.execute("SELECT at_s, wall FROM event ORDER BY id DESC LIMIT 1").fetchone()
            at_s = 0.0
            if last is not None:
                at_s = last[0] + max(0.0, (now - datetime.fromisoformat(last[1])).total_seconds())
            note = Note(at_s=at_s, scene=scene, what=what)
            database.execute(INSERT_EVENT, event_row(now.isoformat(timespec="milliseconds"), note, 0.0))
    except sqlite3.Error as problem:
        raise StorageError(
            f"{path}: the note can't be written ({problem}). Is the disk full, or the file read-only?"
        ) from problem
