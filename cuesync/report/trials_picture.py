"""A measurement as a picture: every trial's sound, laid one below the other with the triggers in line."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from cuesync.measuring.recording import FileSource
from cuesync.measuring.summary import summarise
from cuesync.measuring.trial import Measurement, Trial
from cuesync.report.drawing import INK, WAVE, Sheet, note
from cuesync.report.panels import Lane, Mark, Panel, View, draw_wave, within
from cuesync.report.tables import trial_remark
from cuesync.report.words import length_text, ms_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_TRIALS = 60
"""More than this are not drawn: nobody reads a picture two metres tall."""
BEFORE_S = 0.1
AFTER_S = 0.4
ROW_IN = 0.42
TITLE_IN = 9.1
HEADING_IN = 1.3

RELEASE: dict[str, Any] = {
    "color": INK,
    "linestyle": "none",
    "marker": "v",
    "markersize": 6,
    "markerfacecolor": "white",
}
IMPACT: dict[str, Any] = {"linewidth": 0, "marker": "x", "markersize": 5, "color": INK}

Excerpt = tuple[NDArray[np.float32], float]
"""Samples (frames,) of the microphone, and the time of the first one from the trigger."""


def describe_trials(measurement: Measurement) -> str:
    """The picture in words, for those who don't see it."""
    parts = [f"Trials: {len(measurement.trials)}."]
    for number, trial in enumerate(measurement.trials, 1):
        remark = trial_remark(trial)
        delay = "" if trial.delay_s is None else f"pop {length_text(trial.delay_s)} after the trigger"
        parts.append(f"{number}: {', '.join(part for part in (delay, remark) if part)}.")
    return " ".join(parts)


def trials_figure(measurement: Measurement, recording: Path) -> Figure:
    """The picture, to be called within `drawing_settings`."""
    from matplotlib.lines import Line2D

    trials = measurement.trials[:MOST_TRIALS]
    delays_s = [trial.delay_s for trial in measurement.trials if trial.delay_s is not None]
    # a first delay ten times the others' must not squeeze them all
    longest_s = min(max(delays_s, default=1.0), 3 * median(delays_s) if delays_s else 1.0)
    view_s = (-BEFORE_S, longest_s + AFTER_S)
    outliers = summarise([trial.delay_s for trial in measurement.trials]).outliers
    excerpts = list(_excerpts(measurement, recording, trials, view_s))
    peak = max((float(np.max(np.abs(samples), initial=0.0)) for samples, _ in excerpts), default=0.0) or 1.0
    marks = [Mark(name="trigger", at_s=0.0, text="trigger", style=(0, (5, 1.5, 1, 1.5)))]
    if delays_s:
        middle_s = median(delays_s)
        text = f"median {length_text(middle_s)}"
        marks.append(Mark(name="median", at_s=middle_s, text=text, style=(0, (6, 2)), width=0.9))
    measure = Sheet(1.0)
    panel = Panel(
        "trials",
        "Each trial from its trigger",
        view_s,
        pop_s=None,
        marks=marks,
        lanes=[
            _trial_lane(number, trial, excerpt, view_s, peak, measurement.rate_hz, number in outliers)
            for number, (trial, excerpt) in enumerate(zip(trials, excerpts, strict=True), 1)
        ],
        measure=measure,
    )
    sheet = Sheet(HEADING_IN + panel.height_in + 0.9)
    style: dict[str, Any] = {"size": 15, "weight": "bold"}
    sheet.text(0.25, 0.16, sheet.fitting(measurement.recording, TITLE_IN, **style), **style)
    for row, text in enumerate(_heading(measurement, len(trials), delays_s)):
        sheet.text(0.25, 0.5 + 0.17 * row, text, size=9)
    panel.draw(sheet, HEADING_IN)
    sheet.figure.legend(
        [Line2D([], [], **RELEASE), Line2D([], [], **IMPACT)],
        ["pop: the spring lets go", "impact"],
        loc="lower center",
        bbox_to_anchor=(0.5, 0.06 / sheet.height_in),
        ncols=2,
        frameon=False,
        fontsize=8,
    )
    return sheet.figure


def _heading(measurement: Measurement, drawn: int, delays_s: list[float]) -> list[str]:
    total = len(measurement.trials)
    first = f"{len(delays_s)} pops at {total} triggers" + (
        f"; the first {drawn} are drawn." if drawn < total else "."
    )
    if len(delays_s) < 2:
        return [first]
    spread = f"from {ms_text(min(delays_s))} to {ms_text(max(delays_s))} ms after the trigger"
    return [first, f"Pops {spread}, median {ms_text(median(delays_s))} ms."]


def _excerpts(
    measurement: Measurement, recording: Path, trials: tuple[Trial, ...], view_s: View
) -> Iterator[Excerpt]:
    """What the microphone heard around each trigger; RecordingError where the recording can't be read."""
    with FileSource(recording) as source:
        for trial in trials:
            first = max(0, round((trial.trigger_s + view_s[0]) * source.rate_hz))
            last = round((trial.trigger_s + view_s[1]) * source.rate_hz)
            samples = source.window(measurement.microphone_channel - 1, first, last).astype(np.float32)
            yield samples, first / source.rate_hz - trial.trigger_s


def _trial_lane(
    number: int, trial: Trial, excerpt: Excerpt, view_s: View, peak: float, rate_hz: int, outlier: bool
) -> Lane:
    samples, first_s = excerpt

    def draw(axes: Axes, top_in: float) -> None:
        middle_in, reach_in = top_in + ROW_IN * 0.58, ROW_IN * 0.38
        draw_wave(
            axes,
            samples,
            rate_hz,
            first_s,
            view_s,
            view_s,
            middle_in=middle_in,
            reach_in=reach_in,
            peak=peak,
            colour=WAVE,
            gid=f"trials-wave-{number}",
        )
        for name, style, at_s, y_in in (
            ("pop", RELEASE, trial.pop_s, top_in + 0.08),
            ("impact", IMPACT, trial.impact_s, top_in + ROW_IN - 0.06),
        ):
            if at_s is None:
                continue
            after_s = at_s - trial.trigger_s
            if within(after_s, view_s):
                axes.plot([after_s], [y_in], **style, zorder=5, gid=f"trials-{name}-{number}")
            else:
                words = f"{name} at {length_text(after_s)}, out of view"
                note(axes, 0.994, y_in, words, transform=axes.get_yaxis_transform(), ha="right")

    remark = trial_remark(trial, outlier=outlier)
    delay = "" if trial.delay_s is None else f"{ms_text(trial.delay_s)} ms"
    detail = ", ".join(part for part in (delay, remark) if part)
    return Lane(title=f"trial {number}", detail=detail, height_in=ROW_IN, draw=draw)
