"""`cuesync log`."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cuesync.cli.common import PathArgument, json_option, print_json
from cuesync.errors import InputError
from cuesync.show.events import KINDS

if TYPE_CHECKING:
    from cuesync.show.log import LoggedEvent, NightSummary


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
def command(
    night: Path, scene: str | None, kinds: tuple[str, ...], only_summary: bool, as_json: bool
) -> None:
    """Read the log of a night: every trigger, refusal, scare, fault, and the sums.

    Without a file it takes the newest log of the folder.
    """
    from cuesync.show.log import night_files, read_events, read_summary

    if night.is_dir():
        files = night_files(night)
        if not files:
            raise InputError(f"{night}: there is no log in this folder yet. cuesync run writes one a night.")
        night = files[-1]
    summary = read_summary(night)
    titles = [each.title for each in summary.scenes]
    if scene is not None and scene not in titles:
        raise InputError(f"{night}: there was no scene {scene!r} this night, but: {', '.join(titles)}.")
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
        click.echo(_line(event))
    _print_summary(summary)


def _line(event: LoggedEvent) -> str:
    scene = f"{event.scene}: " if event.scene else ""
    return f"{event.wall[11:19]}  {event.at_s:9.3f} s  {event.kind:9}  {scene}{event.text}"


def _print_summary(summary: NightSummary) -> None:
    click.echo(f"{summary.path}: began {summary.started_wall[:19].replace('T', ' ')}, " + _end(summary))
    for scene in summary.scenes:
        missing = scene.sounds_missing + scene.lights_missing
        click.echo(
            f"  {scene.title}: {scene.scares} scares, {scene.refusals} presses refused, "
            f"sound at most {scene.worst_late_ms:.1f} ms late, lights {scene.worst_light_late_ms:.1f} ms"
            + (f", {scene.misfires} misfires" if scene.misfires else "")
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
