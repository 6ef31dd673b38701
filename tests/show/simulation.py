"""A show on the simulated clock, with all its twins, for tests."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import TypeVar

from cuesync.devices.lights_together import LightsPart, LightsTogether
from cuesync.devices.simulated import SimulatedClock, SimulatedContacts, SimulatedLights, SimulatedOutput
from cuesync.devices.simulated_sound import SimulatedAudio, SimulatedMicrophone
from cuesync.errors import DeviceError
from cuesync.plan.plan import Plan
from cuesync.show.engine import Show
from cuesync.show.events import ShowEvent
from cuesync.show.listening import Listener
from cuesync.show.sound import LocalSoundDesk
from cuesync.show.states import State, Step
from cuesync.show.steering import Steering
from cuesync.show.watch import Watch, WatchedSource, WatchedStarter

_E = TypeVar("_E", bound=ShowEvent)


def is_dmx(light: str) -> bool:
    return light.startswith(("dmx:", "fixture:"))


class Simulation:
    """Everything runs while `clock` runs; the scenes are armed after the first half second."""

    def __init__(
        self,
        plans: Sequence[Plan],
        *,
        late_s: Callable[[], float] | None = None,
        block_frames: int = 256,
        quick: bool = False,
        report: Callable[[ShowEvent], None] | None = None,
        house_lights: Sequence[str] = (),
        closed: Sequence[str] = (),
        stop: Sequence[str] = (),
        microphones: Sequence[str] = (),
        since_triggers_s: Mapping[str, float] | None = None,
    ) -> None:
        """`stop`: contacts that stop all; key:1 and then key:2 lead back. `closed`: contacts that are closed
        before anybody looks."""
        self.clock = SimulatedClock()
        self.contacts = SimulatedContacts(self.clock)
        for contact in closed:
            self.contacts.edge(contact, True)
        self.clock.sleep_s(0.0)
        # lights on DMX hang on the dimmers, all others on `lights`
        self.lights = SimulatedLights(self.clock)
        self.dimmers = SimulatedLights(self.clock)
        self.said: list[ShowEvent] = []
        self.opened: list[str] = []
        """Which outputs for lights, and of which scenes what starts the prop, somebody tried to open anew."""
        self._late_s, self._block_frames, self._quick = late_s, block_frames, quick
        self.card_there = True
        self.audio = self._new_audio()
        tell = self.said.append if report is None else report
        addresses = [light.light for plan in plans for light in plan.lights] + list(house_lights)
        addresses += [fixture.address for plan in plans for fixture in plan.fixtures]
        self.together = LightsTogether(
            (
                self._part(
                    "MIDI port",
                    self.lights,
                    [light for light in addresses if not is_dmx(light)],
                    [message.name for plan in plans for message in plan.messages],
                ),
                self._part("DMX", self.dimmers, [light for light in addresses if is_dmx(light)]),
            ),
            lambda light: "DMX" if is_dmx(light) else "MIDI port",
        )
        self.sound = LocalSoundDesk(self.audio, self._open_audio)
        self.microphone = SimulatedMicrophone(self.audio)
        self.listener = Listener(self.clock, self.sound, dict.fromkeys(microphones, self.microphone))
        self.outputs = {plan.title: SimulatedOutput(self.clock) for plan in plans if plan.drive is not None}
        self.show = Show(
            plans,
            clock=self.clock,
            sound=self.sound,
            lights=self.together,
            messages=self.together,
            report=tell,
            house_lights=house_lights,
            listener=self.listener if microphones else None,
            outputs=self.outputs,
        )
        steering = Steering(
            self.show,
            self.clock,
            tell,
            stop=stop,
            acknowledge=("key:1",),
            arm=("key:2",),
            way_back="Press 1, then 2, to arm again.",
        )
        contacts = (*self.show.contacts, *stop, "key:1", "key:2")
        self.watch = Watch(
            self.show,
            self.clock,
            tell,
            sound=self.sound,
            sources=[WatchedSource(source=self.contacts, contacts=contacts, name="button box")],
            sink=steering.take,
            stops=stop,
            lights=self.together.parts,
            starters=[
                WatchedStarter(starter=starter, open=partial(self._open_output, starter.scene))
                for starter in self.show.starters
            ],
        )
        for worker in (self.show, *self.show.desks, self.watch, self.listener):
            self.clock.attend(worker)
        for starter in self.show.starters:
            self.clock.attend(starter.guard)
        self.contacts.open(contacts, steering.take)
        now_s = self.clock.now_s()
        self.show.start({title: now_s - since_s for title, since_s in (since_triggers_s or {}).items()})
        self.start_s = self.clock.now_s()
        self.clock.sleep_s(0.5)

    def _new_audio(self) -> SimulatedAudio:
        return SimulatedAudio(
            self.clock,
            block_frames=self._block_frames,
            late_s=self._late_s,
            quiet=(lambda: self.sound.quiet) if self._quick else None,
            keep=not self._quick,
        )

    def _open_audio(self) -> SimulatedAudio:
        if not self.card_there:
            raise DeviceError("the simulated card is not there.")
        self.audio = self._new_audio()
        return self.audio

    def _open_output(self, title: str) -> SimulatedOutput:
        self.opened.append(title)
        self.outputs[title].off()
        return self.outputs[title]

    def _part(
        self, name: str, output: SimulatedLights, lights: Sequence[str], messages: Sequence[str] = ()
    ) -> LightsPart:
        def open_again() -> SimulatedLights:
            self.opened.append(name)
            if not output.alive():
                raise DeviceError("the simulated lights are not there.")
            return output

        return LightsPart(
            name=name,
            lights=tuple(dict.fromkeys(lights)),
            open=open_again,
            output=output,
            messages=tuple(dict.fromkeys(messages)),
        )

    def press(self, contact: str = "key:space", hold_s: float = 0.1) -> float:
        """Press now; gives the host time of the press."""
        now_s = self.clock.now_s()
        self.contacts.press(contact, now_s, hold_s=hold_s)
        return now_s

    def hold(self, title: str) -> None:
        """Set a scene aside, as misfires do."""
        (scene,) = (scene for scene in self.show._scenes if scene.plan.title == title)
        scene.state.step(Step.HOLD, self.clock.now_s())

    def all(self, kind: type[_E]) -> list[_E]:
        return [event for event in self.said if isinstance(event, kind)]

    def state(self, title: str = "Cellar door") -> State:
        return self.show.states()[title]
