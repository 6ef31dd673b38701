"""Normally-closed contacts."""

from __future__ import annotations

from cuesync.devices.polarity import WithPolarity
from cuesync.devices.ports import ContactEdge
from cuesync.devices.simulated import SimulatedClock, SimulatedContacts


def test_a_normally_closed_contact_is_turned_round_and_keeps_its_name() -> None:
    clock = SimulatedClock()
    wires = SimulatedContacts(clock)
    edges: list[ContactEdge] = []
    source = WithPolarity(wires)
    source.open(["gpio:17 nc", "gpio:17", "gpio:18"], edges.append)
    # as the wires stand when the source is opened
    assert [(edge.contact, edge.closed, edge.found) for edge in edges] == [
        ("gpio:17 nc", True, True),
        ("gpio:17", False, True),
        ("gpio:18", False, True),
    ]
    edges.clear()
    wires.edge("gpio:17", closed=True)
    wires.edge("gpio:17", closed=False)
    wires.edge("gpio:18", closed=True)
    clock.sleep_s(0.1)
    assert not any(edge.found for edge in edges)
    assert [(edge.contact, edge.closed) for edge in edges] == [
        ("gpio:17 nc", False),
        ("gpio:17", True),
        ("gpio:17 nc", True),
        ("gpio:17", False),
        ("gpio:18", True),
    ]
    assert source.alive()
    source.close()
    assert not source.alive()
