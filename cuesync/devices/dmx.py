"""Lights on DMX slots and on fixtures, sent over the network by E1.31."""

from __future__ import annotations

from collections.abc import Iterable

from cuesync.devices.e131 import DEFAULT_PRIORITY, PORT, E131Sender
from cuesync.devices.fixtures import FULL, SLOTS, Fixture
from cuesync.devices.light_addresses import DmxLight, FixtureLight, parse_light
from cuesync.devices.ports import LightCommand, Trouble


class DmxLights:
    """Each `dmx:UNIVERSE:SLOT` is one dimmer, each `fixture:NAME` one of `fixtures`.

    `to`, `port` and `priority` as for the sender.
    """

    def __init__(
        self,
        to: str = "127.0.0.1",
        fixtures: Iterable[Fixture] = (),
        *,
        port: int = PORT,
        priority: int = DEFAULT_PRIORITY,
    ) -> None:
        self._fixtures = {fixture.name: fixture for fixture in fixtures}
        # a slot that a fixture holds at a value keeps it in the dark as well
        dark: dict[int, bytearray] = {}
        for fixture in self._fixtures.values():
            slots = dark.setdefault(fixture.universe, bytearray(SLOTS))
            slots[fixture.start_slot - 1 : fixture.slots[-1]] = fixture.values(0.0)
        self._sender = E131Sender(
            to, port=port, priority=priority, dark={key: bytes(slots) for key, slots in dark.items()}
        )

    def send(self, command: LightCommand) -> None:
        light = parse_light(command.light)
        if isinstance(light, FixtureLight):
            fixture = self._fixtures[light.name]
            values = fixture.values(command.level, command.colour)
            self._sender.set(fixture.universe, fixture.start_slot, values)
            return
        assert isinstance(light, DmxLight), command.light
        self._sender.set(light.universe, light.slot, (round(command.level * FULL),))

    def all_off(self) -> None:
        self._sender.dark()

    @property
    def trouble(self) -> Trouble:
        return self._sender.trouble

    def alive(self) -> bool:
        return self._sender.alive()

    def close(self) -> None:
        self._sender.close()
