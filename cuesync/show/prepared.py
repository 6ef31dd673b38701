"""Sounds made ready before the scene is armed, so that playing them is nothing but adding up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cuesync.clip import Clip
from cuesync.errors import ClipError, DeviceError
from cuesync.plan.plan import Plan, PlannedBackground, PlannedSound

_SEAM_S = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PreparedSound:
    """A sound ready to be added up: levelled, cut, faded in, at the card's rate.

    `rows` is float32, shape (channels, frames); `routes` are pairs of row and output, counted from 0;
    `hit_frames`: from the first frame to the hit (0 where it has none).
    """

    name: str
    rows: NDArray[np.float32]
    routes: tuple[tuple[int, int], ...]
    hit_frames: int = 0

    @property
    def frames(self) -> int:
        return int(self.rows.shape[1])


def channels_needed(plans: Sequence[Plan]) -> int:
    """The highest output that these plans use; 0 where they make no sound."""
    highest = [max(sound.outputs) for plan in plans for sound in plan.sounds]
    highest += [max(background.outputs) for plan in plans for background in plan.backgrounds]
    return max(highest, default=0)


def prepare_sound(sound: PlannedSound, rate_hz: int, channels: int) -> PreparedSound:
    """Everything that can be done before the scene is armed.

    DeviceError where the card has not enough outputs.
    """
    clip = _fitting(sound.clip, sound.outputs, rate_hz, channels)
    cut_frames = round(sound.cut_s * rate_hz)
    rows = np.ascontiguousarray(clip.samples[cut_frames:].T) * np.float32(sound.gain)
    fade_frames = min(round(sound.fade_in_s * rate_hz), rows.shape[1])
    if fade_frames:
        rows[:, :fade_frames] *= np.arange(1, fade_frames + 1, dtype=np.float32) / np.float32(fade_frames)
    return PreparedSound(
        name=clip.name,
        rows=rows,
        routes=_routes(rows, sound.outputs),
        hit_frames=max(0, round((sound.hit_s - sound.cut_s) * rate_hz)),
    )


def prepare_background(background: PlannedBackground, rate_hz: int, channels: int) -> PreparedSound:
    """The clip as a ring: its last 20 ms are faded into its first, so the seam makes no click.

    DeviceError where the card has not enough outputs, ClipError for a clip too short to loop.
    """
    clip = _fitting(background.clip, background.outputs, rate_hz, channels)
    seam_frames = round(_SEAM_S * rate_hz)
    if len(clip.samples) < 4 * seam_frames:
        raise ClipError(
            f'"{clip.name}" is too short to run as a background ({clip.length_s * 1000.0:.0f} ms). '
            f"Take one of at least {4000.0 * _SEAM_S:.0f} ms."
        )
    rows = np.ascontiguousarray(clip.samples.T) * np.float32(background.gain)
    rise = np.arange(seam_frames, dtype=np.float32) / np.float32(seam_frames)
    rows[:, :seam_frames] = rows[:, :seam_frames] * rise + rows[:, -seam_frames:] * (1 - rise)
    rows = np.ascontiguousarray(rows[:, :-seam_frames])
    return PreparedSound(name=clip.name, rows=rows, routes=_routes(rows, background.outputs))


def _fitting(clip: Clip, outputs: tuple[int, ...], rate_hz: int, channels: int) -> Clip:
    if max(outputs) > channels:
        raise DeviceError(
            f'the clip "{clip.name}" plays on output {max(outputs)}, but the sound card has only '
            f'{channels}. Change "outputs" in the scene, or name another card with --device.'
        )
    if clip.rate_hz == rate_hz:
        return clip
    from cuesync.sound_file import resample

    return resample(clip, rate_hz)


def _routes(rows: NDArray[np.float32], outputs: tuple[int, ...]) -> tuple[tuple[int, int], ...]:
    """Channel k goes to the k-th output; the last channel to all that are left."""
    return tuple((min(index, len(rows) - 1), output - 1) for index, output in enumerate(outputs))
