"""Slots of fixtures: worked by hand, on the wire, and that no other slot is ever touched."""

from __future__ import annotations

import socket
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices import dmx
from cuesync.devices.dmx import DmxLights
from cuesync.devices.fixtures import Fixture, Meaning
from cuesync.devices.opening import PortSettings, light_output
from cuesync.devices.ports import WHITE, Colour, HostClock, LightCommand
from cuesync.devices.simulated import SimulatedClock
from cuesync.plan.plan import LightStep, PlannedLight
from cuesync.show.lights import LightDesk

RED = (1.0, 0.0, 0.0)
AMBER = (1.0, 0.5, 0.0)


def fixture(*channels: Meaning | int, start_slot: int = 11, name: str = "wash") -> Fixture:
    return Fixture(
        name=name,
        universe=1,
        start_slot=start_slot,
        channels=channels,
        shutter_open=200,
        shutter_closed=10,
    )


@pytest.mark.parametrize(
    ("channels", "level", "colour", "slots"),
    [
        # with a dimmer the colours keep their full values
        (("dimmer", "red", "green", "blue"), 0.5, AMBER, [128, 255, 128, 0]),
        (("dimmer", "red", "green", "blue"), 0.0, AMBER, [0, 0, 0, 0]),
        # without one they are scaled
        (("red", "green", "blue"), 0.5, AMBER, [128, 64, 0]),
        (("red", "green", "blue"), 1.0, WHITE, [255, 255, 255]),
        # white is what the three have in common
        (("red", "green", "blue", "white"), 1.0, (1.0, 0.5, 0.25), [255, 128, 64, 64]),
        (("red", "green", "blue", "white"), 1.0, RED, [255, 0, 0, 0]),
        (("white",), 0.5, RED, [128]),
        (("dimmer",), 0.25, RED, [64]),
        # the shutter only knows lit and dark; numbers stay
        (("shutter", 77, "dimmer", 0), 0.01, WHITE, [200, 77, 3, 0]),
        (("shutter", 77, "dimmer", 0), 0.0, WHITE, [10, 77, 0, 0]),
        # a bar of two cells
        (("red", "green", "blue", "red", "green", "blue"), 1.0, AMBER, [255, 128, 0, 255, 128, 0]),
        # what is lit at all does not round to dark
        (("dimmer",), 0.001, WHITE, [1]),
    ],
)
def test_slots_of_a_level_and_a_colour(
    channels: tuple[Meaning | int, ...], level: float, colour: Colour, slots: list[int]
) -> None:
    assert list(fixture(*channels).values(level, colour)) == slots


@pytest.mark.parametrize(
    ("one", "asked", "given"),
    [
        (fixture("dimmer"), RED, WHITE),
        (fixture("dimmer", "red", "green", "blue"), AMBER, AMBER),
        (fixture("red"), WHITE, RED),
        (fixture("red", "white"), (1.0, 0.5, 0.25), (1.0, 0.25, 0.25)),
    ],
)
def test_the_light_of_a_colour(one: Fixture, asked: Colour, given: Colour) -> None:
    assert one.light(asked) == given
    assert one.values(1.0, one.light(asked)) == one.values(1.0, asked)


meanings = st.sampled_from(["dimmer", "red", "green", "blue", "white", "shutter"])
shares = st.floats(0.0, 1.0)
colours = st.tuples(shares, shares, shares)


@given(st.lists(meanings | st.integers(0, 255), min_size=1, max_size=30), shares, colours)
def test_values_are_bytes_one_a_channel(channels: list[Meaning | int], level: float, colour: Colour) -> None:
    one = fixture(*channels)
    values = one.values(level, colour)
    assert len(values) == len(one.slots) == len(channels)
    brighter = one.values(1.0, colour)
    for channel, value, most in zip(channels, values, brighter, strict=True):
        if isinstance(channel, int):
            assert value == channel
        elif channel == "shutter":
            assert value == (200 if level > 0.0 else 10)
        else:
            assert value <= most
            assert level > 0.0 or value == 0


def slots_text(values: dict[int, int]) -> str:
    """All 512 slots in hexadecimal, 0 where none is given; slots count from 1."""
    return bytes(values.get(slot, 0) for slot in range(1, 513)).hex()


def test_a_fixture_on_the_wire_byte_by_byte() -> None:
    """ANSI E1.31, tables 4-1 to 4-3: every byte of the packets, but for the sender's own number (CID)."""
    wash = fixture("dimmer", "red", "green", "blue", 99, "shutter", start_slot=300)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as heard:
        heard.bind(("127.0.0.1", 0))
        heard.settimeout(3.0)
        lights = DmxLights(fixtures=[replace(wash, universe=770)], port=heard.getsockname()[1])
        lights.send(LightCommand(light="fixture:wash", level=0.5, colour=AMBER))
        first = heard.recv(1000)
        lights.send(LightCommand(light="dmx:770:1", level=1.0))
        lights.all_off()
        lights.close()
        packets = [first]
        while packets[-1][112] == 0:
            packets.append(heard.recv(1000))
    lit = {300: 128, 301: 255, 302: 128, 303: 0, 304: 99, 305: 200}
    dark = {304: 99, 305: 10}
    assert first.hex() == (
        "00100000" + "4153432d45312e3137000000" + "726e" + "00000004" + first[22:38].hex()
        + "7258" + "00000002" + b"cuesync".ljust(64, b"\0").hex() + "64" + "0000" + "00" + "00" + "0302"
        + "720b" + "02" + "a1" + "0000" + "0001" + "0201" + "00" + slots_text(lit)
    )  # fmt: skip
    assert any(data[126:].hex() == slots_text(lit | {1: 255}) for data in packets)
    # a slot that is held, and a closed shutter, stay as they are to the very end
    assert packets[-1][126:].hex() == slots_text(dark)


def test_a_fixture_is_opened_with_the_other_dmx_lights() -> None:
    lights = light_output(PortSettings(), HostClock(), ["dmx:1:1", "fixture:wash"], [fixture("dimmer")])
    assert [(part.name, part.lights) for part in lights.parts] == [("DMX", ("dmx:1:1", "fixture:wash"))]
    lights.send(LightCommand(light="fixture:wash", level=1.0))
    lights.close()


class Slots:
    """In place of the E1.31 sender: one universe, with every state that it ever had."""

    def __init__(self, *_: object, dark: dict[int, bytes], **__: object) -> None:
        self.now = bytearray(dark.get(1, bytes(512)))
        self.seen = [bytes(self.now)]

    def set(self, universe: int, slot: int, values: Sequence[int]) -> None:
        assert universe == 1
        assert slot - 1 + len(values) <= 512
        self.now[slot - 1 : slot - 1 + len(values)] = bytes(values)
        self.seen.append(bytes(self.now))


channel_lists = st.lists(meanings | st.integers(0, 255), min_size=1, max_size=10)
shapes = st.builds(
    lambda name, at, length, levels, priority, colour: PlannedLight(
        light=f"fixture:{name}",
        at_s=at / 64,
        length_s=length / 64,
        lands_s=at / 64,
        path_s=0.0,
        shape="strobe",
        steps=tuple(LightStep(at_s=k / 64, level=level) for k, level in enumerate(levels[:length])),
        priority=priority,
        colour=colour,
    ),
    st.sampled_from(["one", "two"]),
    st.integers(0, 30),
    st.integers(1, 20),
    st.lists(shares, min_size=1, max_size=20),
    st.integers(0, 200),
    colours,
)


@given(channel_lists, channel_lists, st.integers(0, 5), st.lists(shapes, max_size=6), shares, colours)
def test_a_cue_touches_no_slot_of_others_and_ends_at_rest(
    first: list[Meaning | int],
    second: list[Meaning | int],
    gap: int,
    cue: list[PlannedLight],
    rest_level: float,
    rest_colour: Colour,
) -> None:
    one = fixture(*first, start_slot=20, name="one")
    two = fixture(*second, start_slot=20 + len(first) + gap, name="two")
    clock = SimulatedClock()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(dmx, "E131Sender", Slots)
        lights = DmxLights(fixtures=[one, two])
    slots = lights._sender
    assert isinstance(slots, Slots)
    desk = LightDesk(lights, clock, lambda _: None)
    clock.attend(desk)
    for each in (one, two):
        desk.rest(each.address, rest_level, rest_colour)
    clock.sleep_s(0.0)
    resting = bytes(slots.now)
    begin_s = clock.now_s()
    for number, shape in enumerate(cue):
        desk.play(number, shape, begin_s)
    clock.sleep_s(2.0)
    assert bytes(slots.now) == resting
    colour = rest_colour if rest_level else WHITE
    assert resting[19 : one.slots[-1]] == one.values(rest_level, colour)
    assert resting[two.start_slot - 1 : two.slots[-1]] == two.values(rest_level, colour)
    used = {shape.light for shape in cue}
    for state in slots.seen:
        assert not any(value for slot, value in enumerate(state, 1) if slot not in (*one.slots, *two.slots))
    for state in slots.seen[slots.seen.index(resting) :]:
        for each in (one, two):
            shown = state[each.start_slot - 1 : each.slots[-1]]
            held = [channel for channel in each.channels if isinstance(channel, int)]
            assert [
                value for channel, value in zip(each.channels, shown, strict=True) if isinstance(channel, int)
            ] == held
            if each.address not in used:
                assert shown == resting[each.start_slot - 1 : each.slots[-1]]
