"""`cuesync rehearse`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cuesync.cli.common import (
    PathArgument,
    flash_fields,
    json_option,
    ms,
    picture_option,
    print_json,
    replace_option,
    say,
    table_width,
    tell,
)

if TYPE_CHECKING:
    from cuesync.show.rehearsal import Rehearsal


@click.command("rehearse")
@click.argument("scene", type=PathArgument)
@click.option(
    "--out", type=PathArgument, metavar="FILE.wav", help="Write the sound; its sample 0 is the trigger."
)
@click.option(
    "--presses",
    type=click.IntRange(1, 100_000),
    default=100,
    show_default=True,
    help="How often the simulated prop answers.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Another number, another night.")
@click.option(
    "--rate-hz",
    type=click.IntRange(8000, 192_000),
    default=48_000,
    show_default=True,
    help="Samples a second of the WAV file.",
)
@picture_option
@replace_option
@json_option
def command(
    scene: Path,
    out: Path | None,
    presses: int,
    seed: int,
    rate_hz: int,
    picture: Path | None,
    replace: bool,
    as_json: bool,
) -> None:
    """Play SCENE on a simulated clock, without any hardware.

    The simulated prop pops as the measured one did, so the result shows how good the sync will be on
    the night. Misfires are left out.
    """
    from cuesync.plan.resolve import resolve
    from cuesync.report.sentences import flash_lines, rehearsal_lines
    from cuesync.report.tables import rehearsal_table
    from cuesync.scene.load import read_scene
    from cuesync.show.rehearsal import rehearse

    if out is not None:
        from cuesync.sound_file import check_wav_name

        check_wav_name(out)
    plan = resolve(read_scene(scene))
    rehearsal = rehearse(plan, rate_hz=rate_hz, presses=presses, seed=seed)
    if out is not None:
        from cuesync.sound_file import write_wav

        write_wav(out, rehearsal.sound, rehearsal.rate_hz, replace=replace)
        say(f"The sound is in {out}")
    if picture is not None:
        from cuesync.report.picture import draw_plan

        draw_plan(plan, picture, rehearsal=rehearsal, replace=replace)
        say(f"The picture is in {picture}")
    if as_json:
        from cuesync.care.flash import flashes_by_view

        flashes = flash_fields(flashes_by_view([plan]), [scene])
        notes = {"flashes": flashes, "notes": rehearsal_lines(plan)}
        print_json(rehearsal_fields(rehearsal) | notes)
    else:
        click.echo(rehearsal_table(rehearsal, plan, table_width()))
        click.echo()
        for line in (*rehearsal_lines(plan), *flash_lines(plan)):
            tell(line)


def rehearsal_fields(rehearsal: Rehearsal) -> dict[str, Any]:
    """The rehearsal as JSON fields; times from the trigger, offsets positive where sound is first."""
    from cuesync.report.words import colour_text

    return {
        "rate_hz": rehearsal.rate_hz,
        "length_s": len(rehearsal.sound) / rehearsal.rate_hz,
        "lights": [
            {
                "light": command.light,
                "on": command.on,
                "level": round(command.level, 6),
                "colour": colour_text(command.colour),
                "at_ms": ms(at_s),
            }
            for at_s, command in rehearsal.commands
        ],
        "messages": [
            {"name": message.name, "at_ms": None if message.at_s is None else ms(message.at_s)}
            for message in rehearsal.messages
        ],
        "outputs": [
            {"output": event.output, "on": event.on, "why": event.why, "at_ms": ms(event.at_s)}
            for event in rehearsal.switched
        ],
        "scares": [
            {
                "pop_ms": ms(scare.pop_s),
                "sounds_land_ms": [
                    None if lands_s is None else ms(lands_s) for lands_s in scare.sounds_land_s
                ],
                "offset_ms": None if scare.offset_s is None else ms(scare.offset_s),
            }
            for scare in rehearsal.scares
        ],
    }
