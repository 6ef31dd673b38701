"""A whole night in a process of its own: signals, a killed program, a killed sound server."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from cuesync.care import NO_EMERGENCY_STOP
from cuesync.devices.opening import NeededSource, PortSettings, contact_sources
from cuesync.devices.osc_packets import decode
from cuesync.devices.ports import Clock, ContactEdge, Counts, EdgeSink, HostClock
from cuesync.errors import InputError
from cuesync.show import live
from cuesync.show.events import Fault, Recovered, ScareDone, ShowEvent, StateChanged
from cuesync.show.live import Controls, run_show
from cuesync.show.log import NightSummary, ended_badly, night_files, read_events, read_summary
from cuesync.show.states import State
from tests.show import jackserver
from tests.show.plans import light, plan

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are a thing of Linux and macOS", allow_module_level=True)

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = """
import json, sys
from pathlib import Path
from cuesync.show.live import run_show
from tests.show.plans import plan
sounds = None if "sound" in sys.argv else ()
def say(event):
    print(json.dumps([event.kind, str(event)]), flush=True)
summary = run_show([plan(reset_s=1.0, sounds=sounds)], log_folder=Path(sys.argv[1]), say=say)
print(json.dumps(["summary", summary.scares]), flush=True)
"""


class Program:
    """`run_show` in a process with a terminal; `typist` is the other end of its keyboard."""

    def __init__(self, folder: Path, *arguments: str, code: str = PROGRAM) -> None:
        self.typist, keyboard = os.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-c", code, str(folder), *arguments],
            cwd=ROOT,
            stdin=keyboard,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        os.close(keyboard)
        self.said: list[list[object]] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said.append(json.loads(line))

    def wait_for(self, part: str, count: int = 1, timeout_s: float = 20.0) -> float:
        """Wait until this was said so often; gives the time that took."""
        start_s = time.monotonic()
        while sum(part in str(text) for _, text in self.said) < count:
            if time.monotonic() - start_s > timeout_s:
                raise AssertionError(f'"{part}" was not said {count} times; said was {self.said}')
            time.sleep(0.005)
        return time.monotonic() - start_s

    def press(self) -> None:
        os.write(self.typist, b" ")

    def end(self, sent: signal.Signals | None) -> int:
        if sent is not None:
            self.process.send_signal(sent)
        code = self.process.wait(20.0)
        self._reader.join(5.0)
        return code

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self.typist)
        for pipe in (self.process.stdout, self.process.stderr):
            if pipe is not None:
                pipe.close()


@pytest.fixture
def program(tmp_path: Path) -> Iterator[Program]:
    running = Program(tmp_path)
    yield running
    running.close()


@pytest.mark.parametrize("sent", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_ends_the_night_in_good_order(
    program: Program, tmp_path: Path, sent: signal.Signals
) -> None:
    program.wait_for("armed")
    program.press()
    program.wait_for("scare 1: triggered")
    assert program.end(sent) == 0
    assert program.said[-1] == ["summary", 1]
    summary = read_summary(night_files(tmp_path)[0])
    assert summary.ended_wall is not None
    assert summary.scares == 1


def test_every_start_says_that_it_is_no_emergency_stop(program: Program) -> None:
    program.wait_for("armed")
    assert NO_EMERGENCY_STOP in str(program.said[0][1])


def test_the_operator_reads_the_way_back_from_a_stop(program: Program) -> None:
    program.wait_for("Enter stops all sound and light. After that: Press 1, then 2, to arm again.")
    program.wait_for("armed")
    os.write(program.typist, b"\r")
    program.wait_for("all stopped by Enter. Press 1, then 2, to arm again.")
    program.press()
    program.wait_for("press refused: stopped. Press 1, then 2, to arm again.")
    os.write(program.typist, b"1")
    program.wait_for("Cellar door: off", 1)
    time.sleep(0.8)  # a key counts as released after 0.7 s
    program.press()
    program.wait_for("press refused: off. Press 2 to arm.")
    os.write(program.typist, b"2")
    program.wait_for("armed", 2)
    assert not any("ready in 0 s" in str(text) for _, text in program.said)


def test_controls_in_words() -> None:
    midi = Controls(stop=("midi:36", "key:f"), acknowledge=("midi:10:37",), arm=("key:space",))
    assert midi.in_words(driven=False) == (
        "MIDI note 36 or F stops all sound and light. After that: "
        "Press MIDI note 37 on channel 10, then Space, to arm again."
    )
    assert Controls(arm=()).in_words(driven=False) == "Enter stops all sound and light."
    assert Controls(stop=()).in_words(driven=True) == ""
    assert Controls().in_words(driven=True) == (
        "Enter stops all sound and light, and cuts the props that cuesync starts. "
        "After that: Press 1, then 2, to arm again."
    )


def test_after_a_kill_the_log_has_every_finished_scare_and_the_next_start_says_so(
    program: Program, tmp_path: Path
) -> None:
    first_s = program.wait_for("armed")
    for count in range(1, 4):
        program.press()
        program.wait_for(f"scare {count} done")
        program.wait_for("armed", count + 1)
    time.sleep(0.1)
    program.end(signal.SIGKILL)
    first = ended_badly(tmp_path)
    assert first is not None
    assert [event.data["number"] for event in read_events(first, kinds=["scare"])] == [1, 2, 3]
    again = Program(tmp_path)
    try:
        again_s = again.wait_for("armed")
        again.wait_for("the last night ended badly")
        assert again.end(signal.SIGTERM) == 0
    finally:
        again.close()
    assert len(night_files(tmp_path)) == 2
    # what was left behind holds nothing up
    assert again_s < first_s + 1.0, (again_s, first_s)


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="no such signal")
def test_a_night_that_was_suspended_in_a_reset_goes_on(program: Program, tmp_path: Path) -> None:
    program.wait_for("armed")
    program.press()
    program.wait_for("scare 1 done")
    os.kill(program.process.pid, signal.SIGSTOP)
    time.sleep(2.0)
    os.kill(program.process.pid, signal.SIGCONT)
    program.wait_for("armed", 2)
    program.press()
    program.wait_for("scare 2 done")
    assert program.end(signal.SIGTERM) == 0
    (night,) = night_files(tmp_path)
    assert read_summary(night).scares == 2


def test_two_scenes_of_one_name_can_not_run_together(tmp_path: Path) -> None:
    with pytest.raises(InputError, match='two scenes are called "Cellar door"'):
        run_show([plan(), plan(contact="key:f")], log_folder=tmp_path, say=print)


def test_a_contact_that_steers_the_show_triggers_no_scene(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="triggered by key:enter, which steers the whole show"):
        run_show([plan(contact="key:enter")], log_folder=tmp_path, say=print)


@pytest.mark.parametrize(
    ("contact", "stop"),
    [("key:Enter", "key:enter"), ("midi:36", "midi:1:36"), ("midi:10:36", "midi:36")],
)
def test_however_it_is_written(tmp_path: Path, contact: str, stop: str) -> None:
    with pytest.raises(InputError, match="which steers the whole show"):
        run_show([plan(contact=contact)], log_folder=tmp_path, say=print, controls=Controls(stop=(stop,)))
    with pytest.raises(InputError, match=f"sees its pop by {contact}, which steers the whole show"):
        run_show(
            [replace(plan(), pop_contact=contact)],
            log_folder=tmp_path,
            say=print,
            controls=Controls(stop=(stop,)),
        )


def run_with_keyboard(folder: Path, contact: str = "key:space", notes: tuple[str, ...] = ()) -> NightSummary:
    """A night of one press of the space bar, without sound, in this process."""
    typist, keyboard = os.openpty()
    stop = threading.Event()

    def say(event: ShowEvent) -> None:
        if isinstance(event, StateChanged) and event.after is State.ARMED:
            os.write(typist, b" ")
        if isinstance(event, ScareDone):
            stop.set()

    giving_up = threading.Timer(20.0, stop.set)
    giving_up.start()
    try:
        return run_show(
            [replace(plan(contact=contact, sounds=(), delay_s=0.1, reset_s=2.0), notes=notes)],
            log_folder=folder,
            say=say,
            stop=stop,
            settings=PortSettings(keyboard_fd=keyboard),
        )
    finally:
        giving_up.cancel()
        os.close(typist)
        os.close(keyboard)


class PressedButton:
    """A button that is found pressed as the night begins; `release` lets go of it."""

    def __init__(self, *, pressed: bool = True) -> None:
        self._pressed = pressed
        self._sink: EdgeSink | None = None
        self._contact = ""

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        (self._contact,), self._sink = contacts, sink
        now_s = HostClock().now_s()
        sink(ContactEdge(contact=self._contact, closed=self._pressed, at_s=now_s, found=True))

    def release(self) -> None:
        assert self._sink is not None
        self._sink(ContactEdge(contact=self._contact, closed=False, at_s=HostClock().now_s()))

    @property
    def discarded(self) -> Counts:
        return {}

    def alive(self) -> bool:
        return self._sink is not None

    def close(self) -> None:
        self._sink = None


def test_a_stop_contact_found_pressed_keeps_the_night_from_being_armed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    typist, keyboard = os.openpty()
    stop, button, states = threading.Event(), PressedButton(), list[State]()

    def sources(contacts: Iterable[str], settings: PortSettings, clock: Clock) -> tuple[NeededSource, ...]:
        keys = [contact for contact in contacts if contact.startswith("key:")]
        needed = NeededSource(name="button", contacts=("midi:20 nc",), source=button)
        return (*contact_sources(keys, settings, clock), needed)

    def say(event: ShowEvent) -> None:
        if "was found pressed" in event.text:
            os.write(typist, b"1")
        if "while a stop contact is pressed" in event.text:
            button.release()
            threading.Timer(0.9, os.write, (typist, b"1")).start()  # the terminal's key is down for 0.7 s
        if isinstance(event, StateChanged):
            states.append(event.after)
            if event.after is State.OFF:
                os.write(typist, b"2")
            elif event.after is State.ARMED:
                stop.set()

    monkeypatch.setattr(live, "contact_sources", sources)
    giving_up = threading.Timer(20.0, stop.set)
    giving_up.start()
    try:
        run_show(
            [plan(sounds=())],
            log_folder=tmp_path,
            say=say,
            stop=stop,
            settings=PortSettings(keyboard_fd=keyboard),
            controls=Controls(stop=("key:enter", "midi:20 nc")),
        )
    finally:
        giving_up.cancel()
        os.close(typist)
        os.close(keyboard)
    assert states[:4] == [State.STOPPED, State.OFF, State.RESETTING, State.ARMED]


class StuckButton(PressedButton):
    """Its driver never comes back from closing it, until it is let go."""

    def __init__(self) -> None:
        super().__init__(pressed=False)
        self.let_go = threading.Event()

    def close(self) -> None:
        self.let_go.wait(60.0)


def test_a_device_that_hangs_as_it_is_closed_keeps_no_other_open_and_no_night_from_ending(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stuck, other, stop = StuckButton(), PressedButton(pressed=False), threading.Event()

    def sources(*_: object) -> tuple[NeededSource, ...]:
        return (
            NeededSource(name="stuck", contacts=("midi:20",), source=stuck),
            NeededSource(name="other", contacts=("midi:21",), source=other),
        )

    monkeypatch.setattr(live, "contact_sources", sources)
    monkeypatch.setattr(live, "_CLOSE_S", 0.5)
    ended_s: list[float] = []

    def say(event: ShowEvent) -> None:
        if isinstance(event, StateChanged) and event.after is State.ARMED:
            ended_s.append(time.monotonic())
            stop.set()

    try:
        night = run_show(
            [plan(sounds=(), contact="midi:20")],
            log_folder=tmp_path,
            say=say,
            stop=stop,
            controls=Controls(stop=("midi:21",), acknowledge=(), arm=()),
        )
        assert time.monotonic() - ended_s[0] < 8.0
        assert not other.alive()
        assert night.ended_wall is not None
    finally:
        stuck.let_go.set()


class SlowButton(PressedButton):
    """Open at first; it goes when `gone` is set, and is slow to open again."""

    def __init__(self) -> None:
        super().__init__(pressed=False)
        self.gone, self.opening = threading.Event(), threading.Event()

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        if self.gone.is_set():
            self.opening.set()
            time.sleep(1.5)
        super().open(contacts, sink)

    def alive(self) -> bool:
        return not self.gone.is_set()


def test_a_press_as_the_night_ends_starts_nothing_though_the_watch_opens_a_device(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    typist, keyboard = os.openpty()
    stop, button = threading.Event(), SlowButton()

    def sources(contacts: Iterable[str], settings: PortSettings, clock: Clock) -> tuple[NeededSource, ...]:
        keys = [contact for contact in contacts if contact.startswith("key:")]
        needed = NeededSource(name="button", contacts=("midi:20",), source=button)
        return (*contact_sources(keys, settings, clock), needed)

    def say(event: ShowEvent) -> None:
        if isinstance(event, StateChanged) and event.after is State.ARMED:
            button.gone.set()
            assert button.opening.wait(10.0)
            threading.Timer(0.4, os.write, (typist, b" ")).start()
            stop.set()

    monkeypatch.setattr(live, "contact_sources", sources)
    giving_up = threading.Timer(20.0, stop.set)
    giving_up.start()
    try:
        night = run_show(
            [plan(sounds=())],
            log_folder=tmp_path,
            say=say,
            stop=stop,
            settings=PortSettings(keyboard_fd=keyboard),
            controls=Controls(arm=("key:2", "midi:20")),
        )
    finally:
        giving_up.cancel()
        os.close(typist)
        os.close(keyboard)
    assert (night.scares, night.refusals) == (0, 1)


def test_a_lost_stop_contact_stops_all_while_another_device_is_being_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stop, slow, button = threading.Event(), SlowButton(), SlowButton()
    stopped: list[bool] = []

    def sources(contacts: Iterable[str], settings: PortSettings, clock: Clock) -> tuple[NeededSource, ...]:  # noqa: ARG001
        return (
            NeededSource(name="slow button", contacts=("midi:20",), source=slow),
            NeededSource(name="button", contacts=("midi:21 nc",), source=button),
        )

    def say(event: ShowEvent) -> None:
        if isinstance(event, StateChanged) and event.after is State.ARMED:
            slow.gone.set()
            assert slow.opening.wait(10.0)
            button.gone.set()
            threading.Timer(1.0, stop.set).start()  # the slow one takes longer
        elif isinstance(event, StateChanged) and event.after is State.STOPPED:
            stopped.append(stop.is_set())
            stop.set()

    monkeypatch.setattr(live, "contact_sources", sources)
    run_show(
        [plan(sounds=(), contact="midi:20")],
        log_folder=tmp_path,
        say=say,
        stop=stop,
        controls=Controls(stop=("midi:21 nc",), acknowledge=(), arm=()),
    )
    assert stopped[0] is False


def test_a_scene_that_writes_its_key_in_capitals_gets_its_edges(tmp_path: Path) -> None:
    assert run_with_keyboard(tmp_path, "key:SPACE").scares == 1


def test_what_a_plan_remarks_is_said_before_its_scene_is_armed(tmp_path: Path) -> None:
    night = run_with_keyboard(tmp_path, notes=("the delay is a guess",))
    texts = [(event.kind, event.scene, event.text) for event in read_events(night.path)]
    remark = texts.index(("note", "Cellar door", "the delay is a guess"))
    assert remark < texts.index(("state", "Cellar door", "armed"))


def test_a_damaged_old_log_keeps_no_night_from_starting(tmp_path: Path) -> None:
    run_with_keyboard(tmp_path)
    (old,) = night_files(tmp_path)
    damaged = bytearray(old.read_bytes())
    damaged[4096:] = b"\xa5" * (len(damaged) - 4096)
    old.write_bytes(damaged)
    assert run_with_keyboard(tmp_path).scares == 1


def test_a_log_that_can_not_be_read_back_does_not_fail_the_night(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path) -> NightSummary:
        raise InputError(f"{path}: can't be read")

    monkeypatch.setattr(live, "read_summary", full)
    night = run_with_keyboard(tmp_path)
    assert (night.scares, night.refusals, night.faults) == (1, 0, 0)
    assert night.log_trouble == "its log can't be read back"
    assert replace(night, started_wall="", ended_wall="", log_trouble="") == replace(
        read_summary(night.path), started_wall="", ended_wall=""
    )


def test_a_board_that_is_gone_and_back_leaves_the_lights_on_the_network_alone(tmp_path: Path) -> None:
    pytest.importorskip("serial")
    plug = tmp_path / "board"

    def plug_in() -> int:
        board, ours = os.openpty()
        plug.symlink_to(os.ttyname(ours))
        return board

    board = plug_in()
    typist, keyboard = os.openpty()
    network = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    network.bind(("127.0.0.1", 0))
    network.setblocking(False)
    osc = f"osc:127.0.0.1:{network.getsockname()[1]}/eyes"
    lights = tuple(light(0.05, 0.1, address) for address in (f"board:{plug}:eyes", osc))
    stop = threading.Event()
    armed, scares = 0, list[ScareDone]()
    told: list[str] = []

    def say(event: ShowEvent) -> None:
        nonlocal armed, board
        if isinstance(event, Fault | Recovered):
            told.append(event.text)
            os.write(typist, b" ")
        elif isinstance(event, StateChanged) and event.after is State.ARMED:
            armed += 1
            if armed == 1:
                os.write(typist, b" ")
            elif armed == 2:
                os.close(board)
                plug.unlink()
            elif armed == 3:
                board = plug_in()
        elif isinstance(event, ScareDone):
            scares.append(event)
            if len(scares) == 3:
                stop.set()

    giving_up = threading.Timer(20.0, stop.set)
    giving_up.start()
    try:
        run_show(
            [plan(sounds=(), lights=lights, delay_s=0.1, reset_s=1.0)],
            log_folder=tmp_path / "nights",
            say=say,
            stop=stop,
            settings=PortSettings(keyboard_fd=keyboard),
        )
        levels = list[object]()
        with contextlib.suppress(BlockingIOError):
            while True:
                levels += decode(network.recv(1000))[0].values
    finally:
        giving_up.cancel()
        network.close()
        for end in (typist, keyboard, board):
            os.close(end)
    lights_sent = [sorted(scare.lights, key=lambda told: (told.planned_at_s, told.light)) for scare in scares]
    sent = [[bool(told.problem) for told in each] for each in lights_sent]
    assert sent == [[False] * 4, [True, False] * 2, [False] * 4]
    assert levels[:6] == [1.0, 0.0] * 3
    assert not any(levels[6:])  # off once more as the night ends
    assert [text.partition(";")[0] for text in told] == [
        f"the board at {plug} for board:{plug}:eyes is gone",
        f"the board at {plug} for board:{plug}:eyes is back",
    ]


def test_no_scene_is_no_show(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no scene to run"):
        run_show([], log_folder=tmp_path, say=print)


def test_another_test_run_takes_no_server_name_of_ours() -> None:
    """It took the name of a server that this one had killed and was to start again."""
    name = f"cuesync-claim-{os.getpid()}"
    ask = f"from tests.show import jackserver; print(jackserver.claim({name!r}))"

    def other_run() -> str:
        return subprocess.run(
            [sys.executable, "-c", ask], cwd=ROOT, capture_output=True, text=True, check=True, timeout=30.0
        ).stdout.strip()

    assert other_run() == "True"
    assert jackserver.claim(name)
    assert jackserver.claim(name)
    assert other_run() == "False"
    (Path(tempfile.gettempdir()) / f"{name}.claim").unlink()


@pytest.mark.real_stream
def test_the_sound_comes_back_after_the_server_was_killed(jack_name: str, tmp_path: Path) -> None:
    """The server dies by SIGKILL and is started again under the same name, as a supervisor would do."""
    assert jack_name
    realtime = jackserver.may_be_realtime()
    name, server = jackserver.start_free_server("killed", 256, realtime=realtime)
    before = os.environ["JACK_DEFAULT_SERVER"]
    os.environ["JACK_DEFAULT_SERVER"] = name
    running = Program(tmp_path, "sound")
    try:
        started_s = running.wait_for("armed")
        server.kill()
        server.wait()
        running.wait_for("is gone; the lights go on")
        running.press()
        running.wait_for("1 of 1 sounds not heard")
        server = jackserver.start_server(name, 256, realtime=realtime)
        took_s = running.wait_for("is back")
        ear = jackserver.Ear(tmp_path, 20.0)
        running.wait_for("armed", 2)
        running.press()
        running.wait_for("scare 2 done")
        heard = ear.stop()
        assert running.end(signal.SIGTERM) == 0
    finally:
        os.environ["JACK_DEFAULT_SERVER"] = before
        running.close()
        jackserver.stop_server(server)
    # A new sound process is started, as at the beginning; a busy computer makes both slow.
    assert took_s < started_s + 2.0, (took_s, started_s)
    assert len(heard.hits()) == 1 or heard.lost > 0
