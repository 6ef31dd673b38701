"""Who decides on a light, when commands go out, and that no light is left on."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import pairwise
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices import midi
from cuesync.devices.ports import LightCommand
from cuesync.devices.simulated import SimulatedClock, SimulatedLights
from cuesync.errors import DeviceError
from cuesync.plan.plan import LightStep, PlannedLight
from cuesync.show.events import ScareDone
from cuesync.show.lights import LightDesk, LightResult
from tests.show.plans import light, plan
from tests.show.simulation import Simulation


@pytest.mark.parametrize("stops", [False, True])
def test_a_light_whose_port_drops_in_mid_flash_is_off_when_the_port_is_back(stops: bool) -> None:
    night = Simulation([plan(sounds=(), lights=(light(0.1, 0.9),))])
    night.press()
    night.clock.sleep_s(0.3)
    night.lights.unplug()
    night.clock.sleep_s(0.3)
    if stops:
        night.show.put(lambda: night.show.stop_all("stopped"))
    night.clock.sleep_s(1.4)
    assert night.lights.lit == {"midi:36"}  # it never heard of the end
    night.lights.plug_in()
    night.clock.sleep_s(0.5)
    assert night.lights.lit == set()


def test_one_light_written_in_two_ways_stays_on_until_the_last_flash_ends() -> None:
    flashes = (light(0.1, 0.2, "midi:36"), light(0.2, 0.3, "midi:1:36"))
    night = Simulation([plan(sounds=(), lights=flashes)])
    trigger_s = night.press()
    night.clock.sleep_s(2.0)
    sent = [(command.light, command.on, round(at_s - trigger_s, 6)) for at_s, command in night.lights.sent]
    assert sent == [("midi:36", True, 0.1), ("midi:36", False, 0.5)]


def test_a_press_plays_every_step_of_a_planned_shape_and_the_scare_is_told_whole() -> None:
    steps = (LightStep(at_s=0.0, level=1.0), LightStep(at_s=0.25, level=0.0), LightStep(at_s=0.5, level=0.5))
    strobe = replace(light(0.125, 0.75), shape="strobe", steps=steps)
    blackout = replace(
        light(0.125, 0.125, "midi:37"), shape="blackout", steps=(LightStep(at_s=0.0, level=0.0),)
    )
    night = Simulation([plan(sounds=(), lights=(strobe, blackout))])
    trigger_s = night.press()
    night.clock.sleep_s(2.0)
    sent = [(command.light, command.level, round(at_s - trigger_s, 6)) for at_s, command in night.lights.sent]
    assert sent == [
        ("midi:36", 1.0, 0.125),
        ("midi:37", 0.0, 0.125),
        ("midi:36", 0.0, 0.375),
        ("midi:36", 0.5, 0.625),
        ("midi:36", 0.0, 0.875),
    ]
    (scare,) = night.all(ScareDone)
    assert [(told.light, told.level) for told in scare.lights] == [
        ("midi:36", 1.0),
        ("midi:37", 0.0),
        ("midi:37", 0.0),
        ("midi:36", 0.0),
    ]
    assert all(told.late_ms == pytest.approx(0.0, abs=1e-6) for told in scare.lights)


class Client:
    """As rtmidi's output; refuses the note 36."""

    def __init__(self) -> None:
        self.sent: list[bytes] = []

    def send_message(self, data: bytes) -> None:
        if data[1] == 36:
            raise RuntimeError("no room")
        self.sent.append(data)


def test_one_light_that_fails_leaves_no_other_on(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("mido")

    class Port:
        name = "lamp"
        there = True
        client = Client()

        def __init__(self, *_: object) -> None:
            pass

    monkeypatch.setattr(midi, "_Port", Port)
    lights = midi.MidiLights(clock=SimulatedClock())
    with pytest.raises(DeviceError):
        lights.send(LightCommand(light="midi:36", level=1.0))
    lights.send(LightCommand(light="midi:37", level=1.0))
    with pytest.raises(DeviceError, match="no room"):
        lights.all_off()
    assert Port.client.sent[-1] == bytes([0x80, 37, 0])


class Bench:
    """A desk on the simulated clock; its shapes count from `zero_s`."""

    def __init__(self) -> None:
        self.clock = SimulatedClock()
        self.results: list[LightResult] = []
        self.lights = SimulatedLights(self.clock)
        self.desk = LightDesk(self.lights, self.clock, self.results.append)
        self.clock.attend(self.desk)
        self.zero_s = self.clock.now_s()

    def play(self, *shapes: PlannedLight) -> None:
        for number, shape in enumerate(shapes):
            self.desk.play(number, shape, self.zero_s)

    def sent(self) -> list[tuple[float, float]]:
        return [(round(at_s - self.zero_s, 9), command.level) for at_s, command in self.lights.sent]


def shape(
    at_s: float,
    length_s: float,
    *steps: tuple[float, float],
    priority: int = 100,
    kind: Literal["flash", "strobe", "blackout"] = "strobe",
    address: str = "midi:36",
) -> PlannedLight:
    return replace(
        light(at_s, length_s, address),
        shape=kind,
        steps=tuple(LightStep(at_s=step_s, level=level) for step_s, level in steps),
        priority=priority,
    )


def test_every_step_goes_out_at_its_time_and_the_shape_answers_twice() -> None:
    bench = Bench()
    bench.play(shape(0.5, 0.75, (0.0, 1.0), (0.25, 0.0), (0.5, 0.5)))
    bench.clock.sleep_s(2.0)
    assert bench.sent() == [(0.5, 1.0), (0.75, 0.0), (1.0, 0.5), (1.25, 0.0)]
    assert [(round(r.planned_s - bench.zero_s, 9), r.command.level) for r in bench.results] == [
        (0.5, 1.0),
        (1.25, 0.0),
    ]
    assert all(result.sent_s is not None and not result.problem for result in bench.results)


def test_the_higher_priority_decides_even_with_the_lower_level() -> None:
    bench = Bench()
    bench.play(
        shape(0.0, 1.0, (0.0, 1.0)),
        shape(0.25, 0.5, (0.0, 0.25), priority=101),
        shape(0.375, 0.125, (0.0, 0.5), priority=101),
    )
    bench.clock.sleep_s(2.0)
    assert bench.sent() == [(0.0, 1.0), (0.25, 0.25), (0.375, 0.5), (0.5, 0.25), (0.75, 1.0), (1.0, 0.0)]


def test_a_blackout_keeps_its_own_priority_and_the_rest_level_dark_but_not_what_is_above() -> None:
    bench = Bench()
    bench.desk.rest("midi:36", 0.25)
    bench.play(
        shape(0.5, 1.0, (0.0, 0.0), kind="blackout"),
        shape(0.75, 0.5, (0.0, 1.0)),
        shape(1.0, 0.125, (0.0, 0.75), priority=200),
    )
    bench.clock.sleep_s(2.0)
    assert bench.sent() == [(0.0, 0.25), (0.5, 0.0), (1.0, 0.75), (1.125, 0.0), (1.5, 0.25)]


def test_the_colour_is_that_of_the_shape_that_decides() -> None:
    red, blue = (1.0, 0.0, 0.0), (0.0, 0.0, 1.0)
    bench = Bench()
    bench.play(
        replace(light(0.0, 1.0), colour=red, steps=(LightStep(at_s=0.0, level=0.5),)),
        replace(light(0.25, 0.5), colour=blue),
    )
    bench.clock.sleep_s(2.0)
    assert [command.colour for _, command in bench.lights.sent[:3]] == [red, blue, red]


def test_shapes_end_to_end_leave_no_moment_between_them() -> None:
    bench = Bench()
    bench.desk.rest("midi:36", 0.5)
    assert bench.zero_s + 0.01 + 0.31 < bench.zero_s + 0.32  # by rounding alone
    bench.play(shape(0.01, 0.31, (0.0, 0.0), kind="blackout"), light(0.32, 0.5))
    bench.clock.sleep_s(3.0)
    assert [level for _, level in bench.sent()] == [0.5, 0.0, 1.0, 0.5]


def test_a_held_light_stays_on_through_a_blackout() -> None:
    bench = Bench()
    bench.desk.hold("midi:36", 1.0)
    bench.play(shape(0.5, 0.5, (0.0, 0.0), kind="blackout", priority=200))
    bench.clock.sleep_s(2.0)
    assert bench.sent() == [(0.0, 1.0)]


def test_a_port_that_is_back_shows_the_step_and_the_colour_of_now() -> None:
    green = (0.0, 1.0, 0.0)
    bench = Bench()
    bench.play(replace(shape(0.0, 2.0, (0.0, 1.0), (0.5, 0.25)), colour=green))
    bench.clock.sleep_s(0.25)
    bench.lights.unplug()
    bench.clock.sleep_s(0.5)
    bench.lights.plug_in()
    bench.desk.renew()
    assert bench.lights.sent[-1][1] == LightCommand(light="midi:36", level=0.25, colour=green)


def test_the_end_tells_of_a_step_that_failed() -> None:
    bench = Bench()
    bench.play(shape(0.0, 1.0, (0.0, 1.0), (0.25, 0.0), (0.5, 1.0)))
    bench.clock.sleep_s(0.125)
    bench.lights.unplug()
    bench.clock.sleep_s(0.25)
    bench.lights.plug_in()
    bench.clock.sleep_s(1.0)
    begins, ends = bench.results
    assert begins.sent_s is not None
    assert not begins.problem
    assert ends.sent_s is None
    assert "unplugged" in ends.problem
    assert bench.sent()[-2:] == [(0.5, 1.0), (1.0, 0.0)]


TICK_S = 1 / 64
"""A power of two: times add up without any rounding."""

overlays = st.lists(
    st.builds(
        lambda at, length, levels, priority, dark, address: shape(
            at * TICK_S,
            length * TICK_S,
            *(
                [(0.0, 0.0)]
                if dark
                else [(place * TICK_S, level / 4) for place, level in enumerate(levels[:length])]
            ),
            kind="blackout" if dark else "strobe",
            priority=priority,
            address=address,
        ),
        st.integers(0, 30),
        st.integers(1, 20),
        st.lists(st.integers(0, 4), min_size=1, max_size=20),
        st.sampled_from([0, 100, 101, 200]),
        st.booleans(),
        st.sampled_from(["midi:36", "midi:1:36", "midi:37"]),
    ),
    max_size=8,
)


def level_by_hand(shapes: list[PlannedLight], note: str, rest: float, at_s: float) -> float:
    """What the rules say, worked out anew from all shapes."""
    running: list[tuple[int, bool, float]] = []
    for one in shapes:
        since_s = at_s - one.at_s
        if one.light.endswith(note) and 0 <= since_s < one.length_s:
            level = [step.level for step in one.steps if step.at_s <= since_s][-1]
            running.append((one.priority, one.shape == "blackout", level))
    if not running:
        return rest
    top = max(priority for priority, _, _ in running)
    deciding = [(dark, level) for priority, dark, level in running if priority == top]
    return 0.0 if any(dark for dark, _ in deciding) else max(level for _, level in deciding)


@given(overlays, st.sampled_from([0.0, 0.5]))
def test_any_overlay_shows_what_the_rules_say_at_any_time_and_ends_at_rest(
    shapes: list[PlannedLight], rest: float
) -> None:
    bench = Bench()
    for note in ("36", "37"):
        bench.desk.rest(f"midi:{note}", rest)
    bench.play(*shapes)
    for tick in range(60):
        bench.clock.run_until(bench.zero_s + tick * TICK_S)
        for note in ("36", "37"):
            shown = [command.level for _, command in bench.lights.sent if command.light.endswith(note)]
            assert shown[-1] == level_by_hand(shapes, note, rest, tick * TICK_S)
    for note in ("36", "37"):
        sent = [command for _, command in bench.lights.sent if command.light.endswith(note)]
        assert sent[-1].level == rest
        assert all(before != after for before, after in pairwise(sent))
    assert Counter(result.tag for result in bench.results) == dict.fromkeys(range(len(shapes)), 2)


@given(overlays, st.integers(0, 50))
def test_nothing_goes_out_after_all_is_off(shapes: list[PlannedLight], tick: int) -> None:
    bench = Bench()
    bench.desk.rest("midi:36", 0.5)
    bench.play(*shapes)
    bench.clock.run_until(bench.zero_s + tick * TICK_S)
    bench.desk.all_off()
    bench.clock.sleep_s(0.0)
    assert bench.lights.lit == set()
    sent = len(bench.lights.sent)
    bench.clock.sleep_s(2.0)
    assert len(bench.lights.sent) == sent
    assert Counter(result.tag for result in bench.results) == dict.fromkeys(range(len(shapes)), 2)
