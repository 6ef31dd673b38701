"""Switching off everything on one output, whatever goes wrong on the way."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from cuesync.devices.ports import LightCommand
from cuesync.errors import DeviceError


def switch_off(lights: Iterable[str], send: Callable[[LightCommand], None]) -> None:
    """Sends every light to level 0. Tries all of them, and only then raises the last DeviceError."""
    problem: DeviceError | None = None
    for light in lights:
        try:
            send(LightCommand(light=light, level=0.0))
        except DeviceError as failed:
            problem = failed
    if problem is not None:
        raise problem
