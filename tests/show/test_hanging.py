"""A device that hangs in its driver holds up nothing else: neither a stop nor the other scenes.

Whole nights with threads on the host's clock. What is waited for has to come while the device still hangs.
"""

from __future__ import annotations

import os
import queue
import select
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from cuesync.devices.lights_together import MIDI_PORT, LightsPart, LightsTogether
from cuesync.devices.opening import NeededSource
from cuesync.devices.ports import ContactEdge, Counts, EdgeSink, HostClock, LightCommand
from cuesync.plan.plan import LightStep, Plan, PlannedDrive, PlannedMessages
from cuesync.show import live
from cuesync.show.events import Fault, Recovered, ShowEvent
from cuesync.show.live import Controls, run_show
from cuesync.show.prepared import PreparedSound
from cuesync.show.sound import SoundCounts
from tests.devices.test_board import fill
from tests.show.plans import light, plan

HOUSE, STOP, HELD = "midi:99", "midi:100", "midi:101"
BOARD = "board at /dev/ttyACM0"
GO, ALL_OFF = b"go", b"all off"


class Gear:
    """An output for lights, for messages, or for a prop; while it hangs, nobody who calls it comes back."""

    def __init__(self) -> None:
        self._answers = threading.Event()
        self._answers.set()
        self.lit: set[str] = set()
        self.messages: list[bytes] = []
        self.driven = False

    def hang(self) -> None:
        self._answers.clear()

    def go_on(self) -> None:
        self._answers.set()

    def send(self, command: LightCommand) -> None:
        self._answers.wait()
        if command.on:
            self.lit.add(command.light)
        else:
            self.lit.discard(command.light)

    def all_off(self) -> None:
        self._answers.wait()
        self.lit.clear()

    def send_message(self, data: bytes) -> None:
        self._answers.wait()
        self.messages.append(data)

    def on(self, for_s: float) -> None:  # noqa: ARG002
        self._answers.wait()
        self.driven = True

    def keep_on(self, for_s: float) -> None:  # noqa: ARG002
        self._answers.wait()

    def off(self) -> None:
        self._answers.wait()
        self.driven = False

    def alive(self) -> bool:
        return True

    def close(self) -> None:
        pass


class Playing:
    done, late_s, missed_s = False, None, 0.0


class Sound:
    """The sound desk; counts what is asked for."""

    name, rate_hz, channels, latency_s, block_frames = "sound", 48000, 2, 0.0, 256
    locked, quiet, counts = True, True, SoundCounts()

    def __init__(self) -> None:
        self.plays = 0
        self.stopped = False

    def start(self, sounds: Sequence[PreparedSound]) -> None: ...

    def play(self, sound: int, start_s: float, trigger_s: float) -> Playing:  # noqa: ARG002
        self.plays += 1
        return Playing()

    def stop_all(self) -> None:
        self.stopped = True

    def alive(self) -> bool:
        return True

    def close(self) -> None: ...


class Buttons:
    """Every contact of the night; the edges come in on a thread of its own, as with any driver."""

    def __init__(self) -> None:
        self._edges: queue.SimpleQueue[ContactEdge] = queue.SimpleQueue()

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:  # noqa: ARG002
        def tell() -> None:
            while True:
                sink(self._edges.get())

        threading.Thread(target=tell, daemon=True).start()

    def edge(self, contact: str, closed: bool) -> None:
        self._edges.put(ContactEdge(contact=contact, closed=closed, at_s=HostClock().now_s()))

    @property
    def discarded(self) -> Counts:
        return {}

    def alive(self) -> bool:
        return True

    def close(self) -> None: ...


def flicker(address: str) -> Plan:
    steps = tuple(LightStep(at_s=k * 0.025, level=(k % 40 + 1) / 41) for k in range(400))
    messages = PlannedMessages(
        name="go", at_s=0.0, lands_s=0.0, path_s=0.0, messages=tuple((k * 0.025, GO) for k in range(400))
    )
    scene = plan(
        title="flicker", contact="midi:10", lights=(replace(light(0.0, 10.0, address), steps=steps),)
    )
    return replace(scene, messages=(messages,))


def scene(number: int) -> Plan:
    """A lamp on each output for half a minute, a sound, and a prop that is driven as long."""
    stop = PlannedMessages(name="stop", at_s=0.0, lands_s=0.0, path_s=0.0, messages=((0.0, ALL_OFF),))
    lamps = tuple(
        light(0.0, 30.0, address) for address in (f"board:/dev/ttyACM0:l{number}", f"midi:4{number}")
    )
    drive = PlannedDrive(
        output=f"gpio:{number}", start_s=0.02, latest_start_s=0.02, delay_s=0.0, max_on_s=30.0
    )
    made = plan(title=str(number), contact=f"midi:1{number}", lights=lamps, reset_s=60.0)
    return replace(made, drive=drive, stop_messages=(stop,))


class Night:
    def __init__(self, plans: Sequence[Plan], folder: Path, patch: pytest.MonkeyPatch) -> None:
        self.board, self.midi, self.sound = Gear(), Gear(), Sound()
        self.props = {each.drive.output: Gear() for each in plans if each.drive is not None}
        self.buttons = Buttons()
        self._armed = {each.title: threading.Event() for each in plans}
        self._stop = threading.Event()
        patch.setattr(live, "SoundProcess", lambda *_, **__: self.sound)
        patch.setattr(live, "prop_output", lambda address, *_: self.props[address])
        patch.setattr(live, "light_output", lambda *_: self._lights())
        patch.setattr(live, "contact_sources", lambda contacts, *_: (self._source(contacts),))
        controls = Controls(stop=(STOP,), acknowledge=(), arm=(), house_lights=(HOUSE,))
        self._thread = threading.Thread(
            target=lambda: run_show(
                plans, log_folder=folder, say=self._say, stop=self._stop, controls=controls
            ),
            daemon=True,
        )
        self._thread.start()
        for armed in self._armed.values():
            assert armed.wait(20.0)

    def _lights(self) -> LightsTogether:
        parts = [
            LightsPart(name=name, lights=(), open=lambda gear=gear: gear, output=gear)  # type: ignore[misc]
            for name, gear in ((MIDI_PORT, self.midi), (BOARD, self.board))
        ]
        return LightsTogether(parts, lambda address: BOARD if address.startswith("board") else MIDI_PORT)

    def _source(self, contacts: Iterable[str]) -> NeededSource:
        return NeededSource(name="buttons", contacts=tuple(contacts), source=self.buttons)

    def _say(self, event: ShowEvent) -> None:
        if event.text == "armed":
            self._armed[event.scene].set()

    def press(self, contact: str) -> None:
        self.buttons.edge(contact, True)
        self.buttons.edge(contact, False)

    def end(self) -> None:
        for gear in (self.board, self.midi, *self.props.values()):
            gear.go_on()
        self._stop.set()
        self._thread.join()


Start = Callable[..., Night]


@pytest.fixture
def start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Start]:
    nights: list[Night] = []

    def begin(*plans: Plan) -> Night:
        nights.append(Night(plans, tmp_path, monkeypatch))
        return nights[-1]

    yield begin
    for night in nights:
        night.end()


def until(true: Callable[[], bool]) -> bool:
    end_s = time.monotonic() + 5.0
    while not true() and time.monotonic() < end_s:
        time.sleep(0.002)
    return true()


@pytest.mark.parametrize("hung", ["one prop", "all props but one", "board", "MIDI port"])
def test_a_stop_ends_all_but_what_hangs(start: Start, hung: str) -> None:
    night = start(scene(1), scene(2), scene(3))
    props = tuple(night.props.values())
    for number in (1, 2, 3):
        night.press(f"midi:1{number}")
    assert until(lambda: len(night.midi.lit) == len(night.board.lit) == sum(p.driven for p in props) == 3)
    hanging = {"one prop": props[:1], "all props but one": props[:2], "board": (night.board,)}.get(
        hung, (night.midi,)
    )
    for gear in hanging:
        gear.hang()
    night.press(STOP)
    assert until(lambda: night.sound.stopped)
    assert until(lambda: not any(prop.driven for prop in props if prop not in hanging))
    if night.board not in hanging:
        assert until(lambda: not night.board.lit)
    if night.midi not in hanging:
        assert until(lambda: night.midi.lit == {HOUSE})
        assert until(lambda: night.midi.messages == [ALL_OFF])
    for gear in hanging:
        gear.go_on()
    assert until(lambda: not any(prop.driven for prop in props))
    assert until(lambda: not night.board.lit and night.midi.lit == {HOUSE})
    assert night.midi.messages == [ALL_OFF]


@pytest.mark.parametrize("hung", ["board", "MIDI port"])
def test_a_press_is_played_while_the_lights_or_messages_of_another_scene_hang(
    start: Start, hung: str
) -> None:
    gear, lamp, other = (
        ("board", "board:/dev/ttyACM0:lamp", "midi:42")
        if hung == "board"
        else (
            "midi",
            "midi:30",
            "board:/dev/ttyACM0:l2",
        )
    )
    night = start(flicker(lamp), scene(2))
    hanging: Gear = getattr(night, gear)
    free = night.midi if hanging is night.board else night.board
    night.press("midi:10")
    assert until(lambda: bool(hanging.lit) and bool(night.midi.messages))
    hanging.hang()
    time.sleep(0.1)  # several steps and messages are due
    night.press("midi:12")
    assert until(lambda: night.sound.plays == 2)
    assert until(lambda: night.props["gpio:2"].driven)
    assert until(lambda: other in free.lit)


def test_a_press_is_played_while_what_drives_the_prop_of_another_scene_hangs(start: Start) -> None:
    night = start(replace(scene(1), enable_contact=HELD), scene(2))
    night.buttons.edge(HELD, True)
    night.press("midi:11")
    assert until(lambda: night.props["gpio:1"].driven)
    night.props["gpio:1"].hang()
    time.sleep(0.2)  # it should have been told to stay on
    night.buttons.edge(HELD, False)
    night.press("midi:12")
    assert until(lambda: night.sound.plays == 2)
    assert until(lambda: night.props["gpio:2"].driven and "midi:42" in night.midi.lit)
    night.props["gpio:1"].go_on()
    assert until(lambda: not night.props["gpio:1"].driven)


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_a_board_that_takes_no_lines_is_told_of_and_shows_its_lights_when_it_takes_them_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("serial")
    board, ours = os.openpty()
    name = os.ttyname(ours)
    reading, stop = threading.Event(), threading.Event()
    came: list[bytes] = []
    told: list[str] = []
    buttons = Buttons()

    def firmware() -> None:
        while not stop.is_set():
            if reading.wait(0.01) and select.select([board], [], [], 0.01)[0]:
                came.append(os.read(board, 4096))

    def say(event: ShowEvent) -> None:
        if event.text == "armed" and event.scene == "first":
            buttons.edge("midi:10", True)
        elif isinstance(event, Fault | Recovered):
            told.append(event.text)

    def lamp(title: str, contact: str) -> Plan:
        lamps = (light(0.0, 30.0, f"board:{name}:{title}"),)
        return plan(title=title, contact=contact, sounds=(), lights=lamps, reset_s=60.0)

    monkeypatch.setattr(
        live,
        "contact_sources",
        lambda contacts, *_: (NeededSource(name="buttons", contacts=tuple(contacts), source=buttons),),
    )
    night = threading.Thread(
        target=lambda: run_show(
            [lamp("first", "midi:10"), lamp("second", "midi:11")],
            log_folder=tmp_path,
            say=say,
            stop=stop,
            controls=Controls(stop=(), acknowledge=(), arm=()),
        ),
        daemon=True,
    )
    reading.set()
    reader = threading.Thread(target=firmware, daemon=True)
    reader.start()
    night.start()
    try:
        assert until(lambda: b"first 255\n" in b"".join(came))
        reading.clear()
        time.sleep(0.05)
        fill(name)
        buttons.edge("midi:11", True)
        assert until(lambda: bool(told))
        reading.set()
        assert until(lambda: len(told) == 2)
        assert until(lambda: b"first 255\nsecond 255\n" in b"".join(came[1:]))
    finally:
        stop.set()
        night.join()
        reader.join()
        os.close(ours)
        os.close(board)
    what = f"the board at {name} for board:{name}:first, board:{name}:second"
    assert told[0].startswith(f"{what} is gone; everything else goes on.")
    assert told[1] == f"{what} is back"
