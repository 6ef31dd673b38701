"""`cuesync log`."""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cuesync.cli.common import PathArgument, json_option, newest_night, print_json, tell
from cuesync.counted import counted
from cuesync.errors import InputError
from cuesync.show.events import KINDS

if TYPE_CHECKING:
    from cuesync.show.log import LoggedEvent, LoggedScare, NightSummary

_EVENT_COLUMNS = ("at_s", "wall", "kind", "scene", "text", "data_json")
_SCARE_COLUMNS = (
    "number",
    "scene",
    "trigger_s",
    "wall",
    "stopped",
    "late_ms",
    "lights_late_ms",
    "sounds_missing",
    "lights_missing",
    "misfire",
    "pop_s",
    "offset_ms",
)


@click.command("log")
@click.argument("night", type=PathArgument, default=Path("cuesync-nights"), metavar="[FILE OR FOLDER]")
@click.option("--scene", metavar="TITLE", help="Only what happened to this scene.")
@click.option(
    "--only",
    "kinds",
    multiple=True,
    type=click.Choice(KINDS),
    help="Only events of this kind; may be given several times.",
)
@click.option("--summary", "only_summary", is_flag=True, help="Only the numbers of the night, no events.")
@json_option
@click.option(
    "--csv",
    "csv_of",
    type=click.Choice(("events", "scares")),
    help="Print a table for spreadsheets (CSV): a line an event, or a line a scare with its numbers.",
)
def command(
    night: Path,
    scene: str | None,
    kinds: tuple[str, ...],
    only_summary: bool,
    as_json: bool,
    csv_of: str | None,
) -> None:
    """Read the log of a night: every trigger, refusal, scare, fault, and the sums.

    Without a file it takes the newest log of the folder.

    In CSV, at_s and trigger_s count from the start of the night, pop_s from the trigger; wall is the date and
    time of day. In offset_ms a positive number means that the sound came before the pop.
    """
    from cuesync.show.log import read_events, read_scares, read_summary

    if csv_of is not None and (as_json or only_summary):
        raise InputError("--csv goes with neither --json nor --summary. Keep one of them.")
    if csv_of == "scares" and kinds:
        raise InputError("--csv scares has only scares, so --only doesn't go with it. Take --csv events.")
    night = newest_night(night)
    summary = read_summary(night)
    titles = [each.title for each in summary.scenes]
    if scene is not None and scene not in titles:
        raise InputError(f"{night}: there was no scene {scene!r} this night, but: {', '.join(titles)}.")
    if csv_of == "scares":
        _print_csv(_SCARE_COLUMNS, (_scare_row(each) for each in read_scares(night, scene=scene)))
        return
    if csv_of == "events":
        _print_csv(
            _EVENT_COLUMNS, (_event_row(each) for each in read_events(night, kinds=kinds, scene=scene))
        )
        return
    events = [] if only_summary else list(read_events(night, kinds=kinds, scene=scene))
    if as_json:
        print_json(
            {
                "file": str(night),
                "started": summary.started_wall,
                "ended": summary.ended_wall,
                "scares": summary.scares,
                "refusals": summary.refusals,
                "faults": summary.faults,
                "scenes": [asdict(each) for each in summary.scenes],
                "events": [asdict(event) for event in events],
            }
        )
        return
    for event in events:
        tell(_line(event), hang=10)
    _print_summary(summary)


def _print_csv(columns: Iterable[str], rows: Iterable[Iterable[object]]) -> None:
    """RFC 4180, in UTF-8 on every system: Windows would make CR CR LF of its line ends in a text stream."""
    out = io.TextIOWrapper(sys.stdout.buffer, encoding="utf-8", newline="")
    try:
        writer = csv.writer(out)
        writer.writerow(columns)
        writer.writerows(rows)
        out.flush()
    finally:
        out.detach()  # stdout itself stays open


def _event_row(event: LoggedEvent) -> tuple[object, ...]:
    data = json.dumps(event.data, separators=(",", ":"), ensure_ascii=False)
    return (_rounded(event.at_s), event.wall, event.kind, event.scene, event.text, data)


def _scare_row(scare: LoggedScare) -> tuple[object, ...]:
    values = asdict(scare) | {"stopped": int(scare.stopped), "misfire": int(scare.misfire)}
    return tuple(_rounded(values[name]) for name in _SCARE_COLUMNS)


def _rounded(value: object) -> object:
    """Six decimals are a microsecond in _s and far below one in _ms; the rest is noise of the clock."""
    return round(value, 6) + 0.0 if isinstance(value, float) else value  # + 0.0: no "-0.0"


def _line(event: LoggedEvent) -> str:
    scene = f"{event.scene}: " if event.scene else ""
    return f"{event.wall[11:19]}  {event.at_s:9.3f} s  {event.kind:9}  {scene}{event.text}"


def _print_summary(summary: NightSummary) -> None:
    tell(f"{summary.path}: began {summary.started_wall[:19].replace('T', ' ')}, " + _end(summary))
    for scene in summary.scenes:
        missing = scene.sounds_missing + scene.lights_missing
        tell(
            f"  {scene.title}: {counted(scene.scares, 'scare')}, "
            f"{counted(scene.refusals, 'press refused', 'presses refused')}, "
            f"sound at most {scene.worst_late_ms:z.1f} ms late, lights {scene.worst_light_late_ms:z.1f} ms"
            + (f", {counted(scene.misfires, 'misfire')}" if scene.misfires else "")
            + (
                ""
                if scene.mean_offset_ms is None
                else f", sound {-scene.mean_offset_ms:+.1f} ms after the pop"
            )
            + (f", {missing} sounds or light commands missing" if missing else "")
        )
    click.echo(f"  faults: {summary.faults}")


def _end(summary: NightSummary) -> str:
    if summary.ended_wall is None:
        return "has no end: it is still running, or the program or the computer died"
    return f"ended {summary.ended_wall[11:19]}"
