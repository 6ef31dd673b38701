"""From a scene's show control and time code to MIDI messages with their times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

from cuesync.devices.time_code import running
from cuesync.errors import Problem
from cuesync.plan.plan import PlannedMessages
from cuesync.scene.load import SceneFile
from cuesync.scene.message_parts import ShowControlPart, TimeCodePart
from cuesync.signs import light_send_s


@dataclass(frozen=True, slots=True, kw_only=True)
class MessagePlan:
    """What can be planned, what is sent when all is stopped, and what is wrong."""

    messages: tuple[PlannedMessages, ...]
    stop_messages: tuple[PlannedMessages, ...]
    problems: tuple[Problem, ...]


def plan_messages(scene_file: SceneFile, delay_s: float, others_end_s: float) -> MessagePlan:
    """Resolve everything that goes to other gear.

    `delay_s`: trigger to pop. `others_end_s`: from the trigger to the end of the last sound or light.
    """
    scene = scene_file.content
    messages: list[PlannedMessages] = []
    stop_messages: list[PlannedMessages] = []
    problems: list[Problem] = []
    for place, part in enumerate(scene.show_control):
        planned = _show_control(part, delay_s)
        if part.at_ms is None:
            stop_messages.append(planned)
        elif planned.at_s >= 0.0:
            messages.append(planned)
        else:
            early_ms = -planned.at_s * 1000.0
            problems.append(
                scene_file.problem(
                    ("show_control", place, "at_ms"),
                    f"{part.at_ms:g} can't be reached: the command would have to leave {early_ms:.1f} ms "
                    "before the trigger.",
                    f"Write {ceil(part.at_ms + early_ms)} or more.",
                )
            )
    if scene.time_code is not None:
        ends_s = [others_end_s, *(message.at_s for message in messages)]
        code = _time_code(scene.time_code, delay_s, max(ends_s))
        if code.messages:
            messages.append(code)
        else:
            problems.append(
                scene_file.problem(
                    ("time_code",),
                    "the cue is too short for a single whole time.",
                    "Give off_ms = …, in milliseconds from the pop, or leave the time code out.",
                )
            )
    return MessagePlan(
        messages=tuple(messages),
        stop_messages=tuple(stop_messages),
        problems=tuple(problems),
    )


def time_code_problems(files: Sequence[SceneFile]) -> tuple[Problem, ...]:
    """Scenes that can be played together may not send two time codes: other gear follows one."""
    sending = [file for file in files if file.content.time_code is not None]
    return tuple(
        file.problem(
            ("time_code",),
            f"{sending[0].path} sends time code as well, and other gear can follow only one.",
            "Leave it in one of the scenes.",
        )
        for file in sending[1:]
    )


def _show_control(part: ShowControlPart, delay_s: float) -> PlannedMessages:
    path_s = part.gear_delay_ms / 1000.0
    send_s = 0.0 if part.at_ms is None else light_send_s(delay_s, part.at_ms / 1000.0, path_s)
    return PlannedMessages(
        name=part.name,
        at_s=send_s,
        lands_s=send_s + path_s,
        path_s=path_s,
        messages=((0.0, part.data),),
    )


def _time_code(part: TimeCodePart, delay_s: float, cue_end_s: float) -> PlannedMessages:
    """From the trigger on; each quarter frame leaves `gear_delay_ms` before the time that it tells."""
    path_s = part.gear_delay_ms / 1000.0
    until_s = cue_end_s if part.off_ms is None else delay_s + part.off_ms / 1000.0
    messages = running(
        part.pop_frame, part.frame_rate, pop_s=delay_s - path_s, from_s=0.0, until_s=until_s - path_s
    )
    return PlannedMessages(
        name=f"time code {part.rate}",
        at_s=0.0,
        lands_s=path_s,
        path_s=path_s,
        messages=messages,
        code=(part.pop_frame, part.frame_rate),
    )
