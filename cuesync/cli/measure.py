"""`cuesync measure`."""

from __future__ import annotations

import sys
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from cuesync.cli.common import (
    PathArgument,
    json_option,
    network_options,
    picture_option,
    print_json,
    replace_option,
    say,
    tell,
)
from cuesync.counted import counted

if TYPE_CHECKING:
    from cuesync.measuring.trial import Measurement, Way


@click.command("measure")
@click.argument("recording", type=PathArgument, required=False)
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
@click.option(
    "--new-profile", is_flag=True, help="With --save: drop the profile that is there, and all trials in it."
)
@click.option(
    "--same-prop",
    is_flag=True,
    help="With --save: add the trials although they look like another prop's.",
)
@click.option(
    "--supply-v",
    type=click.FloatRange(min=0, min_open=True),
    help="Supply voltage during the recording, for the profile.",
)
@click.option("--temperature-c", type=float, help="Air temperature during the recording, for the profile.")
@click.option("--note", default="", help="Anything else worth remembering, for the profile.")
@click.option("--live", is_flag=True, help="Measure at the prop, through the show's own loudspeaker.")
@click.option(
    "--trials",
    "wanted",
    type=click.IntRange(min=1),
    default=10,
    show_default=True,
    help="With --live: how many trials.",
)
@click.option(
    "--contact", default="key:space", show_default=True, help="With --live: the contact, as a scene names it."
)
@click.option(
    "--reset-s",
    type=click.FloatRange(min=0, min_open=True),
    help="With --live: the prop's reset, where it can't be heard.",
)
@click.option("--microphone", metavar="NAME", help="With --live: sound device of the microphone.")
@click.option("--device", metavar="NAME", help="With --live: sound device of the loudspeaker.")
@click.option("--midi-in", metavar="PORT", help="With --live: MIDI port of the contact.")
@network_options
@picture_option
@replace_option
@json_option
@click.pass_context
def command(
    context: click.Context,
    /,
    recording: Path | None,
    way: Way | None,
    contact_channel: int | None,
    microphone_channel: int | None,
    triggers: Path | None,
    prop: str | None,
    save: Path | None,
    new_profile: bool,
    same_prop: bool,
    supply_v: float | None,
    temperature_c: float | None,
    note: str,
    live: bool,
    wanted: int,
    contact: str,
    reset_s: float | None,
    microphone: str | None,
    device: str | None,
    midi_in: str | None,
    picture: Path | None,
    replace: bool,
    as_json: bool,
    **network: Any,
) -> None:
    """Find the delay of a prop in RECORDING, in which it is triggered again and again.

    With --live there is no RECORDING yet: when the contact closes, cuesync plays a chirp through the show's
    loudspeaker and listens for chirp and pop at the guest's place. Each trial is in the profile as soon as
    it is done; the sound is kept beside it. Ctrl-C ends it earlier.
    """
    from cuesync.measuring.trial import Conditions

    _refuse_idle_options(context, live=live, save=save)
    conditions = Conditions(supply_v=supply_v, temperature_c=temperature_c, note=note)
    if picture is not None:
        from cuesync.report.picture import check_place

        check_place(picture, replace=replace)
    if live:
        if recording is not None:
            raise click.UsageError("--live makes a recording of its own: leave out RECORDING.")
        if save is None:
            raise click.UsageError("--live needs a profile to keep the trials in: add --save FILE.")
        from cuesync.cli.measure_live import measure_at_prop

        measurement = measure_at_prop(
            save,
            prop,
            conditions,
            wanted=wanted,
            contact=contact,
            reset_s=reset_s,
            microphone=microphone,
            microphone_channel=microphone_channel or 1,
            device=device,
            midi_in=midi_in,
            network=network,
            new_profile=new_profile,
            same_prop=same_prop,
        )
        _show(measurement, Path(measurement.recording), picture, replace=replace, as_json=as_json)
        if not measurement.trials:
            say(f"No trial counted, so nothing went into {save}. The sound is in {measurement.recording}.")
            sys.exit(1)
        _tell_split(save)
        return
    if recording is None:
        raise click.UsageError("Name the RECORDING, or measure at the prop with --live.")
    from cuesync.measuring.recording import measure_recording, read_trigger_list

    times_s = None
    if triggers is not None:
        if way not in (None, "list"):
            raise click.UsageError(f"--triggers goes with --way list, not with --way {way}.")
        times_s = read_trigger_list(triggers)
    if save is not None:
        from cuesync.profile import profile_to_extend

        profile_to_extend(save, prop, replace_profile=new_profile)
    measurement = measure_recording(
        recording,
        way=way,
        contact_channel=contact_channel,
        microphone_channel=microphone_channel,
        trigger_times_s=times_s,
    )
    _show(measurement, recording, picture, replace=replace, as_json=as_json)
    if save is not None:
        from cuesync.profile import save_session

        fresh = save_session(
            save,
            prop,
            measurement,
            conditions,
            datetime.now().astimezone(),
            replace_profile=new_profile,
            same_prop=same_prop,
        )
        count = counted(len(measurement.trials), "trial")
        say(f"{count} {'written to the new profile' if fresh else 'added to'} {save}")
        _tell_split(save)


NETWORK = ("osc_listen", "osc_allow", "mqtt_broker", "mqtt_user", "mqtt_password_file")
LIVE_ONLY = ("wanted", "contact", "reset_s", "microphone", "device", "midi_in", *NETWORK)
RECORDING_ONLY = ("way", "contact_channel", "triggers")
SAVED_ONLY = ("prop", "new_profile", "same_prop", "supply_v", "temperature_c", "note")


def _refuse_idle_options(context: click.Context, *, live: bool, save: Path | None) -> None:
    """An option that would have no effect is a mistake that somebody should hear of."""
    idle = dict.fromkeys(RECORDING_ONLY if live else LIVE_ONLY, "without --live" if live else "with --live")
    if save is None and not live:
        idle |= dict.fromkeys(SAVED_ONLY, "with --save FILE")
    for parameter in context.command.params:
        given = context.get_parameter_source(parameter.name or "") is ParameterSource.COMMANDLINE
        if given and parameter.name in idle:
            raise click.UsageError(f"{parameter.opts[0]} has an effect only {idle[parameter.name]}.")


def _tell_split(save: Path) -> None:
    """Say so where the sessions of the profile don't agree."""
    from cuesync.profile import prop_numbers, read_profile

    split = prop_numbers(read_profile(save).content).split
    if split is not None:
        say(f"Note: {save}: {split.text}.")


def _show(
    measurement: Measurement, recording: Path, picture: Path | None, *, replace: bool, as_json: bool
) -> None:
    if as_json:
        print_json(measurement_fields(measurement))
    else:
        print_measurement(measurement)
    if picture is not None:
        from cuesync.report.picture import draw_trials

        draw_trials(measurement, recording, picture, replace=replace)
        say(f"The picture is in {picture}")


def print_measurement(measurement: Measurement) -> None:
    """Table and summary on stdout; how the triggers were found, and warnings, on stderr.

    Without a trial the summary is the warnings, since those are why.
    """
    from cuesync.report.sentences import summary_lines
    from cuesync.report.tables import trials_table

    say(f"Triggers: {measurement.way_reason}")
    if not measurement.trials:
        for line in summary_lines(measurement):
            tell(line)
        return
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
        "trust": measurement.trust,
        "warnings": list(measurement.warnings),
    }
