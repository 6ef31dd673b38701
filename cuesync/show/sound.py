"""The sound desk: plays prepared sounds at host times through one sound card.

`LocalSoundDesk` does it in this process; rehearsals and tests use it with a simulated card. A live show
uses `sound_process.SoundProcess`, which runs the same desk in a process of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from cuesync.devices.ports import AudioOutput, Samples
from cuesync.errors import DeviceError
from cuesync.hearing.awaited import Stretch
from cuesync.show.loops import Loop
from cuesync.show.mixer import Mixer, Voice
from cuesync.show.played import PlayedLately
from cuesync.show.prepared import PreparedSound
from cuesync.timeline import Line, Timeline


class Play(Protocol):
    """One sound that was asked for."""

    @property
    def done(self) -> bool:
        """Nothing more will be heard of it."""
        ...

    @property
    def late_s(self) -> float | None:
        """Once done: how much later than asked it was placed (within half a frame of 0 as a rule).

        None where it was never heard.
        """
        ...

    @property
    def missed_s(self) -> float:
        """Once done: how much of its beginning was not heard, because it joined in late in its place."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundCounts:
    """What has gone wrong with the sound since the desk was made."""

    dropouts: int = 0
    skipped_frames: int = 0
    failures: int = 0
    limited_blocks: int = 0


class SoundDesk(Protocol):
    @property
    def name(self) -> str: ...

    @property
    def rate_hz(self) -> int: ...

    @property
    def channels(self) -> int: ...

    @property
    def latency_s(self) -> float:
        """From hand-over of a sample to the converter, as the driver reports it."""
        ...

    @property
    def block_frames(self) -> int:
        """The usual length of a block, once the card has asked for one; 0 until then."""
        ...

    @property
    def locked(self) -> bool:
        """True once host time can be turned into frames."""
        ...

    @property
    def quiet(self) -> bool:
        """True when nothing plays or waits to play."""
        ...

    @property
    def counts(self) -> SoundCounts: ...

    def start(self, sounds: Sequence[PreparedSound]) -> None:
        """Start the stream; `play` then names these sounds by their place in the sequence."""
        ...

    def play(self, sound: int, start_s: float, trigger_s: float) -> Play:
        """Hand the first sample over at host time `start_s`; see `Mixer.play` where that has passed.

        What one trigger starts is placed by one line from host time to frames: it stays together to the
        frame, however much the line moves between two orders.
        """
        ...

    def loop(self, sound: int) -> None:
        """Run this sound round and round, from now on until `stop_all`; nothing where it runs already."""
        ...

    def dip(self, sound: int, from_s: float, to_s: float, gain: float) -> None:
        """Turn a running loop down to `gain` between two host times, with short ramps outside of these."""
        ...

    def keep_played(self) -> None:
        """From now on remember what is played, for `played`."""
        ...

    def played(self, from_s: float, to_s: float) -> Stretch | None:
        """What was handed over between two host times, a channel for each output. May take a moment.

        None where that is not known: it was not kept, is too long ago, or the card was gone.
        """
        ...

    def stop_all(self) -> None:
        """Fade out everything that plays within 10 ms and forget what waits."""
        ...

    def alive(self) -> bool: ...

    def restart(self) -> None:
        """Open the card again after it was gone; what still waits or plays goes on.

        DeviceError while it is not there.
        """
        ...

    def close(self) -> None: ...


class LocalPlay:
    """A voice of the mixer, and where it was wanted."""

    __slots__ = ("_rate_hz", "_wanted_frame", "voice")

    def __init__(self, voice: Voice, wanted_frame: float, rate_hz: int) -> None:
        self.voice = voice
        self._wanted_frame = wanted_frame
        self._rate_hz = rate_hz

    @property
    def done(self) -> bool:
        return self.voice.done

    @property
    def late_s(self) -> float | None:
        """A voice that joined in late, in its place, is not late."""
        if self.voice.begun_frame is None:
            return None
        return (self.voice.start_frame - self._wanted_frame) / self._rate_hz

    @property
    def missed_s(self) -> float:
        if self.voice.begun_frame is None:
            return 0.0
        return (self.voice.begun_frame - self.voice.start_frame) / self._rate_hz


class LocalSoundDesk:
    """Timeline, mixer and sound card in this process."""

    def __init__(self, audio: AudioOutput, open_again: Callable[[], AudioOutput]) -> None:
        """`open_again` opens the card anew after it was gone; DeviceError while it is not there."""
        self._audio = audio
        self._open_again = open_again
        self._sounds: tuple[PreparedSound, ...] = ()
        self._past_dropouts = 0
        self._loops: dict[int, Loop] = {}
        self._started = False
        self._played: PlayedLately | None = None
        self._trigger: tuple[float, Line] | None = None
        """The last trigger, and the line by which its sounds are placed."""
        self.timeline = Timeline(audio.rate_hz)
        self.mixer = Mixer(audio.rate_hz, audio.channels)

    @property
    def name(self) -> str:
        return self._audio.name

    @property
    def rate_hz(self) -> int:
        return self.mixer.rate_hz

    @property
    def channels(self) -> int:
        return self.mixer.channels

    @property
    def latency_s(self) -> float:
        return self._audio.latency_s

    @property
    def block_frames(self) -> int:
        return self._audio.block_frames

    @property
    def locked(self) -> bool:
        return self.timeline.locked

    @property
    def quiet(self) -> bool:
        return self.mixer.quiet

    @property
    def counts(self) -> SoundCounts:
        return SoundCounts(
            dropouts=self._past_dropouts + self._audio.dropouts,
            skipped_frames=self.timeline.skipped_frames,
            failures=self.mixer.failures,
            limited_blocks=self.mixer.limited_blocks,
        )

    def start(self, sounds: Sequence[PreparedSound]) -> None:
        self._sounds = tuple(sounds)
        if not self._started:
            self.warm_up()

    def warm_up(self) -> None:
        """Start the stream with silence, before the sounds are there."""
        self._audio.start(self.render)
        self._started = True

    def play(self, sound: int, start_s: float, trigger_s: float) -> LocalPlay:
        if self._trigger is None or self._trigger[0] != trigger_s:
            self._trigger = trigger_s, self.timeline.line()
        wanted_frame = self._trigger[1].frame_at(start_s)
        voice = Voice(self._sounds[sound], round(wanted_frame))
        self.mixer.play(voice)
        return LocalPlay(voice, wanted_frame, self.rate_hz)

    def loop(self, sound: int) -> None:
        if sound not in self._loops:
            self._loops[sound] = self.mixer.loop(self._sounds[sound])

    def dip(self, sound: int, from_s: float, to_s: float, gain: float) -> None:
        if sound in self._loops:
            from_frame, to_frame = (round(self.timeline.frame_at(at_s)) for at_s in (from_s, to_s))
            self._loops[sound].dip(from_frame, to_frame, gain)

    def keep_played(self) -> None:
        if self._played is None:
            self._played = PlayedLately(self.rate_hz, self.channels)

    def played(self, from_s: float, to_s: float) -> Stretch | None:
        if self._played is None:
            return None
        try:
            first, end = (round(self.timeline.frame_at(at_s)) for at_s in (from_s, to_s))
        except RuntimeError:  # no block was asked for yet
            return None
        samples = self._played.between(first, end)
        return None if samples is None else Stretch(samples=samples, rate_hz=self.rate_hz, start_s=from_s)

    def stop_all(self) -> None:
        self.mixer.stop_all()
        self._loops.clear()

    def alive(self) -> bool:
        return self._audio.alive()

    def restart(self) -> None:
        self._audio.stop()
        audio = self._open_again()
        if (audio.rate_hz, audio.channels) != (self.rate_hz, self.channels):
            raise DeviceError(
                f'the sound card "{audio.name}" came back with {audio.rate_hz} Hz and {audio.channels} '
                f"channels; the show needs {self.rate_hz} Hz and {self.channels}."
            )
        self._past_dropouts += self._audio.dropouts
        self._audio = audio
        self.timeline.restart()
        self._trigger = None
        audio.start(self.render)

    def close(self) -> None:
        self._audio.stop()

    def render(self, out: Samples, host_s: float) -> None:
        """For the sound card's thread: place the block on the timeline and fill it; never raises."""
        try:
            first_frame = self.timeline.block(host_s, len(out))
        except Exception:  # silence is the only safe answer here
            self.mixer.failures += 1
            out.fill(0.0)
            return
        self.mixer.render(out, first_frame)
        played = self._played
        if played is not None:
            try:
                played.put(out, first_frame)
            except Exception:  # the sound goes on
                self.mixer.failures += 1
