"""Several light outputs as one: each command goes to the output that its light hangs on."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from cuesync.devices.ports import LightCommand, LightOutput, MessageOutput
from cuesync.errors import DeviceError

MIDI_PORT = "MIDI port"
"""The name of the part that messages to other gear go through."""


@dataclass(slots=True, kw_only=True, eq=False)
class LightsPart:
    """One of the outputs, with the lights on it; `output` is None while it is gone. `name` is for people.

    `messages`: what else goes through it, in words.
    """

    name: str
    lights: tuple[str, ...]
    open: Callable[[], LightOutput]
    output: LightOutput | None
    messages: tuple[str, ...] = ()
    # Nobody closes an output while another thread sends through it.
    lock: threading.Lock = field(default_factory=threading.Lock)
    calls: int = 0
    """How often it was used; while `lock` is held the last of these is under way."""

    def use(self, output: LightOutput | None) -> None:
        """Send through this from now on; nothing is under way through the one before after that."""
        with self.lock:
            self.output = output

    @property
    def uses(self) -> str:
        """What it is for, in words."""
        return ", ".join((*self.lights, *self.messages))

    @contextmanager
    def _in_use(self) -> Iterator[None]:
        """Nobody else uses it meanwhile; whatever its driver raises becomes a DeviceError."""
        with self.lock:
            self.calls += 1
            try:
                yield
            except DeviceError:
                raise
            except Exception as problem:
                raise DeviceError(
                    f"the {self.name} for {self.uses} fails: {problem!r}. Plug it in again."
                ) from problem

    def send(self, command: LightCommand) -> None:
        with self._in_use():
            if self.output is None:
                raise DeviceError(f"the {self.name} for the light {command.light} is gone. Plug it in again.")
            self.output.send(command)

    def send_message(self, data: bytes) -> None:
        with self._in_use():
            if self.output is None:
                raise DeviceError(f"the {self.name} for {self.uses} is gone. Plug it in again.")
            assert isinstance(self.output, MessageOutput), self.name
            self.output.send_message(data)

    def all_off(self) -> None:
        self.act(lambda output: output.all_off())

    def act(self, act: Callable[[LightOutput], None]) -> None:
        """Do this with the output, where it is there."""
        with self._in_use():
            if self.output is not None:
                act(self.output)


class LightsTogether:
    """`device_of` gives, for a light's address, the name of the part that it hangs on.

    A fault of one output never keeps a command from the others.
    """

    def __init__(self, parts: Iterable[LightsPart], device_of: Callable[[str], str]) -> None:
        self.parts = tuple(parts)
        self._by_name = {part.name: part for part in self.parts}
        self._device_of = device_of

    def part_of(self, light: str) -> LightsPart:
        """The part that a light hangs on. DeviceError where there is none."""
        part = self._by_name.get(self._device_of(light))
        if part is None:
            raise DeviceError(f'nothing was opened for the light "{light}". Start the show again.')
        return part

    def send(self, command: LightCommand) -> None:
        self.part_of(command.light).send(command)

    def send_message(self, data: bytes) -> None:
        """A MIDI message to other gear."""
        part = self._by_name.get(MIDI_PORT)
        if part is None:
            raise DeviceError("nothing was opened for messages to other gear. Start the show again.")
        part.send_message(data)

    def all_off(self) -> None:
        self._each(lambda output: output.all_off())

    def alive(self) -> bool:
        return all(part.output is not None and part.output.alive() for part in self.parts)

    def close(self) -> None:
        self._each(lambda output: output.close())

    def _each(self, act: Callable[[LightOutput], None]) -> None:
        """Tries every output, and only then raises DeviceError."""
        problems: list[DeviceError] = []
        for part in self.parts:
            try:
                part.act(act)
            except DeviceError as problem:
                problems.append(problem)
        if problems:
            raise DeviceError("\n".join(str(problem) for problem in problems)) from problems[0]
