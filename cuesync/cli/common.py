"""What several commands share."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import click

if TYPE_CHECKING:
    from cuesync.care.flash import ViewFlashes

PathArgument = click.Path(path_type=Path)

json_option = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
replace_option = click.option(
    "--replace", is_flag=True, help="Replace a picture or sound file that is there already; never a profile."
)
picture_option = click.option(
    "--picture", type=PathArgument, metavar="FILE", help="Draw it; FILE ends in .png, .svg or .html."
)


def ms(time_s: float) -> float:
    """Milliseconds for JSON."""
    return round(time_s * 1000.0, 4)


PIPE_WIDTH = 80
NARROWEST = 40


def width_of(stream: TextIO) -> int | None:
    """Columns of the terminal that `stream` goes to; None for a pipe or a file: nothing is wrapped there."""
    if not stream.isatty():
        return None
    return max(NARROWEST, shutil.get_terminal_size().columns - 1)  # some break the line at the last column


def table_width() -> int:
    """Columns for a table on stdout."""
    return width_of(sys.stdout) or PIPE_WIDTH


def tell(line: str, *, hang: int = 4, err: bool = False) -> None:
    """A line of a result; in a terminal broken between words, with what follows `hang` blanks in."""
    width = width_of(sys.stderr if err else sys.stdout)
    if width is not None:
        from cuesync.wrapping import wrapped

        line = wrapped(line, width, hang)
    click.echo(line, err=err)


def say(message: str) -> None:
    """Talk: to stderr, so that results on stdout stay clean."""
    tell(message, err=True)


def print_json(value: Any) -> None:
    click.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def flash_fields(views: Sequence[ViewFlashes], paths: Sequence[Path]) -> list[dict[str, Any]]:
    """Flashes as JSON fields; `paths` are those of the scenes."""
    return [
        {
            "view": view.view,
            "per_second": view.per_second,
            "red_per_second": view.red_per_second,
            "over_limit": view.over_limit,
            "scenes": [
                {"scene": str(paths[scene.index])}
                | {key: value for key, value in asdict(scene).items() if key != "index"}  # the path says it
                for scene in view.scenes
            ],
        }
        for view in views
    ]


def newest_night(night: Path) -> Path:
    """The log that is meant: this file, or the newest of this folder. InputError where there is none."""
    from cuesync.errors import InputError
    from cuesync.show.log import night_files

    if not night.exists() and not night.suffix:
        raise InputError(
            f"{night}: there is no such folder of logs. cuesync run writes a log each night, into "
            "cuesync-nights in the folder where it is started; go there, or name the log."
        )
    if not night.is_dir():
        return night
    files = night_files(night)
    if not files:
        raise InputError(f"{night}: there is no log in this folder yet. cuesync run writes one a night.")
    return files[-1]


def port_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """--device, --midi-in and --midi-out, as `cuesync devices` names them."""
    for option in (
        click.option(
            "--midi-out",
            metavar="PORT",
            help="MIDI port for the lights and other gear (a part of its name is enough).",
        ),
        click.option(
            "--midi-in", metavar="PORT", help="MIDI port of the contact (a part of its name is enough)."
        ),
        click.option("--device", metavar="NAME", help="Sound device (a part of its name is enough)."),
    ):
        function = option(function)
    return function


sound_input_option = click.option(
    "--microphone",
    "sound_input",
    metavar="NAME",
    help='Sound card that "input:1" and "microphone:1" are on (a part of its name is enough).',
)


def network_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Where contacts from other rooms come from; named as the fields of `PortSettings`."""
    for option in (
        click.option(
            "--mqtt-password-file",
            type=PathArgument,
            help="A file with that user's password on its first line.",
        ),
        click.option("--mqtt-user", metavar="NAME", help="Whom the MQTT broker knows us as."),
        click.option(
            "--mqtt-broker", metavar="HOST:PORT", help="The MQTT broker; 127.0.0.1:1883 if not given."
        ),
        click.option(
            "--osc-allow",
            multiple=True,
            metavar="ADDRESS",
            help='A sender whose OSC messages count, as "10.0.0.7"; may be given several times.',
        ),
        click.option(
            "--osc-listen",
            metavar="HOST:PORT",
            help="Where to listen for OSC; 127.0.0.1:7770 if not given. Anywhere else needs --osc-allow.",
        ),
    ):
        function = option(function)
    return function
