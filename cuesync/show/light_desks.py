"""A light desk for each output, so that one that hangs makes no other's lights late."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable

from cuesync.devices.lights_together import LightsTogether
from cuesync.devices.orders import Failed
from cuesync.devices.ports import WHITE, Clock, Colour, LightOutput
from cuesync.plan.plan import PlannedLight
from cuesync.show.lights import LightDesk, LightResult

_ALONE = ""


class LightDesks:
    """All calls but `renew` are for any thread and never wait; each of `desks` is a worker with its own."""

    def __init__(
        self,
        output: LightOutput | None,
        lights: Iterable[str],
        clock: Clock,
        done: Callable[[LightResult], None],
    ) -> None:
        """`lights`: every address that will ever be used. DeviceError where the output has nothing for one.

        `done` as for a `LightDesk`.
        """
        if isinstance(output, LightsTogether):
            self._by_name = {part.name: LightDesk(part, clock, done) for part in output.parts}
            self._by_light = {light: self._by_name[output.part_of(light).name] for light in lights}
        else:
            self._by_name = {_ALONE: LightDesk(output, clock, done)}
            self._by_light = dict.fromkeys(lights, self._by_name[_ALONE])

    @property
    def desks(self) -> tuple[LightDesk, ...]:
        return tuple(self._by_name.values())

    def renew(self, name: str) -> None:
        """As `LightDesk.renew`, for the part of this name."""
        self._by_name[name].renew()

    def play(self, tag: Hashable, planned: PlannedLight, zero_s: float) -> None:
        self._by_light[planned.light].play(tag, planned, zero_s)

    def rest(self, light: str, level: float, colour: Colour = WHITE, *, failed: Failed | None = None) -> None:
        self._by_light[light].rest(light, level, colour, failed=failed)

    def hold(self, light: str, level: float | None, *, failed: Failed | None = None) -> None:
        self._by_light[light].hold(light, level, failed=failed)

    def all_off(self, *, failed: Failed | None = None) -> None:
        """`failed` is told of each output that fails."""
        for desk in self.desks:
            desk.all_off(failed=failed)
