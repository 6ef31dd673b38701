"""From sound to trials: one way through for a recording on disk and for what a live session just heard.

`measure_samples` takes an array and is what live measuring uses; `measure_source` takes anything that can be
read block by block and re-read in windows, which is how a long file is measured without keeping it in memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from cuesync.counted import counted
from cuesync.errors import RecordingError
from cuesync.hearing import chirp, pops, resets, triggers
from cuesync.hearing.picker import median
from cuesync.hearing.scan import Coarse, CoarseScan
from cuesync.measuring.trial import Measurement, Trial, Way

Block = NDArray[Any]
Samples = NDArray[np.float64]

LEAST_RATE_HZ = 4000

SURE_CONTACT = 0.6
"""From this likeness on a channel is taken for the contact without being asked."""

LEAST_CLICK_DB = 12.0
"""A click that stands out less of what follows it is no mark to trust unasked."""

FEW_POPS = 4
"""Fewer trials than this can't vouch for each other."""
FEW_CONFIDENCE = 0.4

SILENCE_DB = -84.0
"""Nothing louder than this in any 10 ms: two steps of a 16-bit file, so nothing was recorded."""


class Source(Protocol):
    """A recording that can be gone through in blocks and re-read in places."""

    name: str
    rate_hz: int
    frames: int
    channels: int

    def blocks(self) -> Iterator[Block]:
        """The whole recording in order; shape (frames, channels), int16 or floating."""
        ...

    def window(self, channel: int, start: int, stop: int) -> Samples:
        """Samples start … stop of one channel (from 0); shorter at the ends of the recording."""
        ...


class ArraySource:
    """A recording in memory; `samples` of shape (frames,) or (frames, channels)."""

    def __init__(self, samples: NDArray[Any], rate_hz: int, name: str = "recording") -> None:
        self.samples = samples[:, np.newaxis] if samples.ndim == 1 else samples
        self.name = name
        self.rate_hz = rate_hz
        self.frames, self.channels = self.samples.shape

    def blocks(self) -> Iterator[Block]:
        yield self.samples

    def window(self, channel: int, start: int, stop: int) -> Samples:
        line = self.samples[max(0, start) : max(0, stop), channel]
        return line.astype(np.float64) * (1.0 / 32768.0 if line.dtype == np.int16 else 1.0)


def measure_samples(
    samples: NDArray[Any],
    rate_hz: int,
    *,
    name: str = "recording",
    way: Way | None = None,
    contact_channel: int | None = None,
    microphone_channel: int | None = None,
    trigger_times_s: Sequence[float] | None = None,
) -> Measurement:
    """Measure what an array holds; parameters and errors as `measure_source`.

    For a live trial: `measure_samples(heard, rate_hz, way="chirp")`, where `heard` runs from a little before
    the chirp to the end of the cycle. The chirp's first arrival in it is the trigger, so no latency needs
    to be known. With the trigger's time known instead: `trigger_times_s=[…]`.
    """
    return measure_source(
        ArraySource(samples, rate_hz, name),
        way=way,
        contact_channel=contact_channel,
        microphone_channel=microphone_channel,
        trigger_times_s=trigger_times_s,
    )


def measure_source(
    source: Source,
    *,
    way: Way | None = None,
    contact_channel: int | None = None,
    microphone_channel: int | None = None,
    trigger_times_s: Sequence[float] | None = None,
) -> Measurement:
    """Find every trigger and the pop that answers it.

    `way` says how triggers are marked; None: found where that is safe. Channels count from 1.

    Raises RecordingError: nothing in it, silence, a channel that isn't there, no trigger, no pop at all.
    """
    _check_wishes(source, way, contact_channel, microphone_channel, trigger_times_s)
    coarse = _scan(source)
    heard = [_loudest_db(coarse, channel) for channel in range(source.channels)]
    if max(heard) < SILENCE_DB:
        raise RecordingError(
            f"{source.name}: is silent: nothing in it is louder than {-SILENCE_DB:.0f} dB below full scale. "
            "Check the microphone and its input, and record again."
        )
    marks = _find_triggers(source, coarse, way, contact_channel, microphone_channel, trigger_times_s, heard)
    found = _find_pops(source, coarse, marks)
    limits = resets.limit_closings(marks.frames, [pop is not None for pop in found])
    if marks.way == "contact" and limits:
        marks = marks.without(limits)
        found = _find_pops(source, coarse, marks)
    trials, warnings = _trials(source, coarse, marks, found)
    return Measurement(
        recording=source.name,
        rate_hz=source.rate_hz,
        length_s=source.frames / source.rate_hz,
        way=marks.way,
        way_reason=marks.reason,
        trials=trials,
        microphone_channel=marks.microphone + 1,
        warnings=(*marks.warnings, *warnings),
        trust=_trust(marks, trials, [pop for pop in found if pop is not None]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Marks:
    """Triggers in frames, how they were found, and the microphone's channel (from 0).

    `deaf_s`: this long after a trigger the mark itself is still heard, so no pop is looked for. `edges`
    are all edges of a contact.
    """

    way: Way
    reason: str
    frames: tuple[float, ...]
    microphone: int
    deaf_s: float
    edges: tuple[triggers.Edge, ...] = ()
    warnings: tuple[str, ...] = ()

    def without(self, limits: Sequence[int]) -> _Marks:
        """The same without the closings that turned out to be a limit switch's."""
        frames = tuple(frame for index, frame in enumerate(self.frames) if index not in limits)
        are = "1 is" if len(limits) == 1 else f"{len(limits)} are"
        return replace(self, frames=frames, reason=f"{self.reason}; {are} a limit switch's")


def _check_wishes(
    source: Source,
    way: Way | None,
    contact: int | None,
    microphone: int | None,
    times_s: Sequence[float] | None,
) -> None:
    name = source.name
    if source.frames == 0:
        raise RecordingError(f"{name}: is empty: it holds no sound at all. Record again.")
    if source.rate_hz < LEAST_RATE_HZ:
        raise RecordingError(
            f"{name}: {source.rate_hz} samples a second are too few to time a pop; "
            f"{LEAST_RATE_HZ} are the least, 44100 or 48000 the usual choice. Record again."
        )
    for what, channel in (("contact", contact), ("microphone", microphone)):
        if channel is not None and not 1 <= channel <= source.channels:
            raise RecordingError(
                f"{name}: there is no channel {channel} for the {what}: the recording has "
                f"{source.channels}, counted from 1. Give one of those."
            )
    if contact is not None and contact == microphone:
        raise RecordingError(
            f"{name}: contact and microphone can't both be on channel {contact}. Give two different channels."
        )
    wants_contact = way == "contact" or contact is not None
    if wants_contact and source.channels < 2:
        raise RecordingError(
            f"{name}: has one channel, but a contact beside a microphone needs two. Record in stereo with "
            "the contact on one side, or mark the trigger another way: --way chirp, --way click, or "
            "--triggers FILE."
        )
    if contact is not None and way not in (None, "contact"):
        raise RecordingError(f"{name}: --contact-channel doesn't go with --way {way}. Leave one of them out.")
    if times_s is not None and way not in (None, "list"):
        raise RecordingError(
            f"{name}: a list of trigger times doesn't go with --way {way}. Leave one of them out."
        )
    if way == "list" and times_s is None:
        raise RecordingError(f"{name}: --way list needs the list of trigger times: add --triggers FILE.")


def _scan(source: Source) -> Coarse:
    scan = CoarseScan(source.rate_hz, source.channels, source.frames)
    for block in source.blocks():
        scan.feed(block)
    return scan.finish()


def _loudest_db(coarse: Coarse, channel: int) -> float:
    top = float(coarse.energy(channel).max(initial=0.0)) / (5 * coarse.block_frames)
    return float(10.0 * np.log10(top + 1e-20))


def _window(source: Source, channel: int) -> Callable[[int, int], Samples]:
    return partial(source.window, channel)


def _find_triggers(
    source: Source,
    coarse: Coarse,
    way: Way | None,
    contact: int | None,
    microphone: int | None,
    times_s: Sequence[float] | None,
    heard: list[float],
) -> _Marks:
    ears = [microphone - 1] if microphone is not None else list(range(source.channels))
    loudest = max(ears, key=lambda channel: heard[channel])
    if times_s is not None:
        return _from_list(source, times_s, loudest)
    if way == "contact" or contact is not None:
        return _from_contact(source, coarse, contact, microphone, heard)
    if way is None and source.channels > 1:
        likeness = [_likeness(source, coarse, channel) for channel in range(source.channels)]
        if microphone is not None:
            others = [channel for channel in range(source.channels) if channel + 1 != microphone]
            best = max(others, key=lambda channel: likeness[channel])
            _refuse_swapped(source, likeness, best, microphone - 1)
            likeness[microphone - 1] = 0.0
        order = sorted(range(source.channels), key=lambda channel: -likeness[channel])
        if likeness[order[0]] >= SURE_CONTACT and likeness[order[1]] < SURE_CONTACT:
            return _from_contact(source, coarse, order[0] + 1, microphone, heard)
    if way in (None, "chirp"):
        marks = _from_chirp(source, loudest, asked=way == "chirp")
        if marks is not None:
            return marks
        if way == "chirp":
            raise RecordingError(
                f"{source.name}: no chirp was found in it, so there is no trigger. "
                "Was it recorded while cuesync played the chirp? If not, give another --way, or the trigger "
                "times: --triggers FILE."
            )
    return _from_click(source, coarse, loudest, asked=way == "click")


def _likeness(source: Source, coarse: Coarse, channel: int) -> float:
    return triggers.contact_likeness(coarse, channel, _window(source, channel))


def _refuse_swapped(source: Source, likeness: Sequence[float], contact: int, ear: int) -> None:
    """RecordingError where the microphone's channel looks like a contact, and the contact's doesn't.

    Hum can hide that a channel is a contact, so that alone says nothing; but a microphone, which rings and
    rustles, never looks like one.
    """
    if likeness[contact] >= SURE_CONTACT or likeness[ear] < SURE_CONTACT:
        return
    raise RecordingError(
        f"{source.name}: channel {contact + 1} doesn't look like a contact, but channel {ear + 1}, taken as "
        f"the microphone, does: are they swapped? Give --contact-channel {ear + 1} --microphone-channel "
        f"{contact + 1}, or leave both out. If they are right, give the trigger times: --triggers FILE."
    )


def _from_list(source: Source, times_s: Sequence[float], microphone: int) -> _Marks:
    length_s = source.frames / source.rate_hz
    if not len(times_s):
        raise RecordingError(f"{source.name}: the list of trigger times is empty. Give one time a trigger.")
    outside = [at for at in times_s if not 0.0 <= at < length_s]
    if outside:
        raise RecordingError(
            f"{source.name}: the trigger at {outside[0]:g} s is outside the recording, which is "
            f"{length_s:.3f} s long. Times are in seconds from its start; correct the list."
        )
    return _Marks(
        way="list",
        reason="1 trigger time was given"
        if len(times_s) == 1
        else f"{len(times_s)} trigger times were given",
        frames=tuple(sorted(at * source.rate_hz for at in times_s)),
        microphone=microphone,
        deaf_s=0.02,
    )


def _from_contact(
    source: Source, coarse: Coarse, contact: int | None, microphone: int | None, heard: list[float]
) -> _Marks:
    likeness = [_likeness(source, coarse, channel) for channel in range(source.channels)]
    if contact is None:
        usable = [channel for channel in range(source.channels) if channel + 1 != microphone]
        contact = 1 + max(usable, key=lambda channel: likeness[channel])
        how = f"channel {contact} looks most like a contact"
    else:
        how = f"contact on channel {contact}"
    ears = [channel for channel in range(source.channels) if channel + 1 != contact]
    ear = microphone - 1 if microphone is not None else max(ears, key=lambda channel: heard[channel])
    _refuse_swapped(source, likeness, contact - 1, ear)
    edges = triggers.find_edges(coarse, contact - 1, _window(source, contact - 1))
    frames = triggers.spaced([edge.frame for edge in triggers.closings(edges)], source.rate_hz)
    if not frames:
        raise RecordingError(
            f"{source.name}: no trigger: channel {contact} has no edge of a closing contact. "
            "Check its wiring and the channel's number, and record again."
        )
    return _Marks(
        way="contact",
        reason=f"{how}: {counted(len(edges), 'edge')}, {len(frames)} of them closing; "
        f"microphone on channel {ear + 1}",
        frames=tuple(frames),
        microphone=ear,
        deaf_s=0.02,
        edges=tuple(edges),
    )


def _from_chirp(source: Source, microphone: int, *, asked: bool) -> _Marks | None:
    scan = chirp.ChirpScan(source.rate_hz)
    for block in source.blocks():
        line = block[:, microphone].astype(np.float32)
        scan.feed(line)
    rate = source.rate_hz
    frames = []
    errors_s = []
    for at_s, _ in scan.places():
        begin = max(0, round((at_s - 0.15) * rate))
        window = source.window(microphone, begin, begin + round(0.4 * rate))
        finding = chirp.refine_chirp(window, rate, at_s * rate - begin)
        if finding is not None:
            frames.append(begin + finding.start_s * rate)
            errors_s.append(finding.error_s)
    if not frames:
        return None
    how = "looked for as asked" if asked else "no channel looks like a contact"
    return _Marks(
        way="chirp",
        reason=f"{how}: cuesync's chirp was heard {_times(len(frames))} in channel {microphone + 1}, "
        f"each known to {1e6 * float(median(errors_s)):.0f} µs",
        frames=tuple(frames),
        microphone=microphone,
        deaf_s=chirp.CHIRP_S + 0.02,
    )


def _from_click(source: Source, coarse: Coarse, microphone: int, *, asked: bool) -> _Marks:
    clicks = triggers.find_clicks(coarse, microphone, _window(source, microphone))
    if not clicks:
        raise RecordingError(
            f"{source.name}: no trigger: no channel looks like a contact, no chirp is in it, and no click of "
            "a button stands before a pop. Say how the trigger is marked with --way (and --contact-channel), "
            "or give the trigger times: --triggers FILE."
        )
    how = "taken as asked" if asked else "no channel looks like a contact and no chirp is in it"
    warnings: tuple[str, ...] = ()
    if triggers.click_prominence_db(coarse, microphone, clicks) < LEAST_CLICK_DB:
        if not asked:
            raise RecordingError(
                f"{source.name}: no clear trigger: something starts {_times(len(clicks))}, but no click of a "
                "button stands out of it. Give a list of trigger times, --triggers FILE; or add --way click, "
                "and the moment the motor is first heard is taken."
            )
        warnings = ("No click stands out: the trigger is taken to be when the motor is first heard.",)
    return _Marks(
        way="click",
        reason=f"{how}: {_times(len(clicks))} a first click starts the prop's noise in "
        f"channel {microphone + 1}",
        frames=tuple(clicks),
        microphone=microphone,
        deaf_s=0.03,
        warnings=warnings,
    )


def _find_pops(source: Source, coarse: Coarse, marks: _Marks) -> list[pops.PopFinding | None]:
    window = _window(source, marks.microphone)
    stops = [*marks.frames[1:], float(source.frames)]
    return pops.find_pops(coarse, marks.microphone, window, marks.frames, stops, marks.deaf_s)


def _trials(
    source: Source, coarse: Coarse, marks: _Marks, found: list[pops.PopFinding | None]
) -> tuple[tuple[Trial, ...], tuple[str, ...]]:
    rate = source.rate_hz
    stops = [*marks.frames[1:], float(source.frames)]
    impacts = [None if pop is None else pop.impact_frame for pop in found]
    limits = resets.limit_frames(marks.edges, marks.frames, impacts, stops)
    enough = sum(pop is not None for pop in found) >= FEW_POPS
    trials = []
    for trigger, stop, pop, limit in zip(marks.frames, stops, found, limits, strict=True):
        if pop is None:
            trials.append(
                Trial(
                    trigger_s=trigger / rate, pop_s=None, reason="no bang that could be a pop", confidence=1.0
                )
            )
            continue
        still = limit
        if still is None:
            still = resets.still_again_frame(coarse, marks.microphone, trigger, pop.impact_frame, stop)
        trials.append(
            Trial(
                trigger_s=trigger / rate,
                pop_s=pop.release_frame / rate,
                impact_s=pop.impact_frame / rate,
                reset_s=None if still is None else (still - trigger) / rate,
                error_s=pop.error_frames / rate,
                confidence=pop.confidence if enough else min(pop.confidence, FEW_CONFIDENCE),
                rival_s=None if pop.rival_frame is None else pop.rival_frame / rate,
                reason=pop.reason,
            )
        )
    popped = [pop for pop in found if pop is not None]
    if not popped:
        raise RecordingError(
            f"{source.name}: no pop: {counted(len(marks.frames), 'trigger')} ({marks.reason}), and after "
            "none of them a bang that stands out. Move the microphone closer, or name its channel: "
            "--microphone-channel."
        )
    warnings = []
    clipped = sum(pop.clipped for pop in popped)
    if clipped:
        warnings.append(
            f"{clipped} of {counted(len(popped), 'pop')} {'is' if clipped == 1 else 'are'} clipped. "
            "The start can still be timed, but turn the input down for the next recording."
        )
    extra = _bangs_without_trigger(coarse, marks, found)
    if extra:
        at = ", ".join(f"{block * coarse.block_s:.2f} s" for block in extra[:5])
        warnings.append(
            f"More pops than triggers: {counted(len(extra), 'bang')} as loud as a pop had no trigger "
            f"({at}). A trigger may have been missed, or something else banged."
        )
    return tuple(trials), tuple(warnings)


def _times(number: int) -> str:
    return "once" if number == 1 else f"{number} times"


def _trust(marks: _Marks, trials: Sequence[Trial], popped: Sequence[pops.PopFinding]) -> str:
    """How far to trust the delay, and what to do about it, in one or two plain sentences."""
    errors_ms = [1000.0 * trial.error_s for trial in trials if trial.error_s is not None]
    error_ms = float(median(errors_ms))
    rivals = sum(trial.rival_s is not None for trial in trials)
    likeness = [pop.likeness for pop in popped if pop.likeness is not None]
    delays_s = [trial.delay_s for trial in trials if trial.delay_s is not None]
    scatter = float(np.std(delays_s)) / max(float(np.mean(delays_s)), 1e-9)
    fine = f"each pop is timed to about {error_ms:.2g} ms"
    doubts = []
    if float(median([pop.confidence for pop in popped])) < 0.5 or error_ms > 1.0:
        doubts.append("the pops hardly stand out of the noise: bring the microphone closer to the prop")
    if rivals:
        doubts.append(
            f"in {rivals} of {counted(len(trials), 'trial')} another bang is nearly as good: listen to those"
        )
    if likeness and float(median(likeness)) < 0.25 and scatter > 0.1:
        doubts.append("the trials' bangs are unlike each other and scatter, so some may not be the pop")
    if marks.way == "click":
        doubts.append("a click is the weakest mark of a trigger: put the contact on a channel of its own")
    if len(popped) < FEW_POPS:
        count = f"{counted(len(popped), 'pop')} {'has' if len(popped) == 1 else 'have'}"
        doubts.append(
            f"{count} too few others to be compared with: a ratchet's click may pass for the release. "
            "Make ten trials or more"
        )
    elif len(popped) < 10:
        doubts.append(f"{len(popped)} pops say little about the scatter: make ten or more")
    if not doubts:
        return f"Trust the delay: {fine}, and {len(popped)} trials agree."
    return f"{fine[0].upper()}{fine[1:]}, but {'; and '.join(doubts)}."


def _bangs_without_trigger(coarse: Coarse, marks: _Marks, found: list[pops.PopFinding | None]) -> list[int]:
    """Blocks that are nearly as loud as the pops, further than a rebound from any of them."""
    popped = [pop for pop in found if pop is not None]
    level_db = float(median([pop.level_db for pop in popped])) - 3.0
    energy = coarse.energy(marks.microphone).copy()
    energy /= 5 * coarse.block_frames
    for pop in popped:
        low = coarse.block_at(pop.release_frame - 0.2 * coarse.rate_hz)
        energy[low : coarse.block_at(pop.impact_frame + 1.0 * coarse.rate_hz) + 1] = 0.0
    for frame in marks.frames:
        low = coarse.block_at(frame - 0.02 * coarse.rate_hz)
        energy[low : coarse.block_at(frame + marks.deaf_s * coarse.rate_hz) + 2] = 0.0
    loud = np.flatnonzero(energy > 10.0 ** (level_db / 10.0))
    return triggers.groups(loud, round(0.5 / coarse.block_s))
