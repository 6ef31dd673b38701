"""`cuesync measure`."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cuesync.cli.common import (
    PathArgument,
    json_option,
    picture_option,
    print_json,
    replace_option,
    say,
)

if TYPE_CHECKING:
    from cuesync.measuring.trial import Measurement, Way


@click.command("measure")
@click.argument("recording", type=PathArgument)
@click.option(
    "--way",
    type=click.Choice(["contact", "chirp", "click", "list"]),
    help="How the trigger is marked: contact on a channel, cuesync's chirp, the button's click, "
    "a list of times. Found by itself where that is safe.",
)
@click.option("--contact-channel", type=click.IntRange(min=1), help="Channel of the contact, from 1.")
@click.option("--microphone-channel", type=click.IntRange(min=1), help="Channel of the microphone, from 1.")
@click.option(
    "--triggers",
    type=PathArgument,
    metavar="FILE",
    help="List of trigger times beside the recording, one in seconds a line.",
)
@click.option("--prop", metavar="NAME", help="Name of the prop, for a new profile.")
@click.option(
    "--save", type=PathArgument, metavar="FILE", help="Write a prop profile, or add to the one there."
)
@click.option("--supply-v", type=float, help="Supply voltage during the recording, for the profile.")
@click.option("--temperature-c", type=float, help="Air temperature during the recording, for the profile.")
@click.option("--note", default="", help="Anything else worth remembering, for the profile.")
@picture_option
@replace_option
@json_option
def command(
    recording: Path,
    way: Way | None,
    contact_channel: int | None,
    microphone_channel: int | None,
    triggers: Path | None,
    prop: str | None,
    save: Path | None,
    supply_v: float | None,
    temperature_c: float | None,
    note: str,
    picture: Path | None,
    replace: bool,
    as_json: bool,
) -> None:
    """Find the delay of a prop in RECORDING, in which it is triggered again and again."""
    from cuesync.measuring.recording import measure_recording, read_trigger_list

    times_s = None
    if triggers is not None:
        if way not in (None, "list"):
            raise click.UsageError(f"--triggers goes with --way list, not with --way {way}.")
        times_s = read_trigger_list(triggers)
    measurement = measure_recording(
        recording,
        way=way,
        contact_channel=contact_channel,
        microphone_channel=microphone_channel,
        trigger_times_s=times_s,
    )
    if as_json:
        print_json(measurement_fields(measurement))
    else:
        print_measurement(measurement)
    if picture is not None:
        from cuesync.report.picture import draw_trials

        draw_trials(measurement, recording, picture, replace=replace)
        say(f"The picture is in {picture}")
    if save is not None:
        from cuesync.profile import Conditions, save_session

        fresh = save_session(
            save,
            prop,
            measurement,
            Conditions(supply_v=supply_v, temperature_c=temperature_c, note=note),
            datetime.now().astimezone(),
            replace_profile=replace,
        )
        count = len(measurement.trials)
        say(f"{count} trials {'written to the new profile' if fresh else 'added to'} {save}")


def print_measurement(measurement: Measurement) -> None:
    """Table and summary on stdout; how the triggers were found, and warnings, on stderr."""
    from cuesync.report.sentences import summary_lines
    from cuesync.report.tables import trials_table

    say(f"Triggers: {measurement.way_reason}")
    click.echo(trials_table(measurement))
    for line in summary_lines(measurement):
        click.echo(line)
    for warning in measurement.warnings:
        say(f"Warning: {warning}")


def measurement_fields(measurement: Measurement) -> dict[str, Any]:
    """The measurement as JSON fields."""
    from cuesync.measuring.summary import summarise

    trials = measurement.trials
    summary = summarise([trial.delay_s for trial in trials], [trial.reset_s for trial in trials])

    def rounded(fields: dict[str, Any]) -> dict[str, Any]:
        return {
            key: round(value, 6)
            if isinstance(value, float)
            else list(value)
            if isinstance(value, tuple)
            else value
            for key, value in fields.items()
        }

    return {
        "recording": measurement.recording,
        "rate_hz": measurement.rate_hz,
        "length_s": round(measurement.length_s, 6),
        "way": measurement.way,
        "way_reason": measurement.way_reason,
        "trials": [
            rounded(
                {
                    "trial": number,
                    **asdict(trial),
                    "delay_ms": trial.delay_ms,
                }
            )
            for number, trial in enumerate(trials, 1)
        ],
        "summary": rounded(asdict(summary)),
        "warnings": list(measurement.warnings),
    }
