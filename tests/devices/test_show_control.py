"""MIDI show control as bytes: vectors of MMA RP-002, and mido's reading of them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.show_control import (
    COMMANDS,
    FORMATS,
    WITHOUT_CUE,
    Command,
    Gear,
    show_control,
)
from cuesync.errors import InputError
from tests import peers


def test_fire_has_the_bytes_of_the_standard() -> None:
    # RP-002, as quoted by makers of lighting desks: FIRE macro 10 for lighting, device 1
    assert show_control("fire", gear="lighting", device=1, macro=10) == bytes.fromhex("F07F010201070AF7")


@pytest.mark.parametrize(
    ("command", "code"),
    [
        # RP-002, general commands; the same numbers stand in open libraries for show control
        ("go", 0x01),
        ("stop", 0x02),
        ("resume", 0x03),
        ("load", 0x05),
        ("fire", 0x07),
        ("all_off", 0x08),
        ("restore", 0x09),
        ("reset", 0x0A),
        ("go_off", 0x0B),
    ],
)
def test_commands_have_their_numbers(command: Command, code: int) -> None:
    assert COMMANDS[command] == code


def test_a_cue_is_digits_parted_by_zeros() -> None:
    # RP-002: Q_number, Q_list and Q_path in ASCII, a 00 between them
    assert show_control("go", gear="sound", device=127, cue=("12.5", "2", "1")) == bytes.fromhex(
        "F07F7F021001 31322E35 00 32 00 31 F7"
    )
    assert show_control("go", gear="lighting", device=0) == bytes.fromhex("F07F00020101F7")


@given(
    command=st.sampled_from(sorted(set(COMMANDS) - WITHOUT_CUE)),
    gear=st.sampled_from(sorted(FORMATS)),
    device=st.integers(0, 127),
    cue=st.lists(st.from_regex(r"[0-9]{1,4}(\.[0-9]{1,3})?", fullmatch=True), min_size=1, max_size=3),
)
def test_mido_reads_one_message_of_seven_bit_data(
    command: Command, gear: Gear, device: int, cue: list[str]
) -> None:
    mido = peers.module("mido")
    data = show_control(command, gear=gear, device=device, cue=tuple(cue))
    (message,) = mido.parse_all(data)
    assert message.type == "sysex"
    assert message.data[:5] == (0x7F, device, 0x02, FORMATS[gear], COMMANDS[command])
    assert bytes(message.data[5:]).decode("ascii").split("\0") == cue


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"device": 128}, "device 128 does not exist"),
        ({"device": -1}, "device -1 does not exist"),
        ({"command": "fire"}, '"fire" needs a macro'),
        ({"macro": 3}, "no other command has one"),
        ({"command": "fire", "macro": 128}, "macro 128"),
        ({"command": "all_off", "cue": ("1",)}, "goes without a cue"),
        ({"command": "load"}, '"load" needs a cue'),
        ({"cue": ("one",)}, '"one" is no cue'),
        ({"cue": ("1..2",)}, "no cue"),
        ({"cue": ("٣",)}, "no cue"),
        ({"cue": ("1" * 21,)}, "20 at most"),
    ],
)
def test_what_the_standard_does_not_have_is_refused(given: dict[str, object], told: str) -> None:
    asked = {"command": "go", "gear": "lighting", "device": 1, **given}
    with pytest.raises(InputError, match=told):
        show_control(asked.pop("command"), **asked)  # type: ignore[arg-type]
