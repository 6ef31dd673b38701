"""The live side of `cuesync measure`."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

from cuesync.cli.common import say
from cuesync.devices.opening import PortSettings, contact_sources
from cuesync.devices.portaudio import PortAudioRecorder
from cuesync.devices.ports import HostClock
from cuesync.measuring.live import measure_live
from cuesync.measuring.trial import Conditions, Measurement
from cuesync.profile import profile_to_extend, save_session


def measure_at_prop(
    save: Path,
    prop: str | None,
    conditions: Conditions,
    *,
    wanted: int,
    contact: str,
    reset_s: float | None,
    microphone: str | None,
    microphone_channel: int,
    device: str | None,
    midi_in: str | None,
    network: dict[str, Any],
    new_profile: bool,
    same_prop: bool,
) -> Measurement:
    """Measure with the real ports; the profile at `save` has each trial as soon as it is done.

    Raises what `measure_live` and `save_session` raise; whether the profile can take the trials is looked
    at before anything moves.
    """
    profile_to_extend(save, prop, replace_profile=new_profile)
    date = datetime.now().astimezone()
    clock = HostClock()
    settings = PortSettings(midi_in=midi_in, sound_input=microphone, **network)
    (needed,) = contact_sources([contact], settings, clock)
    recorder = PortAudioRecorder(
        microphone, wanted_output=device, input_channels=microphone_channel, clock=clock
    )
    first = True

    def keep(measurement: Measurement) -> None:
        nonlocal first
        save_session(
            save,
            prop,
            measurement,
            conditions,
            date,
            replace_profile=new_profile and first,
            same_prop=same_prop,
        )
        first = False
        last = measurement.trials[-1]
        heard = "misfire" if last.delay_ms is None else f"pop after {last.delay_ms:.1f} ms"
        say(f"trial {len(measurement.trials)} of {wanted}: {heard}, kept in {save}")

    say("Fingers out of the prop: it moves when the contact closes.")
    return measure_live(
        recorder,
        needed.source,
        contact,
        clock,
        trials=wanted,
        recording_path=save.with_name(f"{save.stem}-{date:%Y-%m-%d-%H%M%S}.wav"),
        on_trial=keep,
        on_word=say,
        stop=lambda: False,
        reset_s=reset_s,
        microphone_channel=microphone_channel,
    )
