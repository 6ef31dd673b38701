"""`cuesync note`."""

from __future__ import annotations

from pathlib import Path

import click

from cuesync.cli.common import PathArgument, newest_night, say


@click.command("note")
@click.argument("words", nargs=-1, required=True, metavar="TEXT…")
@click.option("--scene", default="", metavar="TITLE", help="The scene that the note is about.")
@click.option(
    "--night",
    type=PathArgument,
    default=Path("cuesync-nights"),
    show_default=True,
    metavar="FILE OR FOLDER",
    help="The log; of a folder, the newest.",
)
def command(words: tuple[str, ...], scene: str, night: Path) -> None:
    """Write a note into the log of the night, also while it is running.

    From a second terminal: cuesync note "fresh batteries in the crone"
    """
    from cuesync.show.night_note import add_note

    path = newest_night(night)
    add_note(path, " ".join(words), scene=scene)
    say(f"Noted in {path}")
