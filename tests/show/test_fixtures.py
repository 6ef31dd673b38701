"""Fixtures in the night: their rest between scares, scenes that share one, and their safe level."""

from __future__ import annotations

from dataclasses import replace

import pytest

from cuesync.devices.fixtures import Fixture
from cuesync.devices.ports import WHITE, Colour
from cuesync.errors import InputError
from cuesync.plan.plan import LightStep, Plan, PlannedLight
from cuesync.show.events import Fault
from cuesync.show.live import Controls, _check_together
from tests.show.plans import light, plan
from tests.show.simulation import Simulation

AMBER: Colour = (1.0, 0.5, 0.0)
RED: Colour = (1.0, 0.0, 0.0)
BLUE: Colour = (0.0, 0.0, 1.0)
WASH = Fixture(
    name="wash",
    universe=1,
    start_slot=1,
    channels=("dimmer", "red", "green", "blue"),
    rest_level=0.25,
    rest_colour=AMBER,
    safe_level=0.75,
)
PAR = Fixture(name="par", universe=1, start_slot=5, channels=("dimmer",))


def on_wash(at_s: float, length_s: float, level: float, colour: Colour, priority: int = 100) -> PlannedLight:
    return replace(
        light(at_s, length_s, "fixture:wash"),
        steps=(LightStep(at_s=0.0, level=level),),
        colour=colour,
        priority=priority,
    )


def scene(title: str, contact: str, *lights: PlannedLight, fixtures: tuple[Fixture, ...] = (WASH,)) -> Plan:
    return replace(
        plan(title=title, contact=contact, sounds=(), lights=lights, reset_s=1.0), fixtures=fixtures
    )


def shown(night: Simulation, name: str = "wash", since_s: float = 0.0) -> list[tuple[float, float, Colour]]:
    return [
        (round(at_s - since_s, 6), command.level, command.colour)
        for at_s, command in night.dimmers.sent
        if command.light == f"fixture:{name}"
    ]


def test_a_fixture_goes_to_its_rest_when_armed_and_after_each_scare() -> None:
    night = Simulation([scene("Attic", "key:a", on_wash(0.1, 0.2, 1.0, BLUE), fixtures=(WASH, PAR))])
    ((_, level, colour),) = shown(night)
    assert (level, colour) == (0.25, AMBER)
    assert [level for _, level, _ in shown(night, "par")] == [0.0]  # its slots are known from the start
    trigger_s = night.press("key:a")
    night.clock.sleep_s(1.0)
    assert shown(night, since_s=trigger_s)[1:] == [(0.1, 1.0, BLUE), (0.3, 0.25, AMBER)]


def test_of_two_scenes_on_one_fixture_the_higher_priority_decides_and_rest_comes_last() -> None:
    night = Simulation(
        [
            scene("Attic", "key:a", on_wash(0.125, 1.0, 1.0, BLUE)),
            scene("Cellar", "key:b", on_wash(0.25, 0.5, 0.5, RED, priority=150)),
        ]
    )
    trigger_s = night.press("key:a")
    night.press("key:b")
    night.clock.sleep_s(2.0)
    assert shown(night, since_s=trigger_s)[1:] == [
        (0.125, 1.0, BLUE),
        (0.25, 0.5, RED),
        (0.75, 1.0, BLUE),
        (1.125, 0.25, AMBER),
    ]


def test_among_equals_the_brighter_decides_and_of_two_alike_the_later() -> None:
    night = Simulation(
        [
            scene("Attic", "key:a", on_wash(0.125, 1.0, 0.5, BLUE)),
            scene("Cellar", "key:b", on_wash(0.25, 0.25, 0.5, RED), on_wash(0.75, 0.125, 0.375, WHITE)),
        ]
    )
    trigger_s = night.press("key:a")
    night.press("key:b")
    night.clock.sleep_s(2.0)
    assert shown(night, since_s=trigger_s)[1:] == [
        (0.125, 0.5, BLUE),
        (0.25, 0.5, RED),
        (0.5, 0.5, BLUE),
        (1.125, 0.25, AMBER),
    ]


def test_a_stop_brings_the_safe_level_and_arming_the_rest() -> None:
    night = Simulation([scene("Attic", "key:a", on_wash(0.1, 5.0, 1.0, BLUE))], house_lights=("fixture:par",))
    night.press("key:a")
    night.clock.sleep_s(1.0)
    night.show.put(lambda: night.show.stop_all("stopped"))
    night.clock.sleep_s(0.1)
    assert shown(night)[-1][1:] == (0.75, WHITE)
    assert shown(night, "par")[-1][1] == 1.0
    night.clock.sleep_s(5.0)
    night.show.put(night.show.acknowledge)
    night.clock.sleep_s(0.1)
    assert shown(night)[-1][1:] == (0.75, WHITE)
    night.show.put(night.show.arm)
    night.clock.sleep_s(0.1)
    assert shown(night)[-1][1:] == (0.25, AMBER)
    assert shown(night, "par")[-1][1] == 0.0
    night.show.put(lambda: night.show.stop_all("the night ends", house_lights=False))
    night.clock.sleep_s(0.1)
    assert shown(night)[-1][1:] == (0.0, WHITE)


def test_a_fixture_that_was_out_of_reach_comes_back_at_its_rest() -> None:
    night = Simulation([scene("Attic", "key:a", on_wash(0.1, 0.2, 1.0, BLUE))])
    night.dimmers.unplug()
    night.press("key:a")
    night.clock.sleep_s(1.0)
    night.dimmers.plug_in()
    before = len(shown(night))
    night.clock.sleep_s(1.0)
    assert [told[1:] for told in shown(night)[before:]] == [(0.25, AMBER)]


def test_a_fixture_that_can_not_be_reached_keeps_no_scene_from_being_armed() -> None:
    unsafe = replace(WASH, safe_level=0.0)
    night = Simulation([scene("Attic", "key:a", on_wash(0.1, 0.2, 1.0, BLUE), fixtures=(unsafe,))])
    night.show.put(lambda: night.show.stop_all("stopped"))
    night.clock.sleep_s(0.1)
    night.dimmers.unplug()
    for step in (night.show.acknowledge, night.show.arm):
        night.show.put(step)
        night.clock.sleep_s(1.5)
    assert night.state("Attic") == "armed"
    assert any(
        "fixture:wash could not be brought to its level at rest" in one.text for one in night.all(Fault)
    )


def test_a_house_light_that_no_scene_describes_is_refused() -> None:
    plans = [scene("Attic", "key:a", on_wash(0.1, 0.2, 1.0, BLUE))]
    _check_together(plans, Controls(house_lights=("fixture:wash",)))
    with pytest.raises(InputError, match='no scene describes the house light "fixture:par"'):
        _check_together(plans, Controls(house_lights=("fixture:par",)))
