"""Addresses of the outputs that start props, and what they may not share a wire with."""

from __future__ import annotations

from pathlib import Path

import pytest

from cuesync.devices.contact_addresses import overlap, parse_contact
from cuesync.devices.light_addresses import parse_light
from cuesync.devices.output_addresses import BoardOutput, GpioOutput, SerialOutput, collide, parse_output
from cuesync.errors import InputError


def test_each_kind_is_read() -> None:
    assert parse_output("board:/dev/ttyACM0:prop") == BoardOutput(port="/dev/ttyACM0", name="prop")
    assert parse_output("gpio:22") == GpioOutput(pin=22, active_low=False)
    assert parse_output("gpio:22 low") == GpioOutput(pin=22, active_low=True)
    assert parse_output("serial:COM3:RTS") == SerialOutput(port="COM3", line="rts")


@pytest.mark.parametrize("address", ["midi:36", "dmx:1:17", "osc:10.0.0.5:8000/prop", "mqtt:a", "key:f", ""])
def test_what_can_get_lost_may_not_start_a_prop(address: str) -> None:
    with pytest.raises(InputError, match=r"is no output that may start a prop\. Write an output of a micro"):
        parse_output(address)


@pytest.mark.parametrize("address", ["gpio:54", "gpio:22 nc", "gpio: 22", "serial:COM3:cts", "board:prop"])
def test_a_malformed_output_is_told(address: str) -> None:
    with pytest.raises(InputError, match="Write "):
        parse_output(address)


@pytest.mark.parametrize(
    ("output", "contact", "together"),
    [
        ("gpio:22 low", "gpio:22 nc", True),
        ("gpio:22", "gpio:23", False),
        ("gpio:22", "input:22", False),
        ("serial:COM3:rts", "serial:COM3:cts", True),
        ("serial:COM3:rts", "board:COM3:door", True),
        ("serial:COM3:rts", "serial:COM4:cts", False),
        ("board:COM3:prop", "serial:COM3:cts", True),
        ("board:COM3:prop", "board:COM3:prop", True),
        ("board:COM3:prop", "board:COM3:door", False),
        ("board:COM3:prop", "key:f", False),
    ],
)
def test_an_output_has_its_wire_for_itself(output: str, contact: str, together: bool) -> None:
    assert collide(parse_output(output), parse_contact(contact)) is together


def test_a_link_to_a_port_means_that_port(tmp_path: Path) -> None:
    port, link = tmp_path / "ttyACM0", tmp_path / "by-id"
    port.touch()
    link.symlink_to(port)
    output = parse_output(f"serial:{port}:rts")
    assert collide(output, parse_output(f"serial:{link}:dtr"))
    assert collide(output, parse_contact(f"board:{link}:door"))
    assert not collide(output, parse_contact(f"board:{link}2:door"))
    assert overlap(f"board:{port}:door", f"board:{link}:Door nc")
    assert not overlap(f"board:{port}:door", f"serial:{link}:cts")
    assert not overlap(f"serial:{port}:dsr", f"serial:{link}:cts")


def test_an_output_is_no_light_and_no_other_output() -> None:
    prop = parse_output("board:COM3:prop")
    assert collide(prop, parse_light("board:COM3:prop"))
    assert not collide(prop, parse_light("board:COM3:eyes"))
    assert not collide(prop, parse_light("midi:36"))
    assert collide(prop, parse_output("serial:COM3:rts"))
    assert collide(parse_output("serial:COM3:dtr"), parse_output("serial:COM3:rts"))
    assert collide(parse_output("gpio:22"), parse_output("gpio:22 low"))
    assert not collide(parse_output("gpio:22"), prop)
