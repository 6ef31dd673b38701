"""The one audio timeline: which frame goes with which host time.

The sound card asks for a block every so often; when exactly the program wakes up for it is noisy. A
delay-locked loop (F. Adriaensen, "Using a DLL to filter time", 2005) turns these noisy moments into a
straight line through host time and frames. Only differences of host time are used, never an epoch.

What differs from the paper: the bandwidth starts wide and narrows with the time since the start, so the
line is good after ten blocks; a single late block (another thread was busy) is held to a few
times the usual spread; and a step that lasts is taken at once: a large one (the card lost sound) skips
frames, so that what is planned for a host time stays there, a small one moves the line. How long it must
last depends on how equal the blocks are. A sound server loses whole blocks; that leaves the line itself as
exact as it was. Blocks asked for in one go (a driver with a longer block than ours) count as one long
block.

`block` runs on the sound card's thread. All that others read is one tuple, swapped in one step.
"""

from __future__ import annotations

import math
from typing import NamedTuple

# How long a step must last: blocks can't come early by chance, but on a busy computer many can be late.
_EARLY_CHECK_S = 0.05
_LOST_CHECK_S = 0.1
_LATE_CHECK_S = 0.5
_STEP_CHECK_BLOCKS = 4
_LEAST_STEP_S = 0.0003
# Chance makes no blocks late by the same: as many as these in a row are believed sooner.
_EQUAL_S = 0.0002
_EQUAL_LOST_BLOCKS = 3
_EQUAL_MOVED_BLOCKS = 6
_IN_ONE_GO = 0.25
_NARROW_AGAIN_S = 0.2
_FREE_BLOCKS = 8
_SETTLE_BLOCKS = 10
_LEAST_GATE_S = 0.0002
_FREQUENCY_FROM_S = 1.0
_MOST_RATE_ERROR = 0.002


class Line(NamedTuple):
    """Goes through this frame at this host time."""

    host_s: float
    frame: int
    frame_s: float

    def frame_at(self, host_s: float) -> float:
        """The frame that is handed over at this host time."""
        return self.frame + (host_s - self.host_s) / self.frame_s


class Timeline:
    """Frames count up from the first block, through restarts and lost sound."""

    def __init__(self, rate_hz: int, *, bandwidth_hz: float = 0.1, settle_s: float = 0.15) -> None:
        self._rate_hz = rate_hz
        self._bandwidth_hz = bandwidth_hz
        self._settle_s = settle_s
        self._frame_s = 1.0 / rate_hz
        self._next_frame = 0
        self._last_frames = 0
        self._piece_s = 0.0
        self._asked_s = 0.0
        self._blocks = 0
        self._elapsed_s = 0.0
        self._spread_s = 0.0
        self._odd_blocks = 0
        self._odd_s = 0.0
        self._odd_error_s = 0.0
        self._last_error_s = 0.0
        self._equal_blocks = 0
        self._fresh = True
        self._settled = False
        self._skipped_frames = 0
        self._line: tuple[float, int, float] | None = None  # host time, frame, seconds per frame

    @property
    def locked(self) -> bool:
        """True once the line can be trusted."""
        return self._settled and not self._fresh

    @property
    def skipped_frames(self) -> int:
        """Frames that the card lost so far, as seen from the host's clock."""
        return self._skipped_frames

    def frame_at(self, host_s: float) -> float:
        """The frame that is handed over at this host time. RuntimeError before the first block."""
        return self.line().frame_at(host_s)

    def line(self) -> Line:
        """The line as it is now, and stays. RuntimeError before the first block."""
        line = self._line  # once: the sound card's thread swaps it
        if line is None:
            raise RuntimeError("the timeline has no block yet")
        return Line(*line)

    def restart(self) -> None:
        """A new stream begins: the next block is placed by host time and the line found afresh."""
        self._fresh = True

    def block(self, host_s: float, frames: int) -> int:
        """A block of `frames` is asked for at `host_s`; gives its first frame.

        For the sound card's thread; what others see changes in one step.
        """
        line = self._line
        if self._fresh or line is None:
            return self._first_block(host_s, frames, line)
        since_s, self._asked_s = host_s - self._asked_s, host_s
        soon_s, self._piece_s = _IN_ONE_GO * self._piece_s, frames * self._frame_s
        if since_s < soon_s:
            first_frame = self._next_frame
            self._last_frames += frames
            self._next_frame += frames
            return first_frame
        block_s = self._last_frames * self._frame_s
        predicted_s = line[0] + block_s
        error_s = host_s - predicted_s
        first_frame = self._next_frame

        lost_s = min(0.005, max(0.001, 0.75 * block_s))
        step_s = self._step(error_s, lost_s)
        if step_s:
            lost_frames = round(step_s / self._frame_s)
            off_frames = lost_frames - round(lost_frames / self._last_frames) * self._last_frames
            if abs(off_frames) * self._frame_s < _EQUAL_S:
                lost_frames -= off_frames
            else:
                self._elapsed_s = min(self._elapsed_s, _NARROW_AGAIN_S)
            if abs(step_s) >= lost_s:
                first_frame += lost_frames
                self._skipped_frames += lost_frames
            predicted_s += lost_frames * self._frame_s
            error_s = host_s - predicted_s

        self._blocks += 1
        self._elapsed_s += block_s
        self._settled = self._settled or (
            self._blocks >= _SETTLE_BLOCKS and self._elapsed_s >= self._settle_s
        )
        if self._blocks > _FREE_BLOCKS:
            gate_s = max(_LEAST_GATE_S, 4.0 * self._spread_s)
            error_s = min(gate_s, max(-gate_s, error_s))
        self._spread_s += (abs(error_s) - self._spread_s) * max(0.02, 1.0 / self._blocks)

        bandwidth_hz = max(self._bandwidth_hz, 0.16 / self._elapsed_s)
        omega = 2.0 * math.pi * bandwidth_hz * block_s
        if self._elapsed_s > _FREQUENCY_FROM_S:
            self._frame_s += omega * omega * error_s / self._last_frames
            nominal_s = 1.0 / self._rate_hz
            self._frame_s = min(
                nominal_s * (1.0 + _MOST_RATE_ERROR), max(nominal_s * (1.0 - _MOST_RATE_ERROR), self._frame_s)
            )
        filtered_s = predicted_s + min(1.0, math.sqrt(2.0) * omega) * error_s

        self._line = (filtered_s, first_frame, self._frame_s)
        self._last_frames = frames
        self._next_frame = first_frame + frames
        return first_frame

    def _first_block(self, host_s: float, frames: int, line: tuple[float, int, float] | None) -> int:
        first_frame = self._next_frame
        if line is not None:
            first_frame = max(first_frame, round(line[1] + (host_s - line[0]) / line[2]))
        self._blocks = 0
        self._elapsed_s = 0.0
        self._settled = False
        self._odd_blocks = 0
        self._equal_blocks = 0
        self._line = (host_s, first_frame, self._frame_s)
        self._asked_s = host_s
        self._piece_s = frames * self._frame_s
        self._last_frames = frames
        self._next_frame = first_frame + frames
        self._fresh = False
        return first_frame

    def _step(self, error_s: float, lost_s: float) -> float:
        """How far the blocks have moved off the line, once that has lasted; 0 otherwise.

        A busy computer makes single blocks late, so the smallest error of the last blocks is what counts.
        From `lost_s` on it takes lost sound, or a lot of it asked for in advance.
        """
        equal = abs(error_s - self._last_error_s) < _EQUAL_S
        self._equal_blocks = self._equal_blocks + 1 if equal else 1
        self._last_error_s = error_s
        self._odd_s += self._last_frames * self._frame_s
        if abs(error_s) < _LEAST_STEP_S or (self._odd_blocks and (error_s > 0) != (self._odd_error_s > 0)):
            self._odd_blocks = 0
            return 0.0
        if self._odd_blocks == 0:
            self._odd_s = 0.0
        if self._odd_blocks == 0 or abs(error_s) < abs(self._odd_error_s):
            self._odd_error_s = error_s
        self._odd_blocks += 1
        equal_blocks = _EQUAL_LOST_BLOCKS if self._odd_error_s >= lost_s else _EQUAL_MOVED_BLOCKS
        if min(self._equal_blocks, self._odd_blocks) >= equal_blocks:
            self._odd_blocks = 0
            return error_s
        if self._odd_error_s < 0:
            check_s = _EARLY_CHECK_S
        else:
            check_s = _LOST_CHECK_S if self._odd_error_s >= lost_s else _LATE_CHECK_S
        if self._odd_blocks < _STEP_CHECK_BLOCKS or self._odd_s < check_s:
            return 0.0
        self._odd_blocks = 0
        return self._odd_error_s
