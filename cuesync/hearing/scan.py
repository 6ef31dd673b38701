"""One cheap pass over a recording of any length: energies of short blocks, in three views.

The pass never keeps the sound itself. What it keeps, three numbers for every 2 ms and channel, is enough to
know where it is worth looking again at full rate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

BLOCK_S = 0.002
"""Length of a block; fine work starts from a place that is known this well."""

FloatArray = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coarse:
    """What a scan kept; the three arrays have the shape (channels, blocks).

    `power` is the sum of squares of a block's samples, `total` their sum, `sharp` the sum of squares of the
    differences between neighbouring samples (a view in which hum and rumble vanish). A rest shorter
    than a block at the end of the recording is left out.
    """

    rate_hz: int
    block_frames: int
    frames: int
    power: FloatArray
    total: FloatArray
    sharp: FloatArray

    @property
    def blocks(self) -> int:
        return int(self.power.shape[1])

    @property
    def block_s(self) -> float:
        return self.block_frames / self.rate_hz

    def block_at(self, frame: float) -> int:
        """The block that holds a frame, kept inside the recording."""
        return max(0, min(int(frame // self.block_frames), self.blocks - 1))

    def energy(self, channel: int, blocks: int = 5) -> FloatArray:
        """Energy about the mean over `blocks` neighbouring blocks, one value a block, centred on it.

        Removing the mean takes out offset and the lowest hum; ten milliseconds are about what an impact
        fills.
        """
        return _windowed_energy(self.power[channel], self.total[channel], blocks, self.block_frames)

    def sharp_energy(self, channel: int, blocks: int = 5) -> FloatArray:
        """The sharp view summed over `blocks` neighbouring blocks, centred."""
        return _running_sum(self.sharp[channel], blocks)

    def energy_between(self, channel: int, start: int, stop: int, blocks: int = 5) -> FloatArray:
        """`energy` of blocks start … stop only."""
        low, high = max(0, start - blocks), min(self.blocks, stop + blocks)
        part = _windowed_energy(
            self.power[channel, low:high], self.total[channel, low:high], blocks, self.block_frames
        )
        return part[start - low : stop - low]


def _windowed_energy(power: FloatArray, total: FloatArray, blocks: int, block_frames: int) -> FloatArray:
    """Energy about the mean in a running window of `blocks` blocks; shape as `power`."""
    sums = _running_sum(total, blocks)
    energy: FloatArray = _running_sum(power, blocks) - sums * sums / np.float32(blocks * block_frames)
    return np.maximum(energy, np.float32(0.0))


def _running_sum(values: FloatArray, width: int) -> FloatArray:
    """Sum over `width` neighbours, centred; shorter windows at both ends. Few terms, so float32 will do."""
    sums = values.copy()
    for shift in range(1, width // 2 + 1):
        sums[shift:] += values[:-shift]
    for shift in range(1, (width - 1) // 2 + 1):
        sums[:-shift] += values[shift:]
    return sums


class CoarseScan:
    """Takes a recording block by block and boils it down to a `Coarse`.

    Blocks have the shape (frames, channels), all of one kind: `int16`, taken as parts of 32768, or floating.
    """

    def __init__(self, rate_hz: int, channels: int, frames: int = 0) -> None:
        """`frames`, if known, saves making room again and again."""
        self.rate_hz = rate_hz
        self.channels = channels
        self.block_frames = max(4, round(rate_hz * BLOCK_S))
        self._frames = 0
        # a block's end waits here until the rest of its samples come, behind the one before it
        self._ends: FloatArray = np.zeros((channels, self.block_frames), dtype=np.float32)
        self._waiting = 0
        self._line: FloatArray = np.zeros(0, dtype=np.float32)
        self._steps: FloatArray = np.zeros(0, dtype=np.float32)
        self._offset: FloatArray | None = None
        self._scale = np.float32(1.0)
        self._views: FloatArray = np.zeros((3, channels, frames // self.block_frames), dtype=np.float32)
        self._filled = 0

    def feed(self, block: NDArray[np.float32] | NDArray[np.float64] | NDArray[np.int16]) -> None:
        """Take the next block."""
        if not len(block):
            return
        self._frames += len(block)
        if block.dtype == np.int16:
            self._scale = np.float32(1.0 / 32768.0)
        if self._offset is None:
            # a constant offset would drown small energies in rounding
            self._offset = block[:65536].mean(axis=0).astype(np.float32)
            self._ends[:, 0] = block[0] - self._offset
        size, old = self.block_frames, 1 + self._waiting
        count, self._waiting = divmod(self._waiting + len(block), size)
        stop = count * size
        if len(self._line) < old + len(block):
            self._line, self._steps = np.empty((2, old + len(block)), dtype=np.float32)
        line, steps = self._line[: old + len(block)], self._steps[:stop]
        part = self._room(count)
        for channel in range(self.channels):
            line[:old] = self._ends[channel, :old]
            np.subtract(
                np.ascontiguousarray(block[:, channel]),
                self._offset[channel],
                out=line[old:],
                dtype=np.float32,
            )
            rows = line[1 : 1 + stop].reshape(count, size)
            np.einsum("ij,ij->i", rows, rows, out=part[0, channel])
            np.einsum("ij->i", rows, out=part[1, channel])
            np.subtract(line[1 : 1 + stop], line[:stop], out=steps)
            rows = steps.reshape(count, size)
            np.einsum("ij,ij->i", rows, rows, out=part[2, channel])
            self._ends[channel, : 1 + self._waiting] = line[stop:]
        part[0::2] *= self._scale * self._scale
        part[1] *= self._scale
        self._filled += count

    def _room(self, count: int) -> FloatArray:
        """The next `count` places of the views, made longer where they don't suffice."""
        end = self._filled + count
        have = self._views.shape[2]
        if end > have:
            more = np.zeros((3, self.channels, max(end - have, have)), dtype=np.float32)
            self._views = np.concatenate([self._views, more], axis=2)
        return self._views[:, :, self._filled : end]

    def finish(self) -> Coarse:
        """The scan of everything fed so far."""
        power, total, sharp = self._views[:, :, : self._filled]
        return Coarse(
            rate_hz=self.rate_hz,
            block_frames=self.block_frames,
            frames=self._frames,
            power=power,
            total=total,
            sharp=sharp,
        )
