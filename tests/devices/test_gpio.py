"""Contacts at pins, with the simulated pins that come with gpiozero."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from typing import Any

import pytest

from cuesync.devices.gpio import GpioContacts, GpioSwitch
from cuesync.devices.opening import PortSettings, contact_sources
from cuesync.devices.ports import ContactEdge
from cuesync.devices.simulated import SimulatedClock
from cuesync.errors import DeviceError
from tests import peers


@pytest.fixture
def factory() -> Iterator[Any]:
    made = peers.module("gpiozero.pins.mock").MockFactory()
    yield made
    made.reset()


class Pins:
    """Open contacts and the edges that they told."""

    def __init__(self, factory: Any, *contacts: str) -> None:
        self.edges: list[ContactEdge] = []
        self.contacts = GpioContacts(factory)
        self.contacts.open(contacts, self.edges.append)

    def told(self) -> list[tuple[str, bool, bool]]:
        return [(edge.contact, edge.closed, edge.found) for edge in self.edges]


def test_a_pin_pulled_to_ground_is_closed(factory: Any) -> None:
    pins = Pins(factory, "gpio:17", "gpio:27")
    assert pins.told() == [("gpio:17", False, True), ("gpio:27", False, True)]
    assert factory.pin("GPIO17").pull == "up"
    assert pins.contacts.alive()
    before_s = time.perf_counter()
    factory.pin("GPIO17").drive_low()
    factory.pin("GPIO27").drive_low()
    factory.pin("GPIO17").drive_high()
    assert pins.told()[2:] == [("gpio:17", True, False), ("gpio:27", True, False), ("gpio:17", False, False)]
    stamps = [edge.at_s for edge in pins.edges[2:]]
    assert before_s - 0.001 <= stamps[0] <= stamps[1] <= stamps[2] <= time.perf_counter()
    pins.contacts.close()
    pins.contacts.close()
    assert not pins.contacts.alive()
    factory.pin("GPIO17").drive_low()
    assert len(pins.edges) == 5


def test_a_pin_found_closed_is_told_as_found() -> None:
    mock = peers.module("gpiozero.pins.mock")

    class Held(mock.MockPin):  # type: ignore[misc,name-defined]
        """A pin whose contact is closed: the pull-up doesn't lift it."""

        def _set_pull(self, value: str) -> None:
            self._pull = value
            self.drive_low()

    factory = mock.MockFactory(pin_class=Held)
    pins = Pins(factory, "gpio:17")
    assert pins.told() == [("gpio:17", True, True)]
    factory.pin("GPIO17").drive_high()
    assert pins.told()[1:] == [("gpio:17", False, False)]
    pins.contacts.close()
    factory.reset()


def test_an_edge_before_anybody_watches_is_a_found_level(factory: Any) -> None:
    edges: list[ContactEdge] = []

    def sink(edge: ContactEdge) -> None:
        edges.append(edge)
        if len(edges) == 1:
            factory.pin("GPIO17").drive_low()

    contacts = GpioContacts(factory)
    contacts.open(("gpio:17",), sink)
    assert [(edge.closed, edge.found) for edge in edges] == [(False, True), (True, True)]
    contacts.close()


def test_the_kernels_stamp_is_the_moment(factory: Any) -> None:
    edges: list[ContactEdge] = []
    contacts = GpioContacts(factory, clock=SimulatedClock(100.0))
    contacts.open(("gpio:17",), edges.append)
    assert edges.pop().at_s == 100.0
    pin = factory.pin("GPIO17")
    for age_s, at_s in ((0.25, 99.75), (5.0, 100.0), (-5.0, 100.0)):  # the last two are of another clock
        pin.when_changed(factory.ticks() - age_s, 0)
        assert edges.pop().at_s == pytest.approx(at_s, abs=0.05)
    contacts.close()


def test_every_edge_of_a_flood_is_told(factory: Any) -> None:
    pins = Pins(factory, "gpio:17")
    pin = factory.pin("GPIO17")
    for _ in range(5_000):
        pin.drive_low()
        pin.drive_high()
    assert [edge.closed for edge in pins.edges[1:]] == [True, False] * 5_000
    pins.contacts.close()


def test_a_pin_in_use_or_not_there_is_said(factory: Any) -> None:
    first = Pins(factory, "gpio:17")
    with pytest.raises(DeviceError, match=r'the pin of "gpio:17" can\'t be used: .* another pin'):
        Pins(factory, "gpio:4", "gpio:17")
    first.contacts.close()
    again = Pins(factory, "gpio:4", "gpio:17")
    again.contacts.close()
    with pytest.raises(DeviceError, match=r'the pin of "gpio:53" can\'t be used'):
        Pins(factory, "gpio:53")


def test_a_computer_without_pins_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    peers.module("gpiozero")
    monkeypatch.setitem(sys.modules, "gpiozero.pins.lgpio", None)
    contacts = GpioContacts()
    with pytest.raises(DeviceError, match=r"this computer's pins can't be used: .* needs a Raspberry Pi"):
        contacts.open(("gpio:17",), lambda _edge: None)
    assert not contacts.alive()


def test_scenes_pins_share_one_source() -> None:
    (needed,) = contact_sources(["gpio:17", "gpio:27 nc"], PortSettings(), SimulatedClock(0.0))
    assert (needed.name, needed.contacts) == ("pins", ("gpio:17", "gpio:27 nc"))


def test_without_the_package_the_way_to_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "gpiozero", None)
    with pytest.raises(DeviceError, match=r'pip install "cuesync\[gpio\]"'):
        GpioContacts().open(("gpio:17",), lambda _edge: None)


@pytest.mark.parametrize("active_low", [False, True])
def test_a_pin_that_starts_a_prop_is_off_from_the_moment_it_is_opened(factory: Any, active_low: bool) -> None:
    switch = GpioSwitch(22, active_low=active_low, factory=factory)
    pin = factory.pin("GPIO22")
    assert pin.function == "output"
    assert pin.state == active_low
    switch.on(1.0)
    switch.keep_on(1.0)
    assert pin.state != active_low
    switch.off()
    assert pin.state == active_low
    switch.on(1.0)
    assert switch.alive()
    switch.close()
    switch.close()
    assert pin.function == "input"  # as the system leaves it when a program dies
    assert not switch.alive()
    with pytest.raises(DeviceError, match="was given back"):
        switch.on(1.0)


def test_a_pin_that_is_in_use_is_refused(factory: Any) -> None:
    pins = Pins(factory, "gpio:22")
    with pytest.raises(DeviceError, match="pin 22 can't be used"):
        GpioSwitch(22, active_low=False, factory=factory)
    pins.contacts.close()
