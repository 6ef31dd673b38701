"""A live night: real ports, threads, the log. The command line only shows what `say` is told."""

from __future__ import annotations

import contextlib
import gc
import sys
import threading
from collections import deque
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from pathlib import Path

from cuesync.care import NO_EMERGENCY_STOP
from cuesync.devices.contact_addresses import KeyContact, in_words, is_microphone, parse_contact
from cuesync.devices.lights_together import LightsPart, LightsTogether
from cuesync.devices.microphone import Microphones
from cuesync.devices.opening import PortSettings, contact_sources, light_output, prop_output
from cuesync.devices.ports import Clock, ContactEdge, HostClock, PropOutput
from cuesync.ending import END_SIGNALS, on_signals
from cuesync.errors import DeviceError, InputError
from cuesync.plan.fixtures import check_house_lights
from cuesync.plan.placing import with_device_latency
from cuesync.plan.plan import Plan
from cuesync.plan.together import clashes
from cuesync.show.engine import Show
from cuesync.show.events import Fault, Note, Recovered, ShowEvent
from cuesync.show.listening import Listener
from cuesync.show.log import (
    NightLog,
    NightSummary,
    NightTally,
    ended_badly,
    new_night_file,
    read_summary,
    seconds_since_triggers,
)
from cuesync.show.prepared import channels_needed
from cuesync.show.sound import SoundDesk
from cuesync.show.sound_child import SoundChild
from cuesync.show.sound_process import SoundProcess
from cuesync.show.states import State
from cuesync.show.steering import Steering
from cuesync.show.telling import Outlet, PlainOutlet, Tellers
from cuesync.show.threads import WorkerThread
from cuesync.show.watch import Watch, WatchedSource, WatchedStarter

_SWITCH_INTERVAL_S = 0.0005
_SETTLE_S = 1.0
_LOOK_EVERY_S = 0.05
_SAY_REST_S = 2.0
_SAY_OVER_S = 1.0
_CLOSE_S = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Controls:
    """Contacts by which the operator steers the whole show; any contact address will do.

    A stop contact may be normally closed ("gpio:17 nc"): a broken wire or a lost device then stops all too.
    After `stop`, `acknowledge` and then `arm` lead back: two steps, so that no slip of the hand does.
    `house_lights` (addresses of lights) are on in between.
    """

    stop: tuple[str, ...] = ("key:enter",)
    acknowledge: tuple[str, ...] = ("key:1",)
    arm: tuple[str, ...] = ("key:2",)
    house_lights: tuple[str, ...] = ()

    @property
    def contacts(self) -> tuple[str, ...]:
        return self.stop + self.acknowledge + self.arm

    @property
    def ways_back(self) -> dict[State, str]:
        """What the operator does to get from a state to armed; nothing where there is no contact for it."""
        acknowledge, arm = _either(self.acknowledge), _either(self.arm)
        ways = {}
        if arm:
            ways = {State.OFF: f"Press {arm} to arm.", State.HELD: f"Press {arm} to arm it again."}
            if acknowledge:
                ways[State.STOPPED] = f"Press {acknowledge}, then {arm}, to arm again."
        return ways

    def in_words(self, *, driven: bool) -> str:
        """What the contacts do, for the operator; empty where nothing stops the show.

        `driven`: cuesync starts one of the props itself.
        """
        if not self.stop:
            return ""
        said = f"{_either(self.stop)} stops all sound and light"
        said += ", and cuts the props that cuesync starts." if driven else "."
        way = self.ways_back.get(State.STOPPED, "")
        return f"{said} After that: {way}" if way else said


def _either(contacts: Sequence[str]) -> str:
    return " or ".join(in_words(contact) for contact in contacts)


def run_show(
    plans: Sequence[Plan],
    *,
    device: str | None = None,
    settings: PortSettings | None = None,
    log_folder: Path,
    say: Callable[[ShowEvent], None] | None = None,
    outlets: Sequence[Outlet] = (),
    stop: threading.Event | None = None,
    controls: Controls | None = None,
    block_frames: int | None = None,
    sound_child: SoundChild | None = None,
) -> NightSummary:
    """Arm the scenes and play them until `stop` is set, Ctrl-C, SIGTERM or the end of the terminal.

    Then fade, darken, close the log. A second Ctrl-C changes nothing: the end is under way, and no device,
    screen or reader that hangs can hold it up for more than some seconds.

    `device`: the sound card's name or a part of it (see `cuesync devices`). `say` and `outlets` get what
    happens, each on a thread of its own. `sound_child` was started, and asked for this device, before the
    plans were made.
    DeviceError where something needed is missing, InputError where two scenes or controls can't
    go together, StorageError where the log can't be written; nothing is armed then, and no log is left.
    """
    if not plans:
        raise InputError("there is no scene to run. Name at least one scene file.")
    steering = Controls() if controls is None else controls
    _check_together(plans, steering)
    stopping = threading.Event() if stop is None else stop
    clock = HostClock()
    badly_ended = ended_badly(log_folder)
    now_s = clock.now_s()
    last_triggers_s = {
        scene: now_s - since_s for scene, since_s in seconds_since_triggers(log_folder).items()
    }
    tellers = Tellers([*outlets, *(() if say is None else (PlainOutlet(say),))], clock)

    with ExitStack() as stack:
        ports = _Ports(
            plans,
            steering,
            device,
            PortSettings() if settings is None else settings,
            block_frames,
            clock,
            sound_child,
        )
        stack.callback(ports.close)
        path = new_night_file(log_folder, date.today().isoformat())
        tally = NightTally(path, plans)

        def report(event: ShowEvent) -> None:
            log.put(event)
            tally.take(event)
            tellers.put(event)

        log = NightLog(
            path,
            plans,
            clock.now_s(),
            trouble=lambda text: report(Fault(at_s=clock.now_s(), what=text, about="log", lasting=True)),
            relief=lambda text: report(Recovered(at_s=clock.now_s(), what=text, about="log")),
        )
        begun = False
        stack.callback(lambda: log.close() if begun else log.discard())

        if ports.sound is not None:
            opened = ports.sound
            plans = [with_device_latency(plan, opened.latency_s, opened.name) for plan in plans]

        stack.callback(tellers.close, None, _SAY_REST_S)
        tellers.start(report)

        listener = Listener(clock, ports.sound, ports.microphones) if ports.microphones else None
        show = Show(
            plans,
            clock=clock,
            sound=ports.sound,
            lights=ports.lights,
            messages=ports.lights,
            report=report,
            house_lights=steering.house_lights,
            ways_back=steering.ways_back,
            listener=listener,
            outputs=ports.outputs,
        )
        for scene, what in _opening_words(plans, steering, ports.sound, badly_ended):
            report(Note(at_s=clock.now_s(), scene=scene, what=what))
        asked = stack.enter_context(_steady())
        night = _Night(show, ports, steering, clock, report, listener)
        stack.callback(night.end)
        night.begin(last_triggers_s)
        begun = True
        while not (asked or stopping.is_set()):
            clock.sleep_s(_LOOK_EVERY_S)
        night.end()
        ports.close()
        tellers.drain(_SAY_REST_S)
        log.close()
        summary = _in_numbers(log, tally, lambda what: tellers.put(Fault(at_s=clock.now_s(), what=what)))
        tellers.close(summary, _SAY_OVER_S)
        return summary


def _in_numbers(log: NightLog, tally: NightTally, trouble: Callable[[str], None]) -> NightSummary:
    """The night as its log has it; as it was, where the log is not whole (a full disk, say)."""
    if log.incomplete:
        return replace(tally.summary(), log_trouble=log.incomplete)
    try:
        return read_summary(log.path)
    except InputError as problem:
        trouble(f"the night's log can't be read back: {problem}")
        return replace(tally.summary(), log_trouble="its log can't be read back")


def _opening_words(
    plans: Sequence[Plan], steering: Controls, sound: SoundDesk | None, badly_ended: Path | None
) -> Iterator[tuple[str, str]]:
    """What is said before anything is armed, with the title of the scene that it is about."""
    yield "", NO_EMERGENCY_STOP
    if keys := steering.in_words(driven=any(plan.drive is not None for plan in plans)):
        yield "", keys
    if badly_ended is not None:
        yield "", f"the last night ended badly; its log is {badly_ended}"
    if sound is not None:
        yield "", _describe(sound)
    for plan in plans:
        for remark in plan.remarks:
            yield plan.title, remark


def _describe(sound: SoundDesk) -> str:
    return (
        f"sound: {sound.name}, {sound.channels} channels, {sound.rate_hz} Hz, "
        f"latency {sound.latency_s * 1000.0:.1f} ms as reported"
    )


def _check_together(plans: Sequence[Plan], controls: Controls) -> None:
    check_house_lights(controls.house_lights, plans)
    for clash in clashes(plans, controls.contacts, controls.house_lights):
        raise InputError(f"{clash.what} {clash.todo}")


@contextmanager
def _steady() -> Iterator[Collection[str]]:
    """Signals end the night in good order, no long garbage collection, quick turns between threads.

    What it gives is no longer empty once a signal has asked for the end. An event would not do: the next
    signal may come while the one before is being taken, and would wait for the event's lock for ever.
    """
    asked: deque[str] = deque(maxlen=1)
    before_s = sys.getswitchinterval()
    sys.setswitchinterval(_SWITCH_INTERVAL_S)
    gc.freeze()  # not collected before: that would delay the arming, to free next to nothing
    gc.enable()
    try:
        with on_signals(("SIGINT", *END_SIGNALS), lambda: asked.append("end")):
            yield asked
    finally:
        gc.unfreeze()
        sys.setswitchinterval(before_s)


class _Ports:
    """Everything that was opened for these plans."""

    def __init__(
        self,
        plans: Sequence[Plan],
        controls: Controls,
        device: str | None,
        settings: PortSettings,
        block_frames: int | None,
        clock: Clock,
        sound_child: SoundChild | None,
    ) -> None:
        self._settings = settings
        self._closed = False
        light_addresses = [light for plan in plans for light in plan.light_addresses]
        light_addresses += controls.house_lights
        messages = [one.name for plan in plans for one in (*plan.messages, *plan.stop_messages)]
        fixtures = tuple(dict.fromkeys(fixture for plan in plans for fixture in plan.fixtures))
        channels = channels_needed(plans)
        self.sound: SoundDesk | None = None
        self.lights: LightsTogether | None = None
        self.sources: list[WatchedSource] = []
        self.microphones: dict[str, Microphones] = {}
        self.outputs: dict[str, PropOutput] = {}
        self.open_outputs = {
            plan.title: partial(prop_output, plan.drive.output, plan.drive.max_on_s, clock)
            for plan in plans
            if plan.drive is not None
        }
        contacts = [contact for plan in plans for contact, _ in plan.contacts]
        contacts += [
            contact
            for contact in controls.contacts
            # keys can't be read where there is no terminal; then the other controls have to do
            if not isinstance(parse_contact(contact), KeyContact) or self._has_keyboard(contacts)
        ]

        def lights() -> None:
            try:
                self.lights = light_output(settings, clock, light_addresses, fixtures, messages)
            except DeviceError as problem:
                said = str(problem).rstrip(".")
                raise DeviceError(f"{said}. To play without the lights, add --without-lights.") from problem

        def sound() -> None:
            self.sound = SoundProcess(
                device, channels=channels, block_frames=block_frames, clock=clock, child=sound_child
            )

        def sources() -> None:
            for needed in contact_sources(contacts, settings, clock):
                self.sources.append(
                    WatchedSource(source=needed.source, contacts=needed.contacts, name=needed.name)
                )
                if needed.microphones is not None:
                    self.microphones |= {
                        contact: needed.microphones for contact in needed.contacts if is_microphone(contact)
                    }

        def outputs() -> None:
            for title, open_it in self.open_outputs.items():
                self.outputs[title] = open_it()

        missing: list[str] = []
        try:
            for needed, open_one in (
                (bool(channels), sound),
                (bool(light_addresses or messages), lights),
                (True, sources),
                (True, outputs),
            ):
                try:
                    if needed:
                        open_one()
                except DeviceError as problem:
                    missing.append(str(problem))
            if missing:
                # all at once: nobody wants to plug in one thing only to be told of the next
                raise DeviceError("\n".join(missing))
        except BaseException:
            self.close()
            raise

    def _has_keyboard(self, contacts: Sequence[str]) -> bool:
        asked_for = any(isinstance(parse_contact(contact), KeyContact) for contact in contacts)
        return asked_for or self._settings.keyboard_fd is not None or _is_terminal()

    def open_contacts(self, sink: Callable[[ContactEdge], None]) -> None:
        for watched in self.sources:
            watched.source.open(watched.contacts, sink)

    def close(self) -> None:
        """Close all, and wait for none that hangs: a stopped terminal, a driver. The second time, nothing."""
        if self._closed:
            return
        self._closed = True
        for output in self.outputs.values():
            _within(_CLOSE_S, output.close)
        for watched in self.sources:
            _within(_CLOSE_S, watched.source.close)
        for part in () if self.lights is None else self.lights.parts:
            _within(_CLOSE_S, partial(part.act, lambda output: output.close()))
        if self.sound is not None:
            _within(_CLOSE_S, self.sound.close)


def _within(most_s: float, close: Callable[[], None]) -> None:
    """Close something, but wait no longer than this; where it is gone, its watch has said so."""

    def quietly() -> None:
        with contextlib.suppress(Exception):
            close()

    closing = threading.Thread(target=quietly, name="cuesync closing", daemon=True)
    closing.start()
    closing.join(most_s)


def _is_terminal() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()


class _Night:
    """The threads of a live show, from the first to the last."""

    def __init__(
        self,
        show: Show,
        ports: _Ports,
        controls: Controls,
        clock: Clock,
        report: Callable[[ShowEvent], None],
        listener: Listener | None,
    ) -> None:
        self._show = show
        self._ports = ports
        self._clock = clock
        self._report = report
        self._ended = False
        self._take = Steering(
            show,
            clock,
            report,
            stop=controls.stop,
            acknowledge=controls.acknowledge,
            arm=controls.arm,
            way_back=controls.ways_back.get(State.STOPPED, ""),
        ).take

        def watch(
            *,
            sound: SoundDesk | None = None,
            lights: Sequence[LightsPart] = (),
            sources: Sequence[WatchedSource] = (),
            starters: Sequence[WatchedStarter] = (),
        ) -> Watch:
            return Watch(
                show,
                clock,
                report,
                sound=sound,
                sources=sources,
                sink=self._take,
                stops=controls.stop,
                lights=lights,
                starters=starters,
            )

        # Each with its own thread: opening a device may take seconds, and no lost contact waits for that.
        self._watches = [watch(sound=ports.sound)]
        self._watches += [watch(lights=[part]) for part in (ports.lights.parts if ports.lights else ())]
        self._watches += [watch(sources=[source]) for source in ports.sources]
        self._watches += [
            watch(starters=[WatchedStarter(starter=starter, open=ports.open_outputs[starter.scene])])
            for starter in show.starters
        ]
        self._show_thread = WorkerThread(show, clock, "show", self._failed)
        self._desk_threads: list[WorkerThread] = []
        for desk in show.desks:
            thread = WorkerThread(desk, clock, "desk", self._failed, punctual=True)
            self._desk_threads.append(thread)
            desk.wake = thread.wake
        self._watch_threads = [WorkerThread(each, clock, "watch", self._failed) for each in self._watches]
        self._guard_threads: list[WorkerThread] = []
        for starter in show.starters:
            thread = WorkerThread(starter.guard, clock, "prop", self._failed, punctual=True)
            self._guard_threads.append(thread)
            starter.guard.wake = thread.wake
        self._listener_threads: tuple[WorkerThread, ...] = ()
        if listener is not None:
            self._listener_threads = (WorkerThread(listener, clock, "listener", self._failed),)
            listener.wake = self._listener_threads[0].wake
        show.wake = self._show_thread.wake

    def begin(self, last_triggers_s: Mapping[str, float]) -> None:
        self._show.start(last_triggers_s)
        self._ports.open_contacts(self._take)
        for thread in (
            *self._guard_threads,
            *self._desk_threads,
            self._show_thread,
            *self._watch_threads,
            *self._listener_threads,
        ):
            thread.start()

    def end(self) -> None:
        """Fade, darken, and leave every thread. Does nothing the second time."""
        if self._ended:
            return
        self._ended = True
        stopped = threading.Event()
        self._show.put(lambda: self._show.stop_all("the night ends", house_lights=False))
        self._show.put(stopped.set)
        self._show.let_go("the night ends")
        stopped.wait(_SETTLE_S)
        for thread in (*self._watch_threads, *self._listener_threads):
            thread.stop()  # only now: a watch may be busy opening a device
        end_s = self._clock.now_s() + _SETTLE_S
        while not self._show.settled and self._clock.now_s() < end_s:
            self._clock.sleep_s(0.005)
        for watch in self._watches:
            watch.count(self._clock.now_s(), last=True)
        for thread in self._desk_threads:
            thread.stop()
        said = threading.Event()
        self._show.put(said.set)  # behind what the desks said at last
        said.wait(_SETTLE_S)
        self._show_thread.stop()
        for guard_thread in self._guard_threads:
            guard_thread.stop()
        for starter in self._show.starters:
            _within(_CLOSE_S, partial(starter.guard.use, None))

    def _failed(self, problem: Exception) -> None:
        self._report(
            Fault(
                at_s=self._clock.now_s(),
                what=f"something failed inside cuesync: {type(problem).__name__}: {problem}.",
            )
        )
