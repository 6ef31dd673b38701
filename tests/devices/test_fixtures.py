"""Slots of fixtures: worked by hand, on the wire, and that no other slot is ever touched."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.fixtures import Fixture, Meaning
from cuesync.devices.ports import WHITE, Colour

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
