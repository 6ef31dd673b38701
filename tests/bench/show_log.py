"""How long a log of a million scares takes to sum up, beside counting its scare events one by one.

python tests/bench/show_log.py [SCARES]
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import sqlite3

from cuesync.show.events import PressRefused, ScareDone
from cuesync.show.log import NightLog, new_night_file, read_events, read_summary
from cuesync.show.states import State
from tests.show.plans import plan


def main(scares: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = new_night_file(Path(folder), "2026-10-31")
        titles = [f"scene {index}" for index in range(6)]
        log = NightLog(path, [plan(title=title) for title in titles], 0.0)
        log.put(PressRefused(at_s=0.5, scene=titles[0], state=State.PLAYING, wait_s=1.0, refusals=1))
        log.put(
            ScareDone(at_s=1.0, scene=titles[0], number=1, trigger_s=0.0, sounds=(), lights=(), stopped=False)
        )
        log.close()
        with sqlite3.connect(path) as database:
            # A million copies of what the log itself has written; beside, a refusal for every fourth scare.
            (columns,) = database.execute(
                "SELECT group_concat(name) FROM pragma_table_info('scare') "
                "WHERE name NOT IN ('number', 'scene')"
            ).fetchone()
            numbers = "WITH RECURSIVE n(i) AS (SELECT 2 UNION ALL SELECT i + 1 FROM n WHERE i < ?)"
            database.execute(
                f"INSERT INTO scare (number, scene, {columns}) {numbers} "
                f"SELECT i, 'scene ' || (i % 6), {columns} FROM n, (SELECT * FROM scare WHERE number = 1)",
                (scares,),
            )
            for kind, each in (("scare", 1), ("refused", 4)):
                database.execute(
                    f"INSERT INTO event (at_s, wall, kind, scene, text, data) {numbers} "
                    "SELECT i, wall, kind, 'scene ' || (i % 6), text, data FROM n, "
                    "(SELECT * FROM event WHERE kind = ?) WHERE i % ? = 0",
                    (scares, kind, each),
                )
        database.close()
        start_s = time.perf_counter()
        summary = read_summary(path)
        summed_s = time.perf_counter() - start_s
        start_s = time.perf_counter()
        counted = sum(1 for _ in read_events(path, kinds=["scare"]))
        counted_s = time.perf_counter() - start_s
        print(
            f"{summary.scares} scares, {summary.refusals} refusals ({path.stat().st_size / 1e6:.0f} MB): "
            f"summed up in {summed_s:.2f} s; {counted} events read one by one in {counted_s:.2f} s"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
