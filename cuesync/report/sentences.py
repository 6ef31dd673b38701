"""What the numbers mean, in sentences that a tired person can act on."""

from __future__ import annotations

from collections.abc import Sequence
from math import log10

from cuesync.care.flash import FLASHES_PER_SECOND, ViewFlashes, flashes_by_view
from cuesync.counted import counted
from cuesync.hearing.loudness import measure_loudness
from cuesync.measuring.summary import Summary, summarise
from cuesync.measuring.trial import Measurement
from cuesync.plan.plan import Plan
from cuesync.plan.windows import ACCEPTABLE, DETECTABLE, plan_forecast
from cuesync.report.words import ms_text


def hit_lines(plan: Plan) -> list[str]:
    """For each clip: where its hit is, and why there."""
    return [
        f"Hit of {sound.clip.name}: {sound.hit_s:.4f} s into the clip ({sound.hit_kind}): {sound.hit_reason}."
        for sound in plan.sounds
    ]


def loudness_lines(plan: Plan) -> list[str]:
    """For each clip how loud it is as the scene plays it, its level_db included."""
    lines = []
    for sound in plan.sounds:
        loud = measure_loudness(sound.clip.samples, sound.clip.rate_hz)
        gain_db = 20.0 * log10(sound.gain)
        lines.append(
            f"Loudness of {sound.clip.name} as played: {loud.integrated_lufs + gain_db:.1f} LUFS integrated, "
            f"{loud.short_term_max_lufs + gain_db:.1f} at its loudest 3 s, "
            f"true peak {loud.true_peak_db + gain_db:.1f} dB."
        )
    return lines


def flash_lines(plan: Plan) -> list[str]:
    """How many flashes this scene makes on its own; nothing where it has no light."""
    lines = []
    for view in flashes_by_view([plan]):
        (scene,) = view.scenes
        if view.unexplained:
            said = (
                f"{view.what}; more than {FLASHES_PER_SECOND} (WCAG 2.3.1) are not played without a written "
                "reason, see cuesync check."
            )
        elif view.over_limit:
            said = f"{view.note(scene)}."
        else:
            said = (
                f"at most {view.per_second} within one second, {view.red_per_second or 'none'} of them red. "
                f"All scenes in view together may have {FLASHES_PER_SECOND} (WCAG 2.3.1)."
            )
        lines.append(f"Flashes: {said}")
    return lines


def flash_sum_lines(views: Sequence[ViewFlashes]) -> list[str]:
    """For each view, how many flashes all its scenes make together at the worst moment."""
    lines = []
    for view in views:
        number = sum(scene.counts for scene in view.scenes)
        place = f" in the view {view.view!r}" if view.view else ""
        if not number:
            lines.append(f"flashes{place}: all lights together are too small to count (WCAG 2.3.1)")
            continue
        red = view.red_per_second or "none"
        said = f"at most {view.per_second} within one second{place}, {red} of them red"
        of = f"{number} scenes added up" if number > 1 else "one scene"
        lines.append(f"flashes of {of}: {said}; the limit is {FLASHES_PER_SECOND} (WCAG 2.3.1)")
    return lines


_SCATTER_UNKNOWN = "No measured pops: nobody knows yet how far the prop scatters. Measure it to find out."


def rehearsal_lines(plan: Plan) -> list[str]:
    """What a rehearsal of this plan leaves out of what a prop does."""
    if not plan.pops_s:
        return [f"{_SCATTER_UNKNOWN} Here each pop came after the time given in the scene."]
    if plan.misfires:
        of = f"{plan.misfires} of {plan.misfires + len(plan.pops_s)} triggers"
        return [f"Misfires: left out here. When the prop was measured, {of} had no pop."]
    return []


def sync_lines(plan: Plan) -> list[str]:
    """How many of the measured pops the guest would have taken for one event, and which bias is best."""
    judged = plan_forecast(plan)
    if judged is None:
        return [_SCATTER_UNKNOWN]
    lines = [
        f"Sync: with {judged.unnoticed} of the {judged.n} measured pops nobody would notice that the "
        "sound is early or late",
        f"      ({_window(DETECTABLE.early_s, DETECTABLE.late_s)}), with {judged.acceptable} it passes",
        f"      ({_window(ACCEPTABLE.early_s, ACCEPTABLE.late_s)}; ITU-R BT.1359-1).",
    ]
    low, high = (ms_text(limit_s, sign=True) for limit_s in (judged.best_bias_low_s, judged.best_bias_high_s))
    if judged.best_count > judged.unnoticed:
        lines.append(
            f"Bias: bias_ms = {judged.best_bias_s * 1000.0:.1f} would catch most, {judged.best_count} of "
            f"{judged.n} (anything from {low} to {high} does)."
        )
    else:
        lines.append(f"Bias: {ms_text(plan.bias_s, sign=True)} ms is as good as any from {low} to {high} ms.")
    return lines


def _window(early_s: float, late_s: float) -> str:
    return f"sound up to {ms_text(early_s)} ms early or {ms_text(-late_s)} ms late"


def summary_lines(measurement: Measurement) -> list[str]:
    """The delay in numbers, and how far to trust it."""
    trials = measurement.trials
    if not trials:
        return ["No trial counted, so there is no delay.", *map(_sentence, measurement.warnings)]
    summary = summarise([trial.delay_s for trial in trials], [trial.reset_s for trial in trials])
    if summary.median_ms is None:
        return ["No pop was found, so there is no delay."]
    lines = [f"Delay: median {summary.median_ms:.1f} ms of {counted(summary.n, 'pop')}" + _interval(summary)]
    if summary.sd_ms is not None:
        lines.append(
            f"       mean {summary.mean_ms:.1f}, standard deviation {summary.sd_ms:.1f}, smallest "
            f"{summary.min_ms:.1f}, largest {summary.max_ms:.1f}, spread {summary.spread_ms:.1f} ms"
        )
    if summary.misfires:
        lines.append(f"Misfires: {summary.misfires} of {counted(len(trials), 'trigger')} had no pop")
    if summary.outliers:
        named = ", ".join(str(number) for number in summary.outliers)
        lines.append(f"Outliers: trial {named} (modified z above 3.5). Listen to them before you trust them.")
    if summary.reset_s is not None:
        lines.append(f"Reset: {summary.reset_s:.1f} s after the trigger at the latest")
    else:
        lines.append("Reset: could not be heard; write reset_s = … into the scene")
    if measurement.trust:
        lines.append(measurement.trust)
    return lines


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:].rstrip('.')}."


def _interval(summary: Summary) -> str:
    if summary.median_low_ms is None or summary.median_confidence is None:
        return " (too few for a 95 % interval: make 6 trials or more)"
    return (
        f" (95 % interval {summary.median_low_ms:.1f} to {summary.median_high_ms:.1f}, "
        f"by ranks at {summary.median_confidence * 100:.1f} %)"
    )
