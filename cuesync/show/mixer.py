"""Adds up the voices of a block, each from its exact frame, and never more than full scale.

`render` runs on the sound card's thread. All arrays are laid out beforehand; voices come in through a
queue whose ends may be used from two threads, and report back through plain attributes.
"""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from cuesync.devices.ports import Samples
from cuesync.plan.plan import MOST_BACKGROUNDS
from cuesync.plan.windows import ACCEPTABLE
from cuesync.show.limiter import Limiter
from cuesync.show.loops import Loop
from cuesync.show.prepared import PreparedSound

MOST_VOICES = 64
FADE_S = 0.010
WHOLE_UP_TO_S = -ACCEPTABLE.late_s
"""A voice whose hit has passed is played whole up to this late, which people accept (ITU-R BT.1359-1)."""
_CHUNK_FRAMES = 2048


class Voice:
    """One sound that is to be played once. The mixer alone writes what it says of itself."""

    __slots__ = (
        "_fade_in_frame",
        "begun_frame",
        "done",
        "dropped",
        "late_frames",
        "prepared",
        "start_frame",
        "stop_frame",
        "stopping",
    )

    def __init__(self, prepared: PreparedSound, start_frame: int) -> None:
        self.prepared = prepared
        self.start_frame = start_frame
        self.begun_frame: int | None = None
        """The frame at which it was first heard."""
        self.late_frames = 0
        """How much too late it was, for having been asked for late or lost by the card."""
        self.stopping = False
        """Set by the owner: fade out from the next block on."""
        self.stop_frame: int | None = None
        self.done = False
        self.dropped = False
        """True when it was never heard: too late, over before it could begin, or too many voices."""
        self._fade_in_frame: int | None = None


class Mixer:
    """`play` and `stop_all` are for the show's thread, `render` for the sound card's."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self.rate_hz = rate_hz
        self.channels = channels
        self._fade_frames = round(FADE_S * rate_hz)
        self._whole_frames = round(WHOLE_UP_TO_S * rate_hz)
        self._sum = np.zeros((channels, _CHUNK_FRAMES), dtype=np.float32)
        self._scratch = np.zeros(_CHUNK_FRAMES, dtype=np.float32)
        self._rise = np.arange(1, self._fade_frames + 1, dtype=np.float32) / np.float32(self._fade_frames)
        self._fall = self._rise[::-1].copy()
        self._limiter = Limiter(channels, _CHUNK_FRAMES, rate_hz)
        self._inbox: deque[Voice] = deque()
        self._slots: list[Voice | None] = [None] * MOST_VOICES
        self._playing = 0
        self._kept: list[Voice] = []
        self._loops: tuple[Loop, ...] = ()
        self.failures = 0
        """Blocks that were left silent because something went wrong in here."""

    @property
    def limited_blocks(self) -> int:
        """Blocks in which the sum was too loud and was turned down."""
        return self._limiter.limited_blocks

    @property
    def quiet(self) -> bool:
        """True when nothing is playing or waiting to play."""
        return not self._inbox and self._playing == 0 and all(loop.done for loop in self._loops)

    def play(self, voice: Voice) -> None:
        """Start this voice at its frame.

        Where that has passed unheard, because it was asked for late or the card lost sound, it joins in where
        it would be by now if its hit is still to come; if not, it is played whole at once, unless that is too
        late for anybody to accept.
        """
        # Kept until done: the last reference to a large array must not fall on the sound card's thread.
        self._kept = [kept for kept in self._kept if not kept.done]
        self._kept.append(voice)
        self._inbox.append(voice)

    def stop_all(self) -> None:
        """Fade out everything that plays and forget what waits."""
        for voice in self._kept:
            voice.stopping = True
        self.stop_loops()

    def stop_loops(self) -> None:
        """Fade out every background."""
        for loop in self._loops:
            loop.stopping = True

    def loop(self, prepared: PreparedSound) -> Loop:
        """Start a background with the next block; it runs until it is stopped.

        RuntimeError where too many run already.
        """
        running = tuple(loop for loop in self._loops if not loop.done)
        if len(running) >= MOST_BACKGROUNDS:
            raise RuntimeError(f"more than {MOST_BACKGROUNDS} backgrounds at once")
        loop = Loop(prepared, self.rate_hz, self._fade_frames, _CHUNK_FRAMES)
        self._loops = (*running, loop)
        return loop

    def render(self, out: Samples, first_frame: int) -> None:
        """Fill `out` (frames, channels) with the sum of the voices from `first_frame` on; never raises."""
        try:
            self._take_in()
            frames = len(out)
            for begin in range(0, frames, _CHUNK_FRAMES):
                end = min(begin + _CHUNK_FRAMES, frames)
                self._render_chunk(out[begin:end], first_frame + begin)
        except Exception:  # silence is the only safe answer here
            self.failures += 1
            out.fill(0.0)

    def _take_in(self) -> None:
        while self._inbox:
            voice = self._inbox.popleft()
            if self._playing >= MOST_VOICES:
                voice.dropped = voice.done = True
                continue
            self._slots[self._playing] = voice
            self._playing += 1

    def _render_chunk(self, out: Samples, first_frame: int) -> None:
        loops = self._loops
        if self._playing == 0 and all(loop.done for loop in loops):
            self._limiter.reset()
            out.fill(0.0)
            return
        frames = len(out)
        total = self._sum[:, :frames]
        total.fill(0.0)
        index = 0
        while index < self._playing:
            voice = self._slots[index]
            assert voice is not None
            self._add(voice, total, first_frame, frames)
            if voice.done:
                self._playing -= 1
                self._slots[index] = self._slots[self._playing]
                self._slots[self._playing] = None
            else:
                index += 1
        for loop in loops:
            if not loop.done:
                loop.add(total, first_frame, frames)
        self._limiter.process(total)
        np.copyto(out, total.T)

    def _begin_late(self, voice: Voice, first_frame: int) -> None:
        """A voice whose first frame has passed unheard: asked for too late, or lost by the card."""
        late_frames = voice.late_frames = first_frame - voice.start_frame
        hit_frame = voice.start_frame + voice.prepared.hit_frames
        if hit_frame >= first_frame:
            # It joins in where it would be by now; the ramp is over when the hit comes.
            voice._fade_in_frame = min(first_frame, hit_frame - self._fade_frames)
        elif late_frames <= self._whole_frames:
            voice.start_frame = first_frame
        else:
            voice.dropped = voice.done = True

    def _add(self, voice: Voice, total: NDArray[np.float32], first_frame: int, frames: int) -> None:
        if voice.stopping and voice.stop_frame is None:
            voice.stop_frame = first_frame
        if voice.begun_frame is None and voice.start_frame < first_frame:
            self._begin_late(voice, first_frame)
            if voice.done:
                return
        prepared = voice.prepared
        begin = max(voice.start_frame, first_frame)
        voice_end = voice.start_frame + prepared.frames
        if voice.stop_frame is not None:
            voice_end = min(voice_end, voice.stop_frame + self._fade_frames)
            if voice.begun_frame is None:
                voice_end = first_frame
        end = min(voice_end, first_frame + frames)
        if begin < end:
            if voice.begun_frame is None:
                voice.begun_frame = begin
            for row, output in prepared.routes:
                source = prepared.rows[row, begin - voice.start_frame : end - voice.start_frame]
                if voice.stop_frame is not None:
                    source = self._faded(source, begin - voice.stop_frame, self._fall)
                if voice._fade_in_frame is not None and begin < voice._fade_in_frame + self._fade_frames:
                    source = self._faded(source, begin - voice._fade_in_frame, self._rise)
                target = total[output, begin - first_frame : end - first_frame]
                np.add(target, source, out=target)
        if voice_end <= first_frame + frames:
            voice.dropped = voice.begun_frame is None
            voice.done = True

    def _faded(self, source: NDArray[np.float32], at: int, ramp: NDArray[np.float32]) -> NDArray[np.float32]:
        """`source` under a ramp of which `at` frames have passed; untouched past the ramp's end."""
        scratch = self._scratch[: len(source)]
        np.copyto(scratch, source)
        part = ramp[max(at, 0) : at + len(source)]
        under = scratch[: len(part)]
        np.multiply(under, part, out=under)
        return scratch
