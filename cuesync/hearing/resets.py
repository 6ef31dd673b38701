"""When a prop is still again: the end of the motor's noise, or a limit switch on the contact's channel."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from cuesync.hearing import picker
from cuesync.hearing.scan import Coarse
from cuesync.hearing.triggers import Edge

LEAST_MOTOR_DB = 6.0
"""So far must the motor stand out of the rest's sound before its end is believed."""


def still_again_frame(
    coarse: Coarse, channel: int, trigger_frame: float, pop_frame: float, stop_frame: float
) -> float | None:
    """Frame at which the motor was heard to stop, or None where no motor can be heard, or no end of it.

    The levels of the rest (before the trigger) and of the motor (between trigger and pop) are medians over
    20 ms stretches, so that clicks don't count; the end is the last time the level passes half-way between
    the two in decibels.
    """
    trigger, pop = coarse.block_at(trigger_frame), coarse.block_at(pop_frame)
    begin, stop = max(0, trigger - round(1.0 / coarse.block_s)), coarse.block_at(stop_frame)
    level_db = 10.0 * np.log10(coarse.energy_between(channel, begin, stop, 10) + 1e-20)
    rest = level_db[: max(0, trigger - begin - round(0.02 / coarse.block_s))]
    motor = level_db[
        trigger - begin + round(0.1 / coarse.block_s) : pop - begin - round(0.03 / coarse.block_s)
    ]
    least = round(0.1 / coarse.block_s)
    if len(rest) < least or len(motor) < least:
        return None
    rest_db, motor_db = float(picker.median(rest)), float(picker.median(motor))
    if motor_db - rest_db < LEAST_MOTOR_DB:
        return None
    after = level_db[pop - begin :]
    width = round(0.1 / coarse.block_s)
    rows = len(after) // width
    if rows < 3:
        return None
    steady = picker.median(after[: rows * width].reshape(rows, width))
    loud = np.flatnonzero(steady > (rest_db + motor_db) / 2.0)
    if not len(loud) or loud[-1] >= rows - 2:
        return None
    return float((pop + (int(loud[-1]) + 1) * width) * coarse.block_frames)


def limit_closings(triggers: Sequence[float], popped: Sequence[bool]) -> list[int]:
    """Which of the closings are a limit switch's, not the button's.

    Button and limit switch take turns, so only every other closing is followed by a pop; the recording
    starts with the button, and the limit switch comes about as long after it every time (within 5 %).
    A misfire does none of that.
    """
    if not popped:
        return []
    for button_pops in (popped[0], not popped[0]):
        after = [i for i in range(1, len(triggers)) if popped[i - 1] == button_pops != popped[i]]
        if len(after) < 2 or len(after) < 0.7 * sum(popped):
            continue
        waits = np.array([triggers[i] - triggers[i - 1] for i in after])
        usual = float(picker.median(waits))
        if float(picker.median(np.abs(waits - usual))) <= 0.05 * usual:
            return after
    return []


def limit_frames(
    edges: Sequence[Edge],
    triggers: Sequence[float],
    pops: Sequence[float | None],
    stops: Sequence[float],
) -> list[float | None]:
    """Frame at which the limit switch says "ready" in each trial, None where it says nothing.

    It is the first edge after the pop that isn't the button being let go (the first edge back after the
    trigger). To be believed it must be there in most trials that popped, about as long after the trigger.
    """
    found: list[float | None] = []
    for trigger, pop, stop in zip(triggers, pops, stops, strict=True):
        inside = [edge for edge in edges if trigger < edge.frame < stop]
        if pop is None or not inside:
            found.append(None)
            continue
        # the button is let go by the first edge the other way; in "closings" all triggers go one way
        first = next((edge for edge in edges if edge.frame == trigger), None)
        back = next((edge for edge in inside if first is None or edge.height * first.height < 0.0), None)
        found.append(next((edge.frame for edge in inside if edge is not back and edge.frame > pop), None))
    waits = [at - trigger for at, trigger in zip(found, triggers, strict=True) if at is not None]
    if len(waits) < 2 or len(waits) < 0.6 * sum(pop is not None for pop in pops):
        return [None] * len(found)
    usual = float(picker.median(waits))
    steady = float(picker.median(np.abs(np.array(waits) - usual))) <= 0.1 * usual
    return found if steady else [None] * len(found)
