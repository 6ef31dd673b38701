"""What it costs that DMX goes out in frames: how much later than planned each light may come."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from cuesync.devices.fixtures import FRAME_S, Fixture
from cuesync.devices.light_addresses import DmxLight, FixtureLight, parse_light
from cuesync.devices.universe_pace import UniversePace
from cuesync.plan.plan import PlannedLight

_ROUNDING_S = 1e-9


def with_frame_waits(
    lights: Iterable[PlannedLight], fixtures: Mapping[str, Fixture]
) -> tuple[PlannedLight, ...]:
    """The lights with their `frame_wait_s`, as if no other scene used their universes.

    A change may wait until its packet may go out, and then for a frame of what turns packets into DMX.
    """
    waiting = list(lights)
    universes: dict[int, list[int]] = defaultdict(list)
    for place, light in enumerate(waiting):
        address = parse_light(light.light)
        if isinstance(address, DmxLight):
            universes[address.universe].append(place)
        elif isinstance(address, FixtureLight):
            universes[fixtures[address.name].universe].append(place)
    for places in universes.values():
        changes_s = [(at_s, place) for place in places for at_s in _changes_s(waiting[place])]
        for place, wait_s in packet_waits_s(changes_s).items():
            waiting[place] = replace(waiting[place], frame_wait_s=wait_s + FRAME_S)
    return tuple(waiting)


def packet_waits_s(changes_s: Iterable[tuple[float, int]]) -> dict[int, float]:
    """For each light the longest that one of its changes waits for a packet.

    `changes_s`: (time, light) of every change in one universe, each of which asks for a packet.
    """
    pace = UniversePace()
    waits_s: dict[int, float] = {}
    unsent: list[tuple[float, int]] = []

    def send(now_s: float) -> None:
        pace.sent(now_s)
        for at_s, place in unsent:
            waits_s[place] = max(waits_s.get(place, 0.0), now_s - at_s)
        unsent.clear()

    for at_s, place in sorted(changes_s):
        while pace.sent_s > -float("inf") and pace.due_s < at_s - _ROUNDING_S:
            send(pace.due_s)
        pace.waiting = True
        unsent.append((at_s, place))
        if pace.due_s <= at_s + _ROUNDING_S:
            send(at_s)
    if unsent:
        send(pace.due_s)
    return waits_s


def frame_notes(lights: Sequence[PlannedLight]) -> tuple[str, ...]:
    """For each light on DMX, how much later than planned it may come."""
    waits_s: dict[str, float] = {}
    for light in lights:
        if light.frame_wait_s > 0.0:
            waits_s[light.light] = max(waits_s.get(light.light, 0.0), light.frame_wait_s)
    return tuple(
        f"{light}: a light on the network waits for the next DMX frame and comes up to "
        f"{wait_s * 1000.0:.1f} ms later than planned"
        + (", as many changes in its universe come close together" if wait_s > FRAME_S + 1e-6 else "")
        + "; nothing is taken off for that"
        for light, wait_s in waits_s.items()
    )


def _changes_s(light: PlannedLight) -> list[float]:
    return [light.at_s + step.at_s for step in light.steps] + [light.at_s + light.length_s]
