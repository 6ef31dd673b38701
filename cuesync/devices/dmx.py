"""Lights on DMX slots, sent over the network by E1.31."""

from __future__ import annotations

from cuesync.devices.e131 import DEFAULT_PRIORITY, PORT, E131Sender
from cuesync.devices.light_addresses import DmxLight, parse_light
from cuesync.devices.ports import LightCommand, Trouble

_FULL = 255


class DmxLights:
    """Each `dmx:UNIVERSE:SLOT` is one dimmer; `to`, `port` and `priority` as for the sender."""

    def __init__(self, to: str = "127.0.0.1", *, port: int = PORT, priority: int = DEFAULT_PRIORITY) -> None:
        self._sender = E131Sender(to, port=port, priority=priority)

    def send(self, command: LightCommand) -> None:
        light = parse_light(command.light)
        assert isinstance(light, DmxLight), command.light
        self._sender.set(light.universe, light.slot, (round(command.level * _FULL),))

    def all_off(self) -> None:
        self._sender.dark()

    @property
    def trouble(self) -> Trouble:
        return self._sender.trouble

    def alive(self) -> bool:
        return self._sender.alive()

    def close(self) -> None:
        self._sender.close()
