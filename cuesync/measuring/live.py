"""Measuring at the prop: the contact closes, cuesync chirps, the microphone hears chirp and pop.

One cycle goes like this: a press is answered by the chirp; what is heard from then on is judged again and
again until the prop is still, beside the cycles before it and by the same functions as a recording on disk.
The chirp goes out with the
sound card's next block, so a little after the contact; how late, the card's frame count tells, and it
is taken off. What is left of the chirp's way (device and air) is the way that the show's sound takes, and
belongs into the delay. (Measuring the kept recording again can't take it off: its delays are shorter by
that lateness, a few milliseconds.)
"""

from __future__ import annotations

import queue
import sys
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median

import numpy as np
from numpy.typing import NDArray

from cuesync.counted import counted
from cuesync.devices.ports import Clock, ContactEdge, ContactSource, RecordedBlock, Recorder
from cuesync.errors import CuesyncError, DeviceError, InputError, RecordingError, StorageError
from cuesync.hearing.chirp import CHIRP_S, chirp_signal, find_chirps
from cuesync.hearing.resets import LEAST_MOTOR_DB
from cuesync.measuring.keeping import KeptRecording
from cuesync.measuring.listening import FEW_CONFIDENCE, measure_samples
from cuesync.measuring.trial import Measurement, Trial

POLL_S = 0.005
CHECK_S = 1.0
CHIRP_GAIN = 0.5
DEBOUNCE_S = 0.03
REST_S = 1.0
"""So much of the room is heard before a press counts: the noise of the motor is judged against it."""
CHIRP_WITHIN_S = 1.5
"""The chirp is looked for up to this long after the press; no sound card and no hall is slower."""
BEHIND_S = 1.0
"""What comes in is behind time by less, with any block and any driver; more is sound that never comes."""
SURE_S = 1.0
"""A pop this old is told; a rebound can't overtake it any more."""
SURE_CONFIDENCE = FEW_CONFIDENCE
"""A pop is told from this confidence on: the first trials, with few others to compare, have no more."""
LATEST_S = 0.1
"""A chirp that leaves later than this after the contact may come into the prop's own noise."""
CLOCK_NOISE_S = 0.002
"""A chirp that seems to leave before its press by more than this shows that the blocks' times are wrong."""
LOST_S = 0.004
SAME_WAY_S = 0.004
"""Times that jump by more show that sound was lost; air makes 4 ms of 1.4 m."""
STILL_S = 2.0
"""The prop counts as ready once it has been still for so long."""
LONGEST_S = 60.0
"""No cycle is waited for longer than this."""
ROW_S = 0.1
"""Noise is judged in stretches of this length."""
SIBLINGS = 12
"""A cycle is judged beside so many before it; of each, only the part around the pop is kept in memory."""
POP_KEPT_S = 1.5
MISFIRE_KEPT_S = 8.0
"""So much of a cycle is kept for comparison: after its pop, or from its beginning where there was none."""
SAME_CHIRP_S = 0.01
CHANGED_MS = 0.5
"""A delay that changes by less is not worth a word."""
LOST = "the sound card lost sound meanwhile. Close other programs."
UNHEARD = (
    "the microphone did not hear the chirp. Turn the loudspeaker up, move the microphone nearer, "
    "and check that both are the ones you mean."
)

OnTrial = Callable[[Measurement], None]
OnWord = Callable[[str], None]


def measure_live(
    recorder: Recorder,
    contacts: ContactSource,
    contact: str,
    clock: Clock,
    *,
    trials: int,
    recording_path: Path,
    on_trial: OnTrial,
    on_word: OnWord,
    stop: Callable[[], bool],
    reset_s: float | None = None,
    longest_s: float = LONGEST_S,
    microphone_channel: int = 1,
) -> Measurement:
    """Measure at the prop until `trials` are done, `stop()` is true or Ctrl-C is pressed.

    `on_trial` gets the measurement so far, its newest trial last, as soon as a trial is finished; those
    before it may have changed, since trials are judged beside each other, as in a recording on disk.
    `on_word` what the person at the prop should know. `recording_path` keeps all that was heard as a WAV
    file. `reset_s`: the prop is ready so long after the trigger; None: it is listened for. Recorder and
    contacts are opened here and closed again.

    Raises:
        InputError: no trials wanted, or no such channel.
        DeviceError: sound card or contact can't be opened, or is gone.
        StorageError: the recording is there already, or the disk takes no more of it.
        All trials finished before have gone to `on_trial`, and the message says how many.
    """
    if trials < 1:
        raise InputError(f"{trials} trials can't be measured; give 1 or more, 10 is usual.")
    if not 1 <= microphone_channel <= recorder.input_channels:
        raise InputError(
            f"there is no channel {microphone_channel} for the microphone: {recorder.name} records "
            f"{recorder.input_channels}, counted from 1."
        )
    kept = KeptRecording(recording_path, channels=recorder.input_channels, rate_hz=recorder.rate_hz)
    edges: queue.SimpleQueue[ContactEdge] = queue.SimpleQueue()
    session = _Session(
        recorder, contact, kept, trials, on_trial, on_word, reset_s, longest_s, microphone_channel - 1
    )
    switch_interval_s = sys.getswitchinterval()
    # judging must not keep the sound card's callback waiting
    sys.setswitchinterval(0.0005)
    try:
        contacts.open((contact,), edges.put)
        recorder.start()
        session.begin()
        while not session.done and not stop():
            clock.sleep_s(POLL_S)
            while (block := recorder.read()) is not None:
                session.hear(block)
            while not edges.empty():
                session.feel(edges.get())
            session.check(clock.now_s())
            _look_after(recorder, contacts, contact)
    except KeyboardInterrupt:
        pass
    except CuesyncError as error:
        with suppress(CuesyncError):
            session.break_off()
        raise _with_count(error, session.handed_out) from error
    finally:
        sys.setswitchinterval(switch_interval_s)
        contacts.close()
        recorder.close()
        kept.close()
    session.break_off()
    return session.measurement()


def _look_after(recorder: Recorder, contacts: ContactSource, contact: str) -> None:
    if not recorder.alive():
        raise DeviceError(f'the sound card "{recorder.name}" has stopped. Check its cable, then start again.')
    if not contacts.alive():
        raise DeviceError(f"the device of the contact {contact} is gone. Check its cable, then start again.")


def _with_count(error: CuesyncError, finished: int) -> CuesyncError:
    """The same error, with a word on what is not lost."""
    if not finished:
        return error
    kept = (
        "The trial finished before this is"
        if finished == 1
        else f"The {finished} trials finished before this are"
    )
    kinds = (StorageError, InputError, DeviceError)
    kind = next((kind for kind in kinds if isinstance(error, kind)), CuesyncError)
    return kind(f"{error} {kept} kept.")


@dataclass(slots=True, kw_only=True, eq=False)
class _Cycle:
    """One press, `pressed_s` after the first sample of what was heard; that sample is `first_frame`.

    `edge_s` is the press in host time, `looked_s` when the cycle was last looked at, `behind_s` how far what
    came in is behind time. `doubt`: why it will hardly be a trial, once that was said.
    """

    edge_s: float
    looked_s: float
    pressed_s: float
    first_frame: int
    heard: list[NDArray[np.float32]]
    dropouts: int
    offset_s: float
    lost: bool = False
    checked_frames: int = 0
    behind_s: float = 0.0
    chirp_sought: bool = False
    doubt: str = ""
    told_ms: float | None = None


@dataclass(slots=True, kw_only=True, eq=False)
class _Finished:
    """A cycle that counts: its trial on the recording's clock, and the part around its pop for comparison.

    The chirp left `late_s` after the contact, and took `way_s` from the sound card to the microphone.
    """

    first_frame: int
    heard: HeardCycle
    late_s: float
    way_s: float
    trial: Trial


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeardCycle:
    """What the microphone heard of one cycle, shape (frames,), with a second of rest before the press, and
    when the chirp began in it."""

    samples: NDArray[np.float32]
    chirp_s: float


def find_chirp_s(heard: NDArray[np.float32], rate_hz: int, pressed_s: float) -> float | None:
    """When the chirp began that answered a press at `pressed_s`; None where it was not heard."""
    begin = max(0, round((pressed_s - 0.05) * rate_hz))
    chirps = find_chirps(heard[begin : round((pressed_s + CHIRP_WITHIN_S) * rate_hz)], rate_hz)
    return begin / rate_hz + chirps[0].start_s if chirps else None


def judge_together(
    cycles: Sequence[HeardCycle], rate_hz: int
) -> tuple[tuple[Trial | None, ...], tuple[str, ...]]:
    """Judge cycles side by side, laid end to end as one recording: alike, they vouch for each other.

    A trial for each, with times from the first sample of its cycle and the chirp as its trigger; None where
    the chirp can't be told from what is around it. And what the user should hear about them.
    """
    lengths_s = [len(cycle.samples) / rate_hz for cycle in cycles]
    starts_s = [sum(lengths_s[:place]) for place in range(len(cycles))]
    try:
        whole = np.concatenate([cycle.samples for cycle in cycles])
        measured = measure_samples(whole, rate_hz, name="what was heard so far", way="chirp")
    except RecordingError:  # too few that agree, or after no chirp there is anything that stands out
        if len(cycles) > 1:
            alone = [judge_together([cycle], rate_hz) for cycle in cycles]
            return tuple(trials[0] for trials, _ in alone), ()
        return (Trial(trigger_s=cycles[0].chirp_s, pop_s=None, reason="no bang that could be a pop"),), ()
    found: list[Trial | None] = []
    for start_s, cycle in zip(starts_s, cycles, strict=True):
        trial = min(measured.trials, key=lambda trial: abs(trial.trigger_s - start_s - cycle.chirp_s))
        near = abs(trial.trigger_s - start_s - cycle.chirp_s) < SAME_CHIRP_S
        found.append(shifted(trial, -start_s) if near else None)
    return tuple(found), measured.warnings


def shifted(trial: Trial, by_s: float) -> Trial:
    """The same trial with all its moments `by_s` later."""

    def later_s(time_s: float | None) -> float | None:
        return None if time_s is None else time_s + by_s

    return replace(
        trial,
        trigger_s=trial.trigger_s + by_s,
        pop_s=later_s(trial.pop_s),
        impact_s=later_s(trial.impact_s),
        rival_s=later_s(trial.rival_s),
    )


def motor_noise(heard: NDArray[np.float32], rate_hz: int, pressed_s: float) -> tuple[bool, float]:
    """Whether something ran for half a second after the press, and how long it has been still.

    `heard`: shape (frames,), the rest before the press included. Clicks don't count.
    """
    part = round(ROW_S / 5 * rate_hz)
    rows = len(heard) // (5 * part)
    energy = np.mean(heard[: rows * 5 * part].reshape(rows, 5, part).astype(np.float64) ** 2, axis=2)
    level_db = 10.0 * np.log10(np.median(energy, axis=1) + 1e-20)
    press = int(pressed_s / ROW_S)
    after = level_db[int((pressed_s + CHIRP_S) / ROW_S) + 2 :]
    if not press or not len(after):
        return False, 0.0
    loud = np.flatnonzero(after > float(np.median(level_db[:press])) + LEAST_MOTOR_DB)
    still_rows = len(after) - (int(loud[-1]) + 1 if len(loud) else 0)
    return len(loud) * ROW_S > 0.5, still_rows * ROW_S


class _Session:
    """State of one measuring session; takes sound and edges, knows no thread and no device but `play`."""

    def __init__(
        self,
        recorder: Recorder,
        contact: str,
        kept: KeptRecording,
        wanted: int,
        on_trial: OnTrial,
        on_word: OnWord,
        reset_s: float | None,
        longest_s: float,
        channel: int,
    ) -> None:
        self._recorder = recorder
        self._contact = contact
        self._kept = kept
        self._wanted = wanted
        self._on_trial = on_trial
        self._on_word = on_word
        self._reset_s = reset_s
        self._longest_s = longest_s
        self._channel = channel
        self._rate_hz = recorder.rate_hz
        self._chirp = CHIRP_GAIN * chirp_signal(self._rate_hz)
        self._rest: deque[NDArray[np.float32]] = deque()
        self._offsets_s: deque[float] = deque(maxlen=round(1.0 / POLL_S))
        self._cycle: _Cycle | None = None
        self._last_edge_s = -np.inf
        self._ready_told = False
        self._ways_s: deque[float] = deque(maxlen=3)
        self._refused = 0
        self._presses = 0
        self._spoilt_presses: dict[str, int] = {}
        self._warnings: dict[str, None] = {}
        self._finished: list[_Finished] = []
        self.handed_out = 0

    @property
    def count(self) -> int:
        """Trials finished so far."""
        return len(self._finished)

    @property
    def done(self) -> bool:
        return self.count >= self._wanted

    def begin(self) -> None:
        self._on_word(f"The chirp comes from {self._recorder.output_name}: is that the show's loudspeaker?")
        self._on_word(f"Recording into {self._kept.path}. Quiet, please: listening to the room.")

    # ---- sound

    def hear(self, block: RecordedBlock) -> None:
        """Keep a block; frames that were lost before it become silence, so that time stays true."""
        samples = block.samples
        missing = block.first_frame - self._kept.frames
        if missing > 0:
            gap = np.zeros((missing, samples.shape[1]), dtype=np.float32)
            samples = np.concatenate([gap, samples])
            if self._cycle is not None:
                self._cycle.lost = True
        self._kept.write(samples)
        self._offsets_s.append(block.arrived_s - self._kept.frames / self._rate_hz)
        line = samples[:, self._channel]
        if self._cycle is not None:
            self._cycle.heard.append(line)
            return
        self._rest.append(line)
        while sum(map(len, self._rest)) - len(self._rest[0]) >= REST_S * self._rate_hz:
            self._rest.popleft()
        if not self._ready_told and self._rested:
            self._ready_told = True
            self._on_word(f"Ready: close {self._contact} for trial {self.count + 1} of {self._wanted}.")

    @property
    def _rested(self) -> bool:
        return sum(map(len, self._rest)) >= REST_S * self._rate_hz

    # ---- contact

    def feel(self, edge: ContactEdge) -> None:
        """An edge of the contact: bounce and how it was found are passed over, a press starts a cycle or is
        refused."""
        bounce = edge.at_s - self._last_edge_s < DEBOUNCE_S
        self._last_edge_s = edge.at_s
        if bounce or edge.found or not edge.closed:
            return
        if self._cycle is not None:
            self._refused += 1
            self._on_word("Press refused: the prop is not ready yet.")
            return
        if not self._rested:
            self._refused += 1
            self._on_word("Press refused: still listening to the room, a second of quiet is needed.")
            return
        self._recorder.play(self._chirp)
        self._presses += 1
        rest = list(self._rest)
        first_frame = self._kept.frames - sum(map(len, rest))
        offset_s = self._offset_s()
        pressed_s = edge.at_s - offset_s - first_frame / self._rate_hz
        self._cycle = _Cycle(
            edge_s=edge.at_s,
            looked_s=edge.at_s,
            pressed_s=pressed_s,
            first_frame=first_frame,
            heard=rest,
            dropouts=self._recorder.dropouts,
            offset_s=offset_s,
        )
        self._rest.clear()
        self._ready_told = False
        self._on_word("Pressed; the chirp is playing, listening…")

    def _offset_s(self) -> float:
        """Host time less recorded time, now.

        By the last second alone, since the card's clock and the computer's drift apart; and by its promptest
        blocks, since a busy computer makes them late but never early.
        """
        return float(np.quantile(self._offsets_s, 0.1))

    # ---- judging

    def check(self, now_s: float) -> None:
        """Judge the running cycle where enough new sound has come in; say so where too little does."""
        cycle = self._cycle
        if cycle is None:
            return
        frames = sum(map(len, cycle.heard))
        since_s = frames / self._rate_hz - cycle.pressed_s
        cycle.behind_s = now_s - cycle.edge_s - since_s
        if self._lost_as_told(cycle):
            self._doubt(cycle, LOST, "Sound is being lost", "will not count")
        new_s = (frames - cycle.checked_frames) / self._rate_hz
        starved = cycle.behind_s > BEHIND_S and now_s - cycle.looked_s >= CHECK_S
        if not starved and (new_s < CHECK_S or since_s < CHIRP_WITHIN_S):
            return
        cycle.looked_s = now_s
        cycle.checked_frames = frames
        heard = self._joined(cycle)
        self._look_for_trouble(cycle, heard, since_s)
        since_s = max(since_s, now_s - cycle.edge_s)  # what is lost takes its time as well
        if cycle.told_ms is None and not cycle.doubt:
            self._tell_early(cycle, self._judge(cycle, heard)[0])
        motor_heard, still_s = motor_noise(heard, self._rate_hz, cycle.pressed_s)
        if self._reset_s is not None:
            over = since_s >= self._reset_s
        else:
            started = cycle.told_ms is not None or motor_heard
            over = since_s >= self._longest_s or (started and still_s >= STILL_S)
        if not over:
            return
        finished, earlier, warnings = self._judge(cycle, heard)
        self._tell_early(cycle, finished)
        self._cycle = None
        self._rest.append(heard[-round(REST_S * self._rate_hz) :])
        spoilt = self._spoilt(cycle, finished)
        if finished is not None:
            self._ways_s.append(finished.way_s)
        if finished is None or spoilt:
            self._drop(spoilt)
            return
        if finished.trial.pop_s is None:
            self._on_word(f"trial {self.count + 1} of {self._wanted}: misfire, no pop in {since_s:.0f} s.")
        elif cycle.told_ms is None:
            unsure = f"perhaps a pop after {finished.trial.delay_ms:.1f} ms, unsure"
            self._on_word(f"trial {self.count + 1} of {self._wanted}: {unsure}.")
        elif not motor_heard and self._reset_s is None:
            self._on_word("The motor can't be heard: see for yourself when the prop is ready.")
        self._count(finished, earlier, warnings)

    def _joined(self, cycle: _Cycle) -> NDArray[np.float32]:
        heard = np.concatenate(cycle.heard)
        cycle.heard = [heard]
        return heard

    def _look_for_trouble(self, cycle: _Cycle, heard: NDArray[np.float32], since_s: float) -> None:
        if self._lost(cycle):
            self._doubt(cycle, LOST, "Sound is being lost", "will hardly count")
        if since_s >= CHIRP_WITHIN_S and not cycle.chirp_sought:
            cycle.chirp_sought = True
            if find_chirp_s(heard, self._rate_hz, cycle.pressed_s) is None:
                self._doubt(cycle, UNHEARD, "No chirp heard", "will not count")

    def _doubt(self, cycle: _Cycle, reason: str, what: str, so: str) -> None:
        """Say as soon as it is known that a cycle will hardly be a trial, once."""
        if cycle.doubt or cycle.told_ms is not None:
            return
        cycle.doubt = reason
        todo = reason.partition(". ")[2]
        self._on_word(f"{what}: trial {self.count + 1} {so}. {todo} Waiting until the prop is ready.")

    def _drop(self, reason: str) -> None:
        """A press that makes no trial, and why; the end of the session says so again."""
        self._on_word(f"Trial {self.count + 1} does not count: {reason}")
        self._spoilt_presses[reason] = self._spoilt_presses.get(reason, 0) + 1

    def _spoilt(self, cycle: _Cycle, finished: _Finished | None) -> str:
        """Why a cycle can't be a trial; empty where it can."""
        if cycle.told_ms is None and self._lost(cycle):  # what is lost after the pop does no harm
            return LOST
        if finished is None:
            return UNHEARD
        if finished.late_s < -CLOCK_NOISE_S:
            return "the computer was too busy to time the press. Close other programs."
        if finished.late_s > LATEST_S:
            late_ms = finished.late_s * 1000.0
            return f"the chirp came {late_ms:.0f} ms after the contact. Close other programs."
        if len(self._ways_s) > 1 and abs(finished.way_s - median(self._ways_s)) > SAME_WAY_S:
            took_ms, before_ms = finished.way_s * 1000.0, median(self._ways_s) * 1000.0
            return (
                f"the chirp took {took_ms:.1f} ms from the sound card to the microphone, and {before_ms:.1f} "
                "before. Sound was lost, or the microphone moved."
            )
        return ""

    def _lost(self, cycle: _Cycle) -> bool:
        """Whether sound was lost since the press: as reported, or as seen by frames that fall behind time."""
        if self._lost_as_told(cycle) or cycle.behind_s > BEHIND_S:
            return True
        return abs(self._offset_s() - cycle.offset_s) > LOST_S

    def _lost_as_told(self, cycle: _Cycle) -> bool:
        return cycle.lost or self._recorder.dropouts != cycle.dropouts

    def _judge(
        self, cycle: _Cycle, heard: NDArray[np.float32]
    ) -> tuple[_Finished | None, list[Trial], tuple[str, ...]]:
        """The cycle as it looks beside those before it, how those look now, and warnings.

        None where the chirp was not heard.
        """
        chirp_s = find_chirp_s(heard, self._rate_hz, cycle.pressed_s)
        if chirp_s is None:
            return None, [], ()
        siblings = self._finished[-SIBLINGS:]
        this = HeardCycle(samples=heard, chirp_s=chirp_s)
        judged, warnings = judge_together([*(each.heard for each in siblings), this], self._rate_hz)
        if judged[-1] is None:
            return None, [], ()
        handed = self._recorder.handed_frame
        start_s = cycle.first_frame / self._rate_hz
        handed_s = cycle.pressed_s if handed is None else handed / self._rate_hz - start_s
        late_s = handed_s - cycle.pressed_s
        finished = _Finished(
            first_frame=cycle.first_frame,
            heard=this,
            late_s=late_s,
            way_s=chirp_s - handed_s,
            trial=self._placed(judged[-1], cycle.first_frame, late_s),
        )
        earlier = [
            each.trial
            if trial is None
            # the end of the reset is no longer in what is kept for comparison
            else replace(self._placed(trial, each.first_frame, each.late_s), reset_s=each.trial.reset_s)
            for each, trial in zip(siblings, judged, strict=False)
        ]
        return finished, earlier, warnings

    def _placed(self, trial: Trial, first_frame: int, late_s: float) -> Trial:
        """The trial on the recording's clock, with the chirp's lateness taken off its trigger."""
        placed = shifted(trial, first_frame / self._rate_hz)
        return replace(
            placed,
            trigger_s=placed.trigger_s - late_s,
            reset_s=None if trial.reset_s is None else trial.reset_s + late_s,
            reason=f"{trial.reason}; the chirp left {late_s * 1000.0:.1f} ms after the contact",
        )

    def _is_sure(self, cycle: _Cycle, finished: _Finished | None) -> bool:
        if finished is None or finished.trial.pop_s is None or self._spoilt(cycle, finished):
            return False
        if finished.trial.confidence < SURE_CONFIDENCE:
            return False
        end_s = cycle.first_frame / self._rate_hz + len(finished.heard.samples) / self._rate_hz
        return end_s - finished.trial.pop_s >= SURE_S

    def _tell_early(self, cycle: _Cycle, finished: _Finished | None) -> None:
        """Say the delay before the prop is ready again; say it again where a louder bang changes it."""
        if finished is None or not self._is_sure(cycle, finished):
            return
        delay_ms = finished.trial.delay_ms
        if delay_ms is None or (cycle.told_ms is not None and abs(delay_ms - cycle.told_ms) < CHANGED_MS):
            return
        correction = "" if cycle.told_ms is None else "Correction, "
        cycle.told_ms = delay_ms
        self._on_word(
            f"{correction}trial {self.count + 1} of {self._wanted}: pop after {delay_ms:.1f} ms; "
            "waiting until the prop is ready."
        )

    def _count(self, finished: _Finished, earlier: list[Trial], warnings: tuple[str, ...]) -> None:
        """One trial more; those before it may look different now that there is more to compare."""
        first = len(self._finished) - len(earlier)
        for place, trial in enumerate(earlier, first):
            old_ms, new_ms = self._finished[place].trial.delay_ms, trial.delay_ms
            self._finished[place].trial = trial
            if old_ms is None and new_ms is None:
                continue
            if old_ms is None or new_ms is None or abs(new_ms - old_ms) >= CHANGED_MS:
                now = "misfire" if new_ms is None else f"pop after {new_ms:.1f} ms"
                self._on_word(
                    f"Correction, trial {place + 1} of {self._wanted}: {now}, judged beside the others."
                )
        for warning in warnings:
            if warning not in self._warnings:
                self._on_word(warning)
            self._warnings[warning] = None
        pop_s = finished.trial.pop_s
        end_s = MISFIRE_KEPT_S if pop_s is None else pop_s - finished.first_frame / self._rate_hz + POP_KEPT_S
        finished.heard = replace(
            finished.heard, samples=finished.heard.samples[: round(end_s * self._rate_hz)].copy()
        )
        self._finished.append(finished)
        for old in self._finished[:-SIBLINGS]:
            old.heard = replace(old.heard, samples=old.heard.samples[:0])
        self._hand_out()

    def _hand_out(self) -> None:
        self._on_trial(self.measurement())
        self.handed_out = self.count

    def break_off(self) -> None:
        """The end in the middle of a cycle: a pop that is sure already counts, without its reset."""
        cycle, self._cycle = self._cycle, None
        if self.handed_out < self.count:  # Ctrl-C fell into the handing out
            self._hand_out()
        if cycle is None or self.done:
            return
        finished, earlier, warnings = self._judge(cycle, self._joined(cycle))
        if finished is not None and self._is_sure(cycle, finished):
            finished.trial = replace(finished.trial, reset_s=None)
            self._count(finished, earlier, warnings)
        elif cycle.doubt:
            self._drop(self._spoilt(cycle, finished) or cycle.doubt)
        else:
            self._on_word(f"Trial {self.count + 1} was not finished and does not count.")

    def measurement(self) -> Measurement:
        """All trials so far."""
        way = f"cuesync played its chirp when {self._contact} closed"
        if self._ways_s:
            took_ms = median(self._ways_s) * 1000.0
            way += f"; from the sound card to the microphone it took {took_ms:.1f} ms"
        warnings = list(self._warnings)
        for reason, number in self._spoilt_presses.items():
            warnings.append(f"{counted(number, 'press', 'presses')} did not count: {reason}")
        if self._refused:
            times = "1 press was" if self._refused == 1 else f"{self._refused} presses were"
            warnings.append(f"{times} refused because the prop was not ready")
        if not self._presses and not self._refused:
            warnings.append(f"{self._contact} was not closed once")
        return Measurement(
            recording=str(self._kept.path),
            rate_hz=self._rate_hz,
            length_s=self._kept.frames / self._rate_hz,
            way="chirp",
            way_reason=way,
            trials=tuple(each.trial for each in self._finished),
            microphone_channel=self._channel + 1,
            warnings=tuple(warnings),
            path_s=self._path_s(),
            sound_device=self._recorder.output_name,
        )

    def _path_s(self) -> float | None:
        """From hand-over to the microphone: the chirp's way without what the card takes to record it."""
        if not self._ways_s:
            return None
        return max(0.0, median(self._ways_s) - self._recorder.input_delay_s)
