"""Pictures in one file: .png for a message, .svg for print, .html as a page with the numbers beside it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from cuesync.measuring.trial import Measurement
from cuesync.plan.plan import Plan
from cuesync.report.drawing import check_suffix, drawing_settings, save
from cuesync.report.plan_picture import describe_plan, plan_figure
from cuesync.report.tables import plan_events, pops_table, rehearsal_rows, trial_rows
from cuesync.report.trials_picture import describe_trials, trials_figure
from cuesync.storage import refuse_existing, refuse_missing_folder

if TYPE_CHECKING:
    from cuesync.show.rehearsal import Rehearsal

HOW = "choose another name, or add --replace"


def check_place(path: Path, *, replace: bool) -> None:
    """Whether a picture can go to `path`, as far as that is known before anything is drawn.

    Raises:
        InputError: `path` ends in something that is no picture.
        StorageError: `path` is there and `replace` is False, or its folder is not.
    """
    check_suffix(path)
    refuse_existing(path, replace=replace, how=HOW)
    refuse_missing_folder(path)


def draw_plan(plan: Plan, path: Path, *, rehearsal: Rehearsal | None = None, replace: bool = False) -> None:
    """Draw a plan as .png, .svg or .html; with `rehearsal` also how the rehearsed presses came out.

    The same plan gives the same bytes.

    Raises:
        InputError: `path` ends in something else.
        StorageError: `path` is there and `replace` is False, or it can't be written.
    """
    check_place(path, replace=replace)
    names = [sound.clip.name for sound in plan.sounds] + [light.light for light in plan.lights]
    names += [message.name for message in plan.messages]
    rehearsed = () if rehearsal is None else rehearsal_rows(rehearsal, plan)
    with drawing_settings([plan.title, plan.delay_source, *names]):
        save(
            plan_figure(plan, rehearsal),
            path,
            title=plan.title or "Cue",
            description=describe_plan(plan, rehearsal),
            tables=[plan_events(plan), pops_table(plan), *rehearsed],
            notes=plan.remarks,
            replace=replace,
        )


def draw_trials(measurement: Measurement, recording: Path, path: Path, *, replace: bool = False) -> None:
    """Draw what the microphone heard after each trigger of `recording`, with pop and impact marked.

    The same measurement and recording give the same bytes.

    Raises:
        InputError: `path` ends in something else.
        RecordingError: `recording` can't be read.
        StorageError: `path` is there and `replace` is False, or it can't be written.
    """
    check_place(path, replace=replace)
    with drawing_settings([measurement.recording]):
        save(
            trials_figure(measurement, recording),
            path,
            title=f"Trials in {measurement.recording}",
            description=describe_trials(measurement),
            tables=[trial_rows(measurement)],
            notes=measurement.warnings,
            replace=replace,
        )
