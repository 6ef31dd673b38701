"""The command line. Thin: words in, words out; each command's module is loaded only when it is called."""

from __future__ import annotations

import importlib
import io
import sys

import click

from cuesync import __version__
from cuesync.cli.common import tell
from cuesync.errors import CuesyncError

# name → (module, one line for the overview), in the order in which a person needs them
COMMANDS = {
    "demo": ("demo", "Try everything on the shipped recording and scene."),
    "measure": ("measure", "Find a prop's delay from a recording, or live at the prop."),
    "align": ("align", "Show when each sound and flash must start."),
    "contacts": ("contacts", "Watch the contacts while you press them, to prove the wiring."),
    "rehearse": ("rehearse", "Play the cue into a WAV file, without hardware."),
    "run": ("run", "Play the cue whenever the contact closes."),
    "check": ("check", "Look for mistakes in scenes, without playing."),
    "log": ("log", "Read the log of a night."),
    "note": ("note", "Write a note into the log of the night."),
    "devices": ("devices", "List sound devices and MIDI ports."),
    "schema": ("schema", "Print the JSON schema of scene files, for editors."),
}


class _Commands(click.Group):
    """Knows every command's name and line without loading its module."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"cuesync.cli.{COMMANDS[cmd_name][0]}")
        command = module.command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


@click.command(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="cuesync")
def cuesync() -> None:
    """Land the scream and the flash on the moment a spring-loaded prop pops.

    The way through: measure a prop, align a scene with it, rehearse it into a file, run it.
    New here? Begin with: cuesync demo
    """


def main() -> None:
    """Entry point: 0 fine, 1 found a problem it was asked to look for, 2 wrong usage or input."""
    for stream in (sys.stdout, sys.stderr):
        # a pipe on Windows may not know every sign that we print; a "?" is better than no answer
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    try:
        cuesync(prog_name="cuesync")
    except CuesyncError as error:
        tell(f"cuesync: {error}", err=True)
        sys.exit(2)
    except OSError as error:
        # whatever the system refuses that no room has put into words of its own
        tell(f"cuesync: {error}. Make sure that the file, folder or device can be used.", err=True)
        sys.exit(2)
