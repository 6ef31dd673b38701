"""Several light outputs as one: each command goes to the output that its light hangs on."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from cuesync.devices.ports import LightCommand, LightOutput
from cuesync.errors import DeviceError


class LightsTogether:
    """`outputs` by the name of their device; `device_of` gives that name for a light's address.

    A fault of one output never keeps a command from the others.
    """

    def __init__(self, outputs: Mapping[str, LightOutput], device_of: Callable[[str], str]) -> None:
        self._outputs = dict(outputs)
        self._device_of = device_of

    def send(self, command: LightCommand) -> None:
        output = self._outputs.get(self._device_of(command.light))
        if output is None:
            raise DeviceError(f'nothing was opened for the light "{command.light}". Start the show again.')
        output.send(command)

    def all_off(self) -> None:
        self._each(lambda output: output.all_off())

    def alive(self) -> bool:
        return all(output.alive() for output in self._outputs.values())

    def close(self) -> None:
        self._each(lambda output: output.close())

    def _each(self, act: Callable[[LightOutput], None]) -> None:
        """Tries every output, and only then raises DeviceError."""
        problems: list[DeviceError] = []
        for output in self._outputs.values():
            try:
                act(output)
            except DeviceError as problem:
                problems.append(problem)
        if problems:
            raise DeviceError("\n".join(str(problem) for problem in problems)) from problems[0]
