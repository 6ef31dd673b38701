"""`cuesync demo`."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path, PurePath
from shlex import quote
from typing import TYPE_CHECKING

import click

from cuesync.cli.common import PathArgument

if TYPE_CHECKING:
    from cuesync.measuring.trial import Measurement
    from cuesync.plan.plan import Plan
    from cuesync.show.rehearsal import Rehearsal

RECORDING = "attic-crone-contact.flac"
PROP = "attic crone"
PROFILE = "attic-crone-profile.toml"
SCENE = "attic-crone.toml"

GUIDE = """\
What is in this folder
======================
heard-by-the-guest.wav   listen to this first: the prop's own noise, and the cue landing on its pop
trials.png               every trial of the recording: what the microphone heard after the press
plan.html                the plan as a page: when each sound and flash starts (plan.png: just the picture)
rehearsal.wav            the cue alone, as it leaves the laptop; sample 0 is the press of the button
lights.txt               the light commands, in milliseconds after the press
scenes/                  the scene, and the profile that was measured a moment ago: open them, change them
sample_audio/            the recordings and clips

What to do next, in a terminal
==============================
{way_in}
The commands are for the scenes of this folder, and only work in it:

  cuesync check scenes/{scene}        look for mistakes after changing the scene
  cuesync align scenes/{scene}        see how the plan has changed
  cuesync run scenes/{scene} --without-lights
                                               play it: press the space bar (its lights need a MIDI interface)
  cuesync measure YOUR-RECORDING.wav --prop "your prop" --save scenes/your-prop.toml
"""


@click.command("demo")
@click.option(
    "--folder",
    type=PathArgument,
    metavar="FOLDER",
    help="Where to put the results; cuesync-demo in this folder if not given.",
)
def command(folder: Path | None) -> None:
    """Measure, align and rehearse what is shipped, and leave a folder to look at and listen to."""
    from cuesync.shipped import shipped_folder
    from cuesync.storage import refuse_existing, storage_error

    source = shipped_folder()
    if folder is None:
        folder = _free_name(Path("cuesync-demo"))
    refuse_existing(folder, replace=False, how="choose another --folder")
    try:
        folder.mkdir()
        shutil.copytree(
            source / "sample_audio",
            folder / "sample_audio",
            ignore=shutil.ignore_patterns("*.py", "__pycache__"),
        )
        shutil.copytree(source / "scenes", folder / "scenes", ignore=shutil.ignore_patterns(PROFILE, "*.png"))
    except OSError as error:
        raise storage_error(folder, error) from error
    measurement = _measure(folder)
    plan = _align(folder)
    rehearsal = _rehearse(folder, plan)
    _let_hear(folder, measurement, plan, rehearsal)
    environment = Path(sys.prefix) if sys.prefix != sys.base_prefix else None
    lines = way_in(folder.resolve(), environment, windows=os.name == "nt")
    guide = GUIDE.format(scene=SCENE, way_in="\n".join(f"  {line}" for line in lines))
    (folder / "START-HERE.txt").write_text(guide, encoding="utf-8")
    click.echo(f"\nAll is in {folder.resolve()}")
    click.echo("Begin with START-HERE.txt, and listen to heard-by-the-guest.wav.")


def way_in(folder: PurePath, environment: PurePath | None, *, windows: bool) -> list[str]:
    """What to type first: into the folder, and so that `cuesync` is found where an environment holds it."""

    def quoted(path: PurePath) -> str:
        return f'"{path}"' if windows and " " in str(path) else str(path) if windows else quote(str(path))

    lines = [f"cd {quoted(folder)}"]
    if environment is not None and windows:
        ampersand = "& " if " " in str(environment) else ""  # PowerShell would print a quoted path
        lines.append(f"{ampersand}{quoted(environment / 'Scripts' / 'activate')}")
    elif environment is not None:
        lines.append(f"source {quoted(environment / 'bin' / 'activate')}")
    return lines


def _free_name(wanted: Path) -> Path:
    number, free = 1, wanted
    while free.exists():
        number += 1
        free = wanted.with_name(f"{wanted.name}-{number}")
    return free


def _measure(folder: Path) -> Measurement:
    from datetime import datetime

    from cuesync.cli.measure import print_measurement
    from cuesync.measuring.recording import measure_recording
    from cuesync.measuring.trial import Conditions
    from cuesync.profile import save_session
    from cuesync.report.picture import draw_trials

    recording = folder / "sample_audio" / RECORDING
    click.echo(
        f"1. Measure: cuesync measure sample_audio/{RECORDING} --prop {PROP!r} --save scenes/{PROFILE}\n"
    )
    measurement = measure_recording(recording)
    print_measurement(measurement)
    save_session(
        folder / "scenes" / PROFILE,
        PROP,
        measurement,
        Conditions(supply_v=6.0, note="the shipped sample recording"),
        datetime.now().astimezone(),
    )
    draw_trials(measurement, recording, folder / "trials.png")
    return measurement


def _align(folder: Path) -> Plan:
    from cuesync.cli.align import print_plan
    from cuesync.plan.resolve import resolve
    from cuesync.report.picture import draw_plan
    from cuesync.scene.load import read_scene

    click.echo(f"\n2. Align: cuesync align scenes/{SCENE} --picture plan.html\n")
    plan = resolve(read_scene(folder / "scenes" / SCENE))
    print_plan(plan)
    draw_plan(plan, folder / "plan.html")
    draw_plan(plan, folder / "plan.png")
    return plan


def _rehearse(folder: Path, plan: Plan) -> Rehearsal:
    from cuesync.report.tables import rehearsal_table
    from cuesync.show.rehearsal import rehearse
    from cuesync.sound_file import write_wav

    click.echo(f"\n3. Rehearse: cuesync rehearse scenes/{SCENE} --out rehearsal.wav\n")
    rehearsal = rehearse(plan)
    click.echo(rehearsal_table(rehearsal, plan))
    write_wav(folder / "rehearsal.wav", rehearsal.sound, rehearsal.rate_hz)
    lines = [
        f"{at_s * 1000.0:10.1f} ms  {light} {'on' if on else 'off'}" for light, on, at_s in rehearsal.lights
    ]
    (folder / "lights.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return rehearsal


def _let_hear(folder: Path, measurement: Measurement, plan: Plan, rehearsal: Rehearsal) -> None:
    """The first cycle of the recording with the cue on top: what a guest would have heard."""
    import numpy as np

    from cuesync.sound_file import read_clip, resample, write_wav

    clip = resample(read_clip(folder / "sample_audio" / RECORDING), rehearsal.rate_hz)
    microphone = clip.samples[:, measurement.microphone_channel - 1]
    trigger = round(measurement.trials[0].trigger_s * clip.rate_hz)
    cycle = microphone[trigger : trigger + round((plan.reset_s + 0.5) * clip.rate_hz)]
    cue = rehearsal.sound
    heard = np.zeros((max(len(cycle), len(cue)), cue.shape[1]), dtype=np.float32)
    heard[: len(cycle)] += 0.5 * cycle[:, np.newaxis] / max(float(np.abs(cycle).max()), 1e-9)
    path_frames = round(plan.sounds[0].path_s * rehearsal.rate_hz)
    stop = min(len(heard), path_frames + len(cue))
    heard[path_frames:stop] += 0.5 * cue[: stop - path_frames]
    write_wav(folder / "heard-by-the-guest.wav", heard, rehearsal.rate_hz)
