"""`cuesync align`."""

from __future__ import annotations

from dataclasses import asdict
from math import isfinite
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
    from cuesync.plan.plan import Plan, PlannedMessages


@click.command("align")
@click.argument("scene", type=PathArgument)
@picture_option
@replace_option
@json_option
def command(scene: Path, picture: Path | None, replace: bool, as_json: bool) -> None:
    """Show when each sound and flash of SCENE must start so that all meet the pop at the guest."""
    from cuesync.plan.resolve import resolve
    from cuesync.scene.load import read_scene

    plan = resolve(read_scene(scene))
    if picture is not None:
        from cuesync.report.picture import draw_plan

        draw_plan(plan, picture, replace=replace)
        say(f"The picture is in {picture}")
    if as_json:
        print_json(plan_fields(plan, scene))
        return
    print_plan(plan)


def print_plan(plan: Plan) -> None:
    """The plan as a table, and what it means, on stdout."""
    from cuesync.report.sentences import flash_lines, hit_lines, loudness_lines, sync_lines
    from cuesync.report.tables import plan_table

    click.echo(plan_table(plan, table_width()))
    notes = [f"Note: {note}." for note in plan.remarks]
    for line in (*hit_lines(plan), *loudness_lines(plan), *sync_lines(plan), *flash_lines(plan), *notes):
        tell(line, hang=6)


def message_fields(message: PlannedMessages) -> dict[str, Any]:
    """What goes to other gear; `bytes` is its first message in hexadecimal."""
    return {
        "name": message.name,
        "at_ms": ms(message.at_s),
        "length_ms": ms(message.length_s),
        "lands_ms": ms(message.lands_s),
        "path_ms": ms(message.path_s),
        "count": len(message.messages),
        "bytes": message.messages[0][1].hex(" "),
    }


def plan_fields(plan: Plan, scene: Path) -> dict[str, Any]:
    """The plan of a scene file as JSON fields; every time counts from the trigger."""
    from cuesync.care.flash import flashes_by_view
    from cuesync.hearing.loudness import measure_loudness
    from cuesync.plan.windows import ACCEPTABLE, DETECTABLE, plan_forecast
    from cuesync.report.words import colour_text

    judged = plan_forecast(plan)

    return {
        "title": plan.title,
        "contact": plan.contact,
        "debounce_ms": ms(plan.debounce_s),
        "delay_ms": ms(plan.delay_s),
        "delay_source": plan.delay_source,
        "bias_ms": ms(plan.bias_s),
        "reset_s": plan.reset_s,
        "reset_source": plan.reset_source,
        "cue_length_ms": ms(plan.cue_length_s),
        "pops_ms": [ms(pop_s) for pop_s in plan.pops_s],
        "drive": None
        if plan.drive is None
        else {
            "output": plan.drive.output,
            "start_ms": ms(plan.drive.start_s),
            "output_delay_ms": ms(plan.drive.delay_s),
            "max_on_s": plan.drive.max_on_s,
        },
        "sounds": [
            {
                "clip": sound.clip.name,
                "hit_s": round(sound.hit_s, 6),
                "hit_kind": sound.hit_kind,
                "hit_reason": sound.hit_reason,
                "start_ms": ms(sound.start_s),
                "cut_ms": ms(sound.cut_s),
                "lands_ms": ms(sound.lands_s),
                "path_ms": ms(sound.path_s),
                "gain": round(sound.gain, 6),
                "outputs": list(sound.outputs),
                "clip_loudness": {
                    key: round(value, 2) if isfinite(value) else None
                    for key, value in asdict(measure_loudness(sound.clip.samples, sound.clip.rate_hz)).items()
                },
            }
            for sound in plan.sounds
        ],
        "lights": [
            {
                "light": light.light,
                "shape": light.shape,
                "at_ms": ms(light.at_s),
                "length_ms": ms(light.length_s),
                "lands_ms": ms(light.lands_s),
                "path_ms": ms(light.path_s),
                "frame_wait_ms": ms(light.frame_wait_s),
                "steps": [
                    {"at_ms": ms(light.at_s + step.at_s), "level": round(step.level, 6)}
                    for step in light.steps
                ],
                "colour": colour_text(light.colour),
                "priority": light.priority,
            }
            for light in plan.lights
        ],
        "messages": [message_fields(message) for message in plan.messages],
        "stop_messages": [message_fields(message) for message in plan.stop_messages],
        "flashes": flash_fields(flashes_by_view([plan]), [scene]),
        "sync": None
        if judged is None
        else {
            "pops": judged.n,
            "unnoticed": judged.unnoticed,
            "unnoticed_window_ms": [ms(DETECTABLE.late_s), ms(DETECTABLE.early_s)],
            "acceptable": judged.acceptable,
            "acceptable_window_ms": [ms(ACCEPTABLE.late_s), ms(ACCEPTABLE.early_s)],
            "best_unnoticed": judged.best_count,
            "best_bias_ms": ms(judged.best_bias_s),
            "best_bias_range_ms": [ms(judged.best_bias_low_s), ms(judged.best_bias_high_s)],
        },
        "notes": list(plan.remarks),
    }
