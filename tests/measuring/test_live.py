from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import soundfile

from cuesync.devices.ports import ContactEdge, EdgeSink
from cuesync.devices.simulated import SimulatedClock, SimulatedContacts
from cuesync.devices.simulated_sound import SimulatedRecorder
from cuesync.errors import DeviceError, InputError, StorageError
from cuesync.hearing.chirp import find_chirps
from cuesync.measuring.keeping import KeptRecording
from cuesync.measuring.live import measure_live
from cuesync.measuring.recording import measure_recording
from cuesync.measuring.trial import Measurement

CONTACT = "key:space"
RATE_HZ = 48000
WAY_S = 0.023
"""Sound card and air: from the hand-over of the chirp to the microphone."""


class Place:
    """A prop, a button, a loudspeaker and a microphone, all simulated; sounds from the sample maker.

    `press` is done by nobody: `operator` closes the contact whenever the session says "Ready".
    """

    def __init__(
        self,
        maker: ModuleType,
        *,
        loop_gain: float = 0.3,
        level: float = 0.4,
        misfires: tuple[int, ...] = (),
        prop_name: str = "attic crone",
        **recorder: Any,
    ) -> None:
        self.maker = maker
        self.clock = SimulatedClock()
        self.contacts = SimulatedContacts(self.clock)
        self.recorder = SimulatedRecorder(
            self.clock, rate_hz=RATE_HZ, loop_s=WAY_S, loop_gain=loop_gain, noise=0.0005, **recorder
        )
        self.prop = next(prop for prop in maker.PROPS if prop.name == prop_name)
        self.voice = maker.prop_voice(self.prop)
        self.random = np.random.default_rng(5)
        self.level = level
        self.misfires = misfires
        self.presses: list[float] = []
        self.releases_s: list[float | None] = []
        self.words: list[str] = []
        self.finished: list[Measurement] = []
        self.ready_s = -np.inf
        self.contacts.watch(self._closed)

    def _closed(self, edge: ContactEdge) -> None:
        if not edge.closed or edge.at_s < self.ready_s:
            return
        slips = len(self.releases_s) + 1 in self.misfires
        cycle = self.maker.run_cycle(self.prop, 6.0, self.random, slips=slips)
        sound, _ = self.maker.cycle_sound(self.prop, self.voice, cycle, RATE_HZ, self.random)
        self.recorder.add((self.level * sound).astype(np.float32), edge.at_s)
        self.releases_s.append(cycle.release_s)
        self.ready_s = edge.at_s + cycle.motor_stop_s

    def press(self, after_s: float, *, bounces: int = 3) -> None:
        # never on a block's edge
        at_s = self.clock.now_s() + after_s + 0.0173 * (1 + len(self.presses) % 7)
        self.presses.append(at_s)
        self.contacts.press(CONTACT, at_s, bounces=bounces)

    def hear(self, word: str) -> None:
        """The operator: presses when told to."""
        self.words.append(word)
        if word.startswith("Ready"):
            self.press(0.4)

    def measure(
        self,
        path: Path,
        *,
        trials: int = 3,
        hear: Callable[[str], None] | None = None,
        stop: Callable[[], bool] | None = None,
        for_s: float = 300.0,
        on_trial: Callable[[Measurement], None] | None = None,
        **options: Any,
    ) -> Measurement:
        end_s = self.clock.now_s() + for_s
        return measure_live(
            self.recorder,
            self.contacts,
            CONTACT,
            self.clock,
            trials=trials,
            recording_path=path,
            on_trial=on_trial or self.finished.append,
            on_word=hear or self.hear,
            stop=stop or (lambda: self.clock.now_s() > end_s),
            **options,
        )


@pytest.fixture
def place(maker: ModuleType) -> Place:
    return Place(maker)


def test_delays_are_found_through_the_loudspeaker(place: Place, tmp_path: Path) -> None:
    """The true delay less the way of the chirp: sent so late, a sound meets the pop at the microphone."""
    measured = place.measure(tmp_path / "live.wav", trials=4)
    assert measured.way == "chirp"
    assert len(measured.trials) == 4
    for trial, release_s in zip(measured.trials, place.releases_s, strict=True):
        assert trial.delay_s == pytest.approx((release_s or 0.0) - WAY_S, abs=0.001)
        assert trial.reset_s is not None
        assert "the chirp left" in trial.reason
    assert f"took {WAY_S * 1000:.1f} ms" in measured.way_reason
    assert measured.path_s == pytest.approx(WAY_S, abs=0.0002)
    assert measured.sound_device == "simulated loudspeaker"


def test_the_chirp_s_wait_for_the_next_block_is_taken_off(maker: ModuleType, tmp_path: Path) -> None:
    """With blocks of 85 ms the chirp leaves anything up to 85 ms late; the delay doesn't show it."""
    place = Place(maker, block_frames=4096)
    measured = place.measure(tmp_path / "live.wav", trials=3)
    errors_s = [
        (trial.delay_s or 0.0) - (release_s or 0.0) + WAY_S
        for trial, release_s in zip(measured.trials, place.releases_s, strict=True)
    ]
    assert max(errors_s) - min(errors_s) < 0.002
    assert max(map(abs, errors_s)) < 0.003


def test_each_trial_is_told_and_handed_out_as_it_comes(place: Place, tmp_path: Path) -> None:
    measured = place.measure(tmp_path / "live.wav", trials=2)
    assert [len(each.trials) for each in place.finished] == [1, 2]
    assert place.finished[-1] == measured
    for number, trial in enumerate(measured.trials, 1):
        told = [word for word in place.words if word.startswith(f"trial {number} of 2: pop after")]
        assert told == [
            f"trial {number} of 2: pop after {trial.delay_ms:.1f} ms; waiting until the prop is ready."
        ]


def test_what_was_heard_is_kept_and_says_the_same(place: Place, tmp_path: Path) -> None:
    """Measured again, delays are shorter by the chirp's lateness: at most a poll and a block."""
    path = tmp_path / "live.wav"
    measured = place.measure(path, trials=5)
    with soundfile.SoundFile(path) as file:
        assert (file.subtype, file.samplerate, file.channels) == ("PCM_24", RATE_HZ, 1)
        assert file.frames / RATE_HZ == pytest.approx(measured.length_s)
    again = measure_recording(path)
    assert again.way == "chirp"
    assert len(again.trials) == 5
    for live, kept in zip(measured.trials, again.trials, strict=True):
        assert 0.0 <= kept.trigger_s - live.trigger_s <= 0.012
        assert kept.pop_s == pytest.approx(live.pop_s, abs=0.004)


def test_a_press_before_the_prop_is_ready_is_refused_and_said(place: Place, tmp_path: Path) -> None:
    def hear(word: str) -> None:
        place.hear(word)
        if word.startswith("trial 1 of 2"):
            place.press(0.1)

    measured = place.measure(tmp_path / "live.wav", trials=2, hear=hear)
    assert place.words.count("Press refused: the prop is not ready yet.") == 1
    assert len(measured.trials) == 2
    assert len(place.recorder.played) == 2
    assert "1 press was refused because the prop was not ready" in measured.warnings


def test_bounce_makes_one_press(place: Place, tmp_path: Path) -> None:
    def hear(word: str) -> None:
        place.words.append(word)
        if word.startswith("Ready"):
            place.press(0.4, bounces=20)

    place.measure(tmp_path / "live.wav", trials=1, hear=hear)
    assert not [word for word in place.words if "refused" in word]
    assert len(place.recorder.played) == 1


def test_a_contact_found_closed_has_not_been_pressed(place: Place, tmp_path: Path) -> None:
    """Its press was lost; a source that asks how it stands tells so while the session waits."""
    opened = place.contacts.open

    def open_and_find(contacts: Sequence[str], sink: EdgeSink) -> None:
        opened(contacts, sink)
        at_s = place.clock.now_s() + 2.5
        place.clock.at(at_s, lambda: sink(ContactEdge(contact=CONTACT, closed=True, at_s=at_s, found=True)))

    place.contacts.open = open_and_find  # type: ignore[method-assign]
    place.measure(tmp_path / "live.wav", trials=1, hear=place.words.append, for_s=5.0)
    assert len(place.recorder.played) == 0
    assert not [word for word in place.words if "refused" in word]


def test_a_misfire_is_a_trial_without_a_pop(maker: ModuleType, tmp_path: Path) -> None:
    place = Place(maker, misfires=(4,))
    measured = place.measure(tmp_path / "live.wav", trials=6)
    assert [trial.pop_s is None for trial in measured.trials] == [number == 4 for number in range(1, 7)]
    assert [word for word in place.words if "trial 4 of 6: misfire" in word]


def test_a_chirp_that_nobody_hears_is_no_trial(maker: ModuleType, tmp_path: Path) -> None:
    place = Place(maker, loop_gain=0.0)
    measured = place.measure(tmp_path / "live.wav", trials=1, for_s=20.0)
    assert measured.trials == ()
    assert [word for word in place.words if "did not hear the chirp. Turn the loudspeaker up" in word]
    (reason,) = measured.warnings
    assert reason.startswith("3 presses did not count: the microphone did not hear the chirp. Turn")


def timed(place: Place) -> Callable[[str], None]:
    """An operator that presses once, and puts the seconds since then before each word."""

    def hear(word: str) -> None:
        since_s = place.clock.now_s() - place.presses[0] if place.presses else -np.inf
        place.words.append(f"{since_s:.3f} {word}")
        if word.startswith("Ready") and not place.presses:
            place.press(0.4)

    return hear


def said_after_s(place: Place, word: str) -> float:
    """When this was first said."""
    return next(float(said.split()[0]) for said in place.words if said.partition(" ")[2].startswith(word))


def test_a_press_is_answered_at_once(place: Place, tmp_path: Path) -> None:
    place.measure(tmp_path / "live.wav", trials=1, hear=timed(place))
    assert 0.0 <= said_after_s(place, "Pressed; the chirp is playing, listening…") < 0.02


def test_within_seconds_it_is_said_that_no_chirp_was_heard(maker: ModuleType, tmp_path: Path) -> None:
    place = Place(maker, loop_gain=0.0)
    measured = place.measure(tmp_path / "live.wav", trials=1, hear=timed(place), for_s=4.0)
    assert said_after_s(place, "No chirp heard: trial 1 will not count. Turn the loudspeaker up") < 2.0
    assert "Trial 1 does not count: the microphone did not hear the chirp." in place.words[-1]
    assert len(measured.warnings) == 1


@pytest.mark.parametrize("share", [0.02, 0.3, 0.7, 0.95])
def test_sound_that_never_comes_is_said_within_seconds(place: Place, tmp_path: Path, share: float) -> None:
    """From the press on the card gives only this share of its sound, and speaks of no dropout."""

    def starve() -> None:
        place.recorder._start_s += 0.05 * (1.0 - share)
        place.clock.at(place.clock.now_s() + 0.05, starve)

    def hear(word: str) -> None:
        say(word)
        if word.startswith("Pressed"):
            starve()

    say = timed(place)
    measured = place.measure(tmp_path / "live.wav", trials=1, hear=hear, for_s=70.0, longest_s=20.0)
    assert said_after_s(place, "Sound is being lost: trial 1 will hardly count. Close other programs.") < 4.0
    assert said_after_s(place, "Trial 1 does not count: the sound card lost sound meanwhile.") < 22.0
    assert measured.trials == ()
    assert measured.warnings[0].startswith("1 press did not count: the sound card lost sound meanwhile.")


def test_a_session_without_a_press_says_so(place: Place, tmp_path: Path) -> None:
    measured = place.measure(tmp_path / "live.wav", trials=1, hear=place.words.append, for_s=3.0)
    assert measured.warnings == ("key:space was not closed once",)


def test_stopping_keeps_a_pop_that_was_told_already(place: Place, tmp_path: Path) -> None:
    measured = place.measure(
        tmp_path / "live.wav",
        trials=9,
        stop=lambda: any(word.startswith("trial 2 of 9") for word in place.words),
    )
    assert len(measured.trials) == 2
    assert measured.trials[0].reset_s is not None
    assert measured.trials[1].reset_s is None
    assert place.finished[-1] == measured


def test_stopping_before_the_pop_drops_that_trial_and_says_so(place: Place, tmp_path: Path) -> None:
    measured = place.measure(
        tmp_path / "live.wav",
        trials=9,
        stop=lambda: len(place.presses) == 2 and place.clock.now_s() > place.presses[1] + 0.3,
    )
    assert len(measured.trials) == 1
    assert place.words[-1] == "Trial 2 was not finished and does not count."


def test_ctrl_c_is_a_way_to_stop(place: Place, tmp_path: Path) -> None:
    def hear(word: str) -> None:
        place.hear(word)
        if word.startswith("trial 2 of 9"):
            raise KeyboardInterrupt

    measured = place.measure(tmp_path / "live.wav", trials=9, hear=hear)
    assert len(measured.trials) == 2
    assert not place.recorder.alive()
    assert not place.contacts.alive()


def test_ctrl_c_while_a_trial_is_saved_saves_it_again(place: Place, tmp_path: Path) -> None:
    saved: list[int] = []
    interrupted: list[bool] = []

    def save(measurement: Measurement) -> None:
        if len(measurement.trials) == 2 and not interrupted:
            interrupted.append(True)
            raise KeyboardInterrupt
        saved.append(len(measurement.trials))

    measured = place.measure(tmp_path / "live.wav", trials=9, on_trial=save)
    assert len(measured.trials) == 2
    assert saved == [1, 2]


def test_a_profile_that_can_t_be_written_counts_what_was_handed_out(place: Place, tmp_path: Path) -> None:
    def save(measurement: Measurement) -> None:
        if len(measurement.trials) > 1:
            raise StorageError("crone.toml: can't be written.")

    said = r"^crone.toml: can't be written\. The trial finished before this is kept\.$"
    with pytest.raises(StorageError, match=said):
        place.measure(tmp_path / "live.wav", trials=9, on_trial=save)


def test_a_given_reset_is_waited_for_instead_of_listening(place: Place, tmp_path: Path) -> None:
    measured = place.measure(tmp_path / "live.wav", trials=2, reset_s=12.0)
    assert len(measured.trials) == 2
    assert place.presses[1] - place.presses[0] > 12.0


def test_a_sound_card_that_vanishes_ends_it_with_what_is_finished(place: Place, tmp_path: Path) -> None:
    def hear(word: str) -> None:
        place.hear(word)
        if word.startswith("Ready") and place.finished:
            place.recorder.pull_out()

    with pytest.raises(
        DeviceError, match=r"has stopped\. Check its cable, .* The trial finished before this is kept"
    ):
        place.measure(tmp_path / "live.wav", trials=3, hear=hear)
    assert len(place.finished) == 1
    assert measure_recording(tmp_path / "live.wav").trials


def test_a_contact_that_vanishes_is_named(place: Place, tmp_path: Path) -> None:
    def hear(word: str) -> None:
        place.hear(word)
        if word.startswith("Ready"):
            place.contacts.unplug()

    with pytest.raises(DeviceError, match="the device of the contact key:space is gone"):
        place.measure(tmp_path / "live.wav", hear=hear)


def test_a_trial_in_which_sound_was_lost_does_not_count(place: Place, tmp_path: Path) -> None:
    """The driver speaks of a dropout during the second cycle; the next press makes trial 2 again."""

    def hear(word: str) -> None:
        place.hear(word)
        if word.startswith("Ready: close key:space for trial 2") and len(place.presses) == 2:
            place.clock.at(place.presses[1] + 0.3, drop)

    def drop() -> None:
        place.recorder.dropouts += 1

    measured = place.measure(tmp_path / "live.wav", trials=4, hear=hear)
    dropped = "Trial 2 does not count: the sound card lost sound meanwhile. Close other programs."
    at_once = (
        "Sound is being lost: trial 2 will not count. Close other programs. Waiting until the prop is ready."
    )
    assert at_once in place.words[: place.words.index(dropped)]
    assert (
        "1 press did not count: the sound card lost sound meanwhile. Close other programs."
        in measured.warnings
    )
    assert len(place.presses) == 5
    releases_s = [place.releases_s[number] for number in (0, 2, 3, 4)]
    for trial, release_s in zip(measured.trials, releases_s, strict=True):
        assert trial.delay_s == pytest.approx((release_s or 0.0) - WAY_S, abs=0.004)


def test_sound_lost_without_a_word_shows_by_time(place: Place, tmp_path: Path) -> None:
    """Blocks fall 50 ms behind between press and pop, and no driver says so."""

    def hear(word: str) -> None:
        place.hear(word)
        if word.startswith("Ready: close key:space for trial 2") and len(place.presses) == 2:
            place.clock.at(place.presses[1] + 0.3, lose)

    def lose() -> None:
        place.recorder._start_s += 0.05

    measured = place.measure(tmp_path / "live.wav", trials=2, hear=hear)
    assert "Trial 2 does not count: the sound card lost sound meanwhile. Close other programs." in place.words
    assert len(place.presses) == 3
    assert len(measured.trials) == 2


def test_a_chirp_that_takes_another_time_is_said(place: Place, tmp_path: Path) -> None:
    """Its way grows by 20 ms at trial 4, as if a block had been lost or the microphone been moved."""

    def hear(word: str) -> None:
        place.hear(word)
        if word.startswith("Ready: close key:space for trial 4") and len(place.presses) == 4:
            place.recorder._loop_frames += round(0.02 * RATE_HZ)

    measured = place.measure(tmp_path / "live.wav", trials=4, hear=hear)
    said = [word for word in place.words if word.startswith("Trial 4 does not count: the chirp took 43.0 ms")]
    # the second after the change still stands alone against two; the third is believed
    assert len(said) == 2
    assert len(measured.trials) == 4


def test_frames_that_were_lost_become_silence_and_time_stays_true(maker: ModuleType, tmp_path: Path) -> None:
    """A program that reads too late, here by the two seconds that a word takes, loses what came before."""
    path = tmp_path / "live.wav"
    place = Place(maker, keep_s=0.5)

    def hear(word: str) -> None:
        if word.startswith("Ready: close key:space for trial 2") and not place.recorder.lost_frames:
            place.clock.sleep_s(2.0)
        place.hear(word)

    measured = place.measure(path, trials=2, hear=hear)
    assert place.recorder.lost_frames >= 1.4 * RATE_HZ
    kept, _ = soundfile.read(path, dtype="float32")
    heard = np.flatnonzero(np.abs(kept) > 0)
    assert int(np.diff(heard).max()) == pytest.approx(place.recorder.lost_frames, abs=100)
    # the second trial stands where it was pressed, as counted from the first
    apart_s = measured.trials[1].trigger_s - measured.trials[0].trigger_s
    assert apart_s == pytest.approx(place.presses[1] - place.presses[0], abs=0.002)


def test_a_chirp_that_comes_too_late_makes_no_trial(place: Place, tmp_path: Path) -> None:
    """A press while the program is busy elsewhere for a second."""

    def hear(word: str) -> None:
        place.hear(word)
        if word.startswith("Ready") and len(place.presses) == 2:
            place.clock.sleep_s(1.0)

    place.measure(tmp_path / "live.wav", trials=2, hear=hear)
    assert [
        word for word in place.words if re.match(r"Trial 2 does not count: the chirp came \d+ ms after", word)
    ]


def test_an_existing_recording_is_never_written_over(place: Place, tmp_path: Path) -> None:
    path = tmp_path / "live.wav"
    path.write_bytes(b"mine")
    with pytest.raises(StorageError, match="is there already and stays as it is"):
        place.measure(path)
    assert path.read_bytes() == b"mine"
    assert not place.recorder.alive()


def test_a_device_that_does_not_open_leaves_no_empty_file(place: Place, tmp_path: Path) -> None:
    place.contacts.unplug()
    with pytest.raises(DeviceError, match=r"unplugged\. Plug them in\.$"):
        place.measure(tmp_path / "live.wav")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"trials": 0}, "0 trials can't be measured; give 1 or more"),
        ({"microphone_channel": 2}, "there is no channel 2 for the microphone"),
    ],
)
def test_what_can_t_be_measured_is_said_before_anything_opens(
    place: Place, tmp_path: Path, options: dict[str, Any], message: str
) -> None:
    with pytest.raises(InputError, match=message):
        place.measure(tmp_path / "live.wav", **options)
    assert list(tmp_path.iterdir()) == []


# ---- the kept recording


def test_a_full_disk_keeps_what_is_finished(place: Place, tmp_path: Path) -> None:
    """A limit on the size of files stands for the full disk: to the program, writing fails alike."""
    resource = pytest.importorskip("resource")
    path = tmp_path / "live.wav"
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2_000_000, hard))  # about 14 s
    try:
        with pytest.raises(StorageError, match=r"can't be written .* finished before this are kept"):
            place.measure(path, trials=20)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert place.finished
    kept, rate_hz = soundfile.read(path, dtype="float32")
    assert len(kept) > 1_900_000 / 3
    triggers_s = [chirp.start_s for chirp in find_chirps(kept, rate_hz)]
    for trial in place.finished[-1].trials:
        assert min(abs(each_s - trial.trigger_s) for each_s in triggers_s) < 0.012


def test_a_killed_program_leaves_a_valid_recording(tmp_path: Path) -> None:
    """Killed without warning at some moment: every sample up to the last whole block is there."""
    path = tmp_path / "live.wav"
    code = (
        "import sys; from pathlib import Path; import numpy as np\n"
        "from cuesync.measuring.keeping import KeptRecording\n"
        "kept = KeptRecording(Path(sys.argv[1]), channels=2, rate_hz=48000)\n"
        "ramp = np.arange(512, dtype=np.float32).reshape(256, 2) / 1024\n"
        "while True:\n"
        "    kept.write(ramp); print(kept.frames, flush=True)\n"
    )
    program = subprocess.Popen([sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE, text=True)
    assert program.stdout is not None
    for _ in range(200):
        said = program.stdout.readline()
    program.kill()
    program.wait()
    program.stdout.close()
    samples, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
    assert rate_hz == 48000
    assert len(samples) >= int(said)
    assert len(samples) % 256 == 0
    ramp = np.arange(512, dtype=np.float32).reshape(256, 2) / 1024
    assert np.abs(samples.reshape(-1, 256, 2) - ramp).max() < 1e-6


def test_kept_samples_come_back_within_half_a_step_of_24_bits(tmp_path: Path) -> None:
    path = tmp_path / "kept.wav"
    samples = np.random.default_rng(2).uniform(-1.2, 1.2, (1000, 3)).astype(np.float32)
    kept = KeptRecording(path, channels=3, rate_hz=44100)
    kept.write(samples[:300])
    kept.write(samples[300:])
    kept.close()
    back, rate_hz = soundfile.read(path, dtype="float64")
    assert rate_hz == 44100
    assert np.abs(back - np.clip(samples, -1, 1)).max() <= 1.5 / 2**23
