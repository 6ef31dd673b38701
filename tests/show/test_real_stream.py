"""The show through a real PortAudio stream: what comes out is heard sample by sample, in host time.

The bounds here are for a busy computer without real-time rights; `tests/bench/show_timing.py` measures.
"""

from __future__ import annotations

import os
import random
import re
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cuesync.clip import Clip
from cuesync.devices.opening import PortSettings
from cuesync.devices.ports import ContactEdge, HostClock
from cuesync.devices.show_control import show_control
from cuesync.devices.time_code import RATES, running
from cuesync.errors import DeviceError
from cuesync.plan.plan import Plan, PlannedBackground, PlannedMessages
from cuesync.show.events import Fault, Recovered, ScareDone, ShowEvent, StateChanged, Triggered
from cuesync.show.live import Controls, run_show
from cuesync.show.log import NightSummary, read_events
from cuesync.show.states import State
from tests import peers
from tests.show import jackserver
from tests.show.plans import click, light, plan, sound

pytestmark = [pytest.mark.real_stream, pytest.mark.usefixtures("jack_name")]

RATE_HZ = 48000
BLOCK_S = 256 / RATE_HZ
MOST_TRIES = 5


class Night:
    """`run_show` on a thread, with what it says and a way to wait for it."""

    def __init__(self, plans: list[Plan], folder: Path, **options: object) -> None:
        self.said: list[ShowEvent] = []
        self.stop = threading.Event()
        self.summary: NightSummary | None = None
        self.problem: Exception | None = None
        self._plans = plans
        self._folder = folder
        self._options = options
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        try:
            self.summary = run_show(
                self._plans,
                log_folder=self._folder,
                say=self.said.append,
                stop=self.stop,
                **self._options,  # type: ignore[arg-type]
            )
        except Exception as problem:
            self.problem = problem

    def __enter__(self) -> Night:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    def end(self) -> None:
        self.stop.set()
        self._thread.join(20.0)
        assert not self._thread.is_alive()
        if self.problem is not None:
            raise self.problem

    def wait_for(self, wanted: Callable[[ShowEvent], bool], timeout_s: float = 20.0) -> ShowEvent:
        end_s = time.monotonic() + timeout_s
        while time.monotonic() < end_s and self.problem is None:
            for event in list(self.said):
                if wanted(event):
                    return event
            time.sleep(0.01)
        raise AssertionError(
            f"not said in {timeout_s} s; said was: {[str(event) for event in self.said]}, {self.problem}"
        )

    def wait_until_armed(self, times: int = 1) -> None:
        self.wait_for(
            lambda _: (
                times
                <= sum(
                    isinstance(event, StateChanged) and event.after is State.ARMED
                    for event in list(self.said)
                )
            )
        )


@pytest.fixture
def ear(tmp_path: Path, jack_name: str) -> Iterator[jackserver.Ear]:
    assert jack_name
    listener = jackserver.Ear(tmp_path, 60.0)
    yield listener
    listener.kill()


@pytest.fixture
def terminal() -> Iterator[tuple[int, int]]:
    """Both ends of a pseudo-terminal: what is written to the first is typed on the second."""
    typist, keyboard = os.openpty()
    yield typist, keyboard
    os.close(typist)
    os.close(keyboard)


def _skipped(heard: jackserver.Heard, night: Night) -> bool:
    """On a busy computer the server skips blocks; what was in one of these is lost, and somebody says so.

    What was heard is judged all the same; where nothing was skipped, all of it must be heard.
    """
    return heard.lost > 0 or any("dropped out" in str(event) for event in night.said)


def test_the_hit_comes_out_the_delay_after_the_key(
    tmp_path: Path, ear: jackserver.Ear, terminal: tuple[int, int]
) -> None:
    """Space bar in, PortAudio out: trigger + delay, wherever in the block the key falls."""
    typist, keyboard = terminal
    delay_s = 0.2
    cue = plan(
        delay_s=delay_s,
        reset_s=0.3,
        sounds=(sound(click(length_s=0.1, hit_s=0.05), start_s=0.15, hit_s=0.05),),
    )
    draw = random.Random(7)
    with Night([cue], tmp_path, settings=PortSettings(keyboard_fd=keyboard)) as night:
        night.wait_until_armed()
        for count in range(1, 9):
            time.sleep(0.2 * draw.random() + 0.8)  # a key counts as released after 0.7 s without a repeat
            os.write(typist, b" ")
            night.wait_for(lambda event, count=count: isinstance(event, ScareDone) and event.number == count)  # type: ignore[misc]
            night.wait_until_armed(count + 1)
    heard = ear.stop()
    triggers_s = [event.at_s for event in night.said if isinstance(event, Triggered)]
    assert len(triggers_s) == 8
    hits_s = heard.times_s(heard.hits())
    assert len(hits_s) <= 8
    for trigger_s in triggers_s:
        wanted_s = trigger_s + delay_s
        # Nobody who plays through the server is steadier than the server; on a calm computer it is.
        unsteady_s = heard.unsteady_s(trigger_s - 1.0, wanted_s + 0.1)
        off_s = float(np.min(np.abs(hits_s - wanted_s), initial=np.inf))
        lost = off_s > 0.3 and unsteady_s > BLOCK_S / 2
        assert lost or off_s < 0.0005 + unsteady_s, (off_s, unsteady_s)
    assert night.summary is not None
    assert night.summary.scares == 8


def test_a_killed_sound_process_is_replaced(
    tmp_path: Path, ear: jackserver.Ear, terminal: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As when a driver crashes: the show goes on, and the sound comes back."""
    children: list[subprocess.Popen[bytes]] = []

    class Remembered(subprocess.Popen):  # type: ignore[type-arg]
        def __init__(self, *arguments: Any, **options: Any) -> None:
            super().__init__(*arguments, **options)
            children.append(self)

    monkeypatch.setattr(subprocess, "Popen", Remembered)
    typist, keyboard = terminal
    with Night([plan(reset_s=1.0)], tmp_path, settings=PortSettings(keyboard_fd=keyboard)) as night:
        night.wait_until_armed()
        children[0].kill()
        night.wait_for(lambda event: isinstance(event, Recovered))
        time.sleep(0.5)
        os.write(typist, b" ")
        done = night.wait_for(lambda event: isinstance(event, ScareDone))
    assert isinstance(done, ScareDone)
    assert done.sounds[0].start_s is not None
    assert len(children) == 2
    heard = ear.stop()
    assert len(heard.hits()) == 1 or _skipped(heard, night)


def test_sound_lost_under_load_is_counted_and_told(
    tmp_path: Path, jack_name: str, terminal: tuple[int, int]
) -> None:
    """Another client holds up the whole server for longer than a block, again and again."""
    import jack

    assert jack_name
    busy = jack.Client("busy", no_start_server=True)
    busy.inports.register("in")
    late = threading.Event()
    busy.set_process_callback(lambda _frames: time.sleep(0.02) if late.is_set() else None)
    settings = PortSettings(keyboard_fd=terminal[1])
    with Night([plan()], tmp_path, settings=settings) as night:
        night.wait_until_armed()
        with busy:
            for port in busy.get_ports("PortAudio:.*", is_audio=True, is_output=True):
                busy.connect(port, busy.inports[0])
            late.set()
            time.sleep(0.5)
            late.clear()
        told = night.wait_for(lambda event: isinstance(event, Fault) and "dropped out" in event.text)
    found = re.match(r"the sound dropped out ([0-9]+) times \([0-9]+ ms lost\)", told.text)
    assert found is not None
    assert int(found[1]) >= 10  # a computer that is busy by itself seldom comes to that
    assert night.summary is not None
    assert night.summary.faults >= 1


def test_two_scenes_on_one_contact_start_on_the_same_sample(ear: jackserver.Ear) -> None:
    from cuesync.show.engine import Show
    from cuesync.show.sound_process import SoundProcess
    from cuesync.show.threads import WorkerThread

    clip = click(length_s=0.1, hit_s=0.05)
    left, right = (
        plan(
            title=title,
            delay_s=0.2,
            reset_s=0.3,
            sounds=(sound(clip, start_s=0.15, hit_s=0.05, outputs=(output,)),),
        )
        for title, output in (("left", 1), ("right", 2))
    )
    clock = HostClock()
    failures: list[Exception] = []
    desk = SoundProcess(clock=clock)
    show = Show([left, right], clock=clock, sound=desk, lights=None, report=lambda _: None)
    thread = WorkerThread(show, clock, "show", failures.append)
    show.wake = thread.wake
    show.start()
    thread.start()
    time.sleep(1.0)
    for _ in range(5):
        show.put(ContactEdge(contact="key:space", closed=True, at_s=clock.now_s()))
        time.sleep(0.02)
        show.put(ContactEdge(contact="key:space", closed=False, at_s=clock.now_s()))
        time.sleep(0.4)
    thread.stop()
    time.sleep(0.2)  # the sound process tells its counts ten times a second
    counts = desk.counts
    desk.close()
    assert not failures
    heard = ear.stop()
    skipped = heard.lost > 0 or counts.dropouts > 0 or counts.skipped_frames > 0
    starts = [np.flatnonzero(np.abs(heard.samples[:, channel]) > 0.1) for channel in (0, 1)]
    # A busy server may skip the block of a click, in both channels at once.
    assert (2 if skipped else 5) <= len(starts[0]) <= 5
    assert list(starts[0]) == list(starts[1])


def test_a_background_runs_and_dips(tmp_path: Path, ear: jackserver.Ear, terminal: tuple[int, int]) -> None:
    typist, keyboard = terminal
    samples = np.full((RATE_HZ, 1), 0.4, dtype=np.float32)
    background = PlannedBackground(
        clip=Clip(name="wind.wav", samples=samples, rate_hz=RATE_HZ),
        gain=1.0,
        outputs=(1, 2),
        dip_gain=0.25,
        dip_from_s=0.5,
        dip_to_s=0.9,
    )
    cue = replace(plan(sounds=(), lights=(), reset_s=2.0), backgrounds=(background,))
    with Night([cue], tmp_path, settings=PortSettings(keyboard_fd=keyboard)) as night:
        for number in range(1, MOST_TRIES + 1):
            night.wait_until_armed(number)
            time.sleep(0.5)
            os.write(typist, b" ")
        night.wait_for(lambda event: isinstance(event, Triggered) and event.number == MOST_TRIES)
        time.sleep(1.5)
    heard = ear.stop()
    judged = 0
    for trigger in [event for event in night.said if isinstance(event, Triggered)]:
        if heard.unsteady_s(trigger.at_s - 1.0, trigger.at_s + 1.4) < 0.1:
            middles = np.searchsorted(heard.host_s, trigger.at_s + np.array([0.2, 0.7, 1.2]))
            parts = [heard.samples[heard.at[block] : heard.at[block] + 4800, 0] for block in middles]
            levels = [float(np.median(part[part != 0.0])) for part in parts]  # 0 is what the server lost
            assert levels == pytest.approx([0.4, 0.1, 0.4], abs=0.01)
            judged += 1
    if not judged:
        pytest.skip("the computer held JACK up nearly all the time: there is nothing to compare with")


def test_a_note_triggers_and_a_note_goes_out(tmp_path: Path) -> None:
    """MIDI through python-rtmidi's JACK ports, with the JACK client library as the peer."""
    import jack

    arrived: list[tuple[float, bytes]] = []
    outgoing: list[bytes] = []
    peer = jack.Client("peer", no_start_server=True)
    notes_in = peer.midi_inports.register("in")
    notes_out = peer.midi_outports.register("out")

    def process(_frames: int) -> None:
        notes_out.clear_buffer()
        while outgoing:
            notes_out.write_midi_event(0, outgoing.pop(0))
        for _, data in notes_in.incoming_midi_events():
            arrived.append((time.perf_counter(), bytes(data)))

    peer.set_process_callback(process)
    cue = plan(
        contact="midi:10:60", delay_s=0.2, reset_s=0.4, sounds=(), lights=(light(0.1, 0.05, "midi:2:36"),)
    )
    with (
        peer,
        Night(
            [cue],
            tmp_path,
            settings=PortSettings(midi_system="JACK"),
            controls=Controls(stop=("midi:1:1",), acknowledge=("midi:1:2",), arm=("midi:1:3",)),
        ) as night,
    ):
        night.wait_until_armed()
        peer.connect(notes_out, _port(peer, is_input=True))
        peer.connect(_port(peer, is_output=True), notes_in)
        # JACK loses what falls into a cycle that it skips on a busy computer
        for _ in range(MOST_TRIES):
            arrived.clear()
            before = len(night.said)
            outgoing.append(bytes((0x99, 60, 100)))
            time.sleep(0.05)
            outgoing.append(bytes((0x89, 60, 0)))
            time.sleep(1.0)
            said = night.said[before:]
            triggers_s = [event.at_s for event in said if isinstance(event, Triggered)]
            done = [event for event in said if isinstance(event, ScareDone)]
            assert len(triggers_s) <= 1
            # MIDI 1.0: note on 9n, note off 8n; channel 2 is n = 1.
            assert {data for _, data in arrived} <= {bytes((0x91, 36, 127)), bytes((0x81, 36, 0))}
            # 100 ms, and JACK passes notes on by the block
            in_time = triggers_s and arrived and 0.09 < arrived[0][0] - triggers_s[0] < 0.16
            if in_time and [data[0] for _, data in arrived] == [0x91, 0x81] and len(done) == 1:
                break
        else:
            raise AssertionError((triggers_s, arrived, [str(event) for event in night.said]))
    assert all(sent.problem == "" for sent in done[0].lights)


def test_show_control_and_time_code_go_out(tmp_path: Path, terminal: tuple[int, int]) -> None:
    """Through python-rtmidi's JACK port to the JACK client library, and read there by mido."""
    import jack

    mido = peers.module("mido")
    arrived: list[tuple[float, bytes]] = []
    peer = jack.Client("gear", no_start_server=True)
    messages_in = peer.midi_inports.register("in")

    def process(_frames: int) -> None:
        for _, data in messages_in.incoming_midi_events():
            arrived.append((time.perf_counter(), bytes(data)))

    peer.set_process_callback(process)
    typist, keyboard = terminal
    go = show_control("go", gear="lighting", device=1, cue=("12.5",))
    all_off = show_control("all_off", gear="lighting", device=1)
    code = running(90_000, RATES["25"], pop_s=0.6, from_s=0.0, until_s=1.5)
    cue = replace(
        plan(reset_s=2.0, sounds=(), lights=()),
        messages=(
            PlannedMessages(name="go", at_s=0.3037, lands_s=0.3037, path_s=0.0, messages=((0.0, go),)),
            PlannedMessages(name="time code", at_s=0.0, lands_s=0.0, path_s=0.0, messages=code),
        ),
        stop_messages=(
            PlannedMessages(name="all_off", at_s=0.0, lands_s=0.0, path_s=0.0, messages=((0.0, all_off),)),
        ),
    )
    expected = [data for _, data in sorted([(0.3037, go), *code])] + [all_off]
    settings = PortSettings(keyboard_fd=keyboard, midi_system="JACK")
    with peer:
        # JACK loses what falls into a cycle that it skips on a busy computer
        for number in range(4):
            arrived.clear()
            with Night([cue], tmp_path / str(number), settings=settings) as night:
                night.wait_until_armed()
                peer.connect(_port(peer, is_output=True), messages_in)
                os.write(typist, b" ")
                trigger = night.wait_for(lambda event: isinstance(event, Triggered))
                done = night.wait_for(lambda event: isinstance(event, ScareDone))
                # at the end of the night what is meant for a stop leaves before the port is closed
            assert isinstance(done, ScareDone)
            assert [sent.problem for sent in done.messages] == ["", ""]
            received = [data for _, data in arrived]
            left = iter(expected)
            assert all(data in left for data in received), "out of order, or not meant to be sent"
            went_s = [at_s - trigger.at_s for at_s, data in arrived if data == go]
            # 300 ms, and JACK passes messages on by the block
            if received == expected and 0.29 < went_s[0] < 0.36:
                break
    assert received == expected
    assert 0.29 < went_s[0] < 0.36
    kinds = [mido.parse(data).type for data in received]
    assert kinds.count("quarter_frame") == len(code) - 1
    assert kinds.count("sysex") == 3


def test_a_midi_port_that_is_gone_and_back_triggers_again(tmp_path: Path) -> None:
    cue = plan(contact="midi:60", delay_s=0.1, reset_s=0.3, sounds=())
    keys = MidiKeys()
    try:
        with Night([cue], tmp_path, settings=PortSettings(midi_in="pads:keys")) as night:
            night.wait_until_armed()
            keys.press_until(60, night, 1)
            keys.close()
            night.wait_for(lambda event: isinstance(event, Fault) and "MIDI port for midi:60" in event.text)
            keys = MidiKeys()
            night.wait_for(lambda event: isinstance(event, Recovered))
            time.sleep(0.5)
            keys.press_until(60, night, 2)
    finally:
        keys.close()


class MidiKeys:
    """A JACK client with one MIDI output, as a USB keyboard would be."""

    def __init__(self) -> None:
        import jack

        self._client = jack.Client("pads", no_start_server=True)
        self._out: Any = None
        self._notes: list[bytes] = []
        self._client.set_process_callback(self._process)
        self._client.activate()
        # only now: who sees a port of a client that is not active yet can't join it
        self._out = self._client.midi_outports.register("keys")
        self._open = True

    def _process(self, _frames: int) -> None:
        if self._out is None:
            return
        self._out.clear_buffer()
        while self._notes:
            self._out.write_midi_event(0, self._notes.pop(0))

    def press_until(self, note: int, night: Night, scare: int) -> None:
        """JACK loses what falls into a cycle that it skips on a busy computer: more than once, if need be."""
        for _ in range(MOST_TRIES):
            self._notes.append(bytes((0x90, note, 100)))
            time.sleep(0.05)
            self._notes.append(bytes((0x80, note, 0)))
            time.sleep(0.2)
            if any(isinstance(event, Triggered) and event.number == scare for event in list(night.said)):
                return
            time.sleep(0.3)
        raise AssertionError([str(event) for event in night.said])

    def close(self) -> None:
        if self._open:
            self._open = False
            self._client.deactivate()
            self._client.close()


def _port(peer: object, **kind: bool) -> object:
    ports = [port for port in peer.get_ports(is_midi=True, **kind) if port.name.startswith("cuesync")]  # type: ignore[attr-defined]
    assert ports, [port.name for port in peer.get_ports(is_midi=True)]  # type: ignore[attr-defined]
    return ports[0]


def test_the_night_ends_faded_and_dark_with_its_log_complete(
    tmp_path: Path, ear: jackserver.Ear, terminal: tuple[int, int]
) -> None:
    typist, keyboard = terminal
    clip = click(length_s=5.0)
    clip.samples[:] = 0.5
    cue = plan(reset_s=6.0, sounds=(sound(clip, start_s=0.05),))
    with Night([cue], tmp_path, settings=PortSettings(keyboard_fd=keyboard)) as night:
        night.wait_until_armed()
        os.write(typist, b" ")
        night.wait_for(lambda event: isinstance(event, Triggered))
        time.sleep(0.5)
    whole = ear.stop()
    heard = whole.samples[:, 0]
    begin, end = (int(index) for index in np.flatnonzero(heard)[[0, -1]])
    fade = heard[end - 470 : end + 1]
    if not _skipped(whole, night):
        assert 0.4 < fade[0] < 0.5
        assert np.all(np.diff(fade) < 0)  # never cut off: 10 ms are 480 samples
    assert end - begin < 3.0 * RATE_HZ
    assert night.summary is not None
    assert night.summary.ended_wall is not None
    assert [scene.stopped for scene in night.summary.scenes] == [1]
    kinds = [event.kind for event in read_events(night.summary.path)]
    assert kinds.count("trigger") == kinds.count("scare") == 1


def test_an_unknown_card_is_refused_with_the_choices(tmp_path: Path) -> None:
    with pytest.raises(DeviceError, match=r'called "Nowhere"\. There are: "system / JACK'):
        run_show(
            [plan(contact="key:space")],
            device="Nowhere",
            settings=PortSettings(keyboard_fd=0),
            log_folder=tmp_path,
            say=print,
        )
