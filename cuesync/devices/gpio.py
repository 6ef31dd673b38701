"""Contacts at the pins of a small board computer, and an output that starts a prop, through gpiozero.

The pin is pulled up; a contact that joins it to ground is closed. Where the driver hands over the kernel's
own stamp of the edge (lgpio does), that is the moment; else it is the moment at which the driver told us.
Bounce is left to the show, whose first edge is the press.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from importlib import import_module
from typing import Any

from cuesync.devices.contact_addresses import GpioContact, parse_contact
from cuesync.devices.latching import LatchingSwitch
from cuesync.devices.ports import Clock, ContactEdge, Counts, EdgeSink, HostClock
from cuesync.errors import DeviceError

_OLDEST_S = 1.0


def _library() -> Any:
    try:
        return import_module("gpiozero")
    except ImportError as problem:
        raise DeviceError(
            'pins need two more packages. Install them with: pip install "cuesync[gpio]"'
        ) from problem


def _own_factory() -> Any:
    try:
        return import_module("gpiozero.pins.lgpio").LGPIOFactory()
    except Exception as problem:  # lgpio and gpiozero raise classes of their own
        raise DeviceError(
            f"this computer's pins can't be used: {problem}. A pin needs a Raspberry Pi, the package lgpio "
            '(pip install "cuesync[gpio]"), and the right to use /dev/gpiochip0.'
        ) from problem


class GpioContacts:
    """Pins as contacts. `factory` is a pin factory of gpiozero's; None makes one of lgpio."""

    def __init__(self, factory: Any = None, *, clock: Clock | None = None) -> None:
        self._given = factory
        self._factory: Any = None
        self._clock: Clock = HostClock() if clock is None else clock
        self._inputs: list[Any] = []
        # gpiozero keeps only a weak hold of what it calls
        self._changed: list[Callable[[float, int], None]] = []

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        gpiozero = _library()
        self._factory = _own_factory() if self._given is None else self._given
        try:
            for address in contacts:
                self._open_one(gpiozero, address, sink)
        except Exception as problem:
            self.close()
            raise DeviceError(
                f'the pin of "{address}" can\'t be used: {problem}. Close other programs that use it, '
                "or wire the contact to another pin."
            ) from problem

    def _open_one(self, gpiozero: Any, address: str, sink: EdgeSink) -> None:
        contact = parse_contact(address)
        assert isinstance(contact, GpioContact), address
        changed = self._teller(address, sink)
        device = gpiozero.InputDevice(f"GPIO{contact.pin}", pull_up=True, pin_factory=self._factory)
        self._inputs.append(device)
        self._changed.append(changed)
        device.pin.bounce = None
        device.pin.edges = "both"
        found = not device.pin.state
        sink(ContactEdge(contact=address, closed=found, at_s=self._clock.now_s(), found=True))
        device.pin.when_changed = changed
        now = not device.pin.state
        if now != found:  # it moved before anybody watched
            sink(ContactEdge(contact=address, closed=now, at_s=self._clock.now_s(), found=True))

    def _teller(self, address: str, sink: EdgeSink) -> Callable[[float, int], None]:
        def changed(ticks: float, state: int) -> None:
            sink(ContactEdge(contact=address, closed=not state, at_s=self._moment_s(ticks)))

        return changed

    def _moment_s(self, ticks: float) -> float:
        """Host time of a stamp; now, where the stamp can't be of the factory's own clock (old kernels)."""
        now_s = self._clock.now_s()
        age_s = self._factory.ticks_diff(self._factory.ticks(), ticks)
        return now_s - age_s if 0.0 <= age_s <= _OLDEST_S else now_s

    @property
    def discarded(self) -> Counts:
        return {}  # a pin is high or low, and nothing else

    def alive(self) -> bool:
        return bool(self._inputs)

    def close(self) -> None:
        for device in self._inputs:
            with contextlib.suppress(Exception):
                device.close()
        self._inputs.clear()
        self._changed.clear()
        factory, self._factory = self._factory, None
        if factory is not None and factory is not self._given:
            with contextlib.suppress(Exception):
                factory.close()


class GpioSwitch(LatchingSwitch):
    """A pin that starts a prop; off from now on. `factory` as for `GpioContacts`."""

    def __init__(self, pin: int, *, active_low: bool, factory: Any = None) -> None:
        gpiozero = _library()
        self._factory = _own_factory() if factory is None else factory
        self._given = factory
        self._device: Any = None
        try:
            self._device = gpiozero.DigitalOutputDevice(
                f"GPIO{pin}", active_high=not active_low, initial_value=False, pin_factory=self._factory
            )
        except Exception as problem:
            self.close()
            raise DeviceError(
                f"pin {pin} can't be used: {problem}. Close other programs that use it, or wire the prop's "
                "output to another pin."
            ) from problem

    def _set(self, on: bool) -> None:
        if self._device is None:
            raise DeviceError("the pin that starts the prop was given back. Start the show again.")
        try:
            self._device.value = on
        except Exception as problem:  # lgpio and gpiozero raise classes of their own
            raise DeviceError(f"the pin that starts the prop can't be switched: {problem}.") from problem

    def alive(self) -> bool:
        return self._device is not None

    def close(self) -> None:
        device, self._device = self._device, None
        factory, self._factory = self._factory, None
        with contextlib.suppress(Exception):
            if device is not None:
                device.off()
                device.close()
        with contextlib.suppress(Exception):
            if factory is not None and factory is not self._given:
                factory.close()
