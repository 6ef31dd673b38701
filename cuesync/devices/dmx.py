"""Lights on DMX slots, sent over the network by E1.31."""

from __future__ import annotations

from cuesync.devices.e131 import PORT, E131Sender
from cuesync.devices.light_addresses import DmxLight, parse_light
from cuesync.devices.ports import LightCommand

_FULL = 255


class DmxLights:
    """Each `dmx:UNIVERSE:SLOT` is one dimmer; `to` is a host, or "multicast"."""

    def __init__(self, to: str = "127.0.0.1", *, port: int = PORT) -> None:
        self._sender = E131Sender(to, port=port)

    def send(self, command: LightCommand) -> None:
        light = parse_light(command.light)
        assert isinstance(light, DmxLight), command.light
        self._sender.set(light.universe, light.slot, round(command.level * _FULL))

    def all_off(self) -> None:
        self._sender.dark()

    def alive(self) -> bool:
        return self._sender.alive()

    def close(self) -> None:
        self._sender.close()
