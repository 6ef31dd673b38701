"""When a prop is still again: the end of the motor's noise after the pop."""

from __future__ import annotations

import numpy as np

from cuesync.hearing.scan import Coarse

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
    rest_db, motor_db = float(np.median(rest)), float(np.median(motor))
    if motor_db - rest_db < LEAST_MOTOR_DB:
        return None
    after = level_db[pop - begin :]
    width = round(0.1 / coarse.block_s)
    rows = len(after) // width
    if rows < 3:
        return None
    steady = np.median(after[: rows * width].reshape(rows, width), axis=1)
    loud = np.flatnonzero(steady > (rest_db + motor_db) / 2.0)
    if not len(loud) or loud[-1] >= rows - 2:
        return None
    return float((pop + (int(loud[-1]) + 1) * width) * coarse.block_frames)
