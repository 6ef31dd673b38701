"""MIDI show control (MMA RP-002): one command to other gear, as bytes. Pure.

Commands that need more than a cue or a macro (TIMED_GO, SET) are left out, and so are the kinds of gear that
can hurt: machinery, process control, pyro, and "all types", which would reach these too.
"""

from __future__ import annotations

import re
from typing import Literal

from cuesync.errors import InputError

Command = Literal["go", "stop", "resume", "load", "fire", "all_off", "restore", "reset", "go_off"]
Gear = Literal["lighting", "sound", "video", "projection"]

COMMANDS: dict[Command, int] = {
    "go": 0x01,
    "stop": 0x02,
    "resume": 0x03,
    "load": 0x05,
    "fire": 0x07,
    "all_off": 0x08,
    "restore": 0x09,
    "reset": 0x0A,
    "go_off": 0x0B,
}
"""The commands of RP-002, and their bytes."""
FORMATS: dict[Gear, int] = {"lighting": 0x01, "sound": 0x10, "video": 0x30, "projection": 0x40}
"""The command formats of RP-002 for the gear that may be named here."""
ALL_DEVICES = 127
WITHOUT_CUE = frozenset({"fire", "all_off", "restore", "reset"})

_CUE = re.compile(r"[0-9]+(\.[0-9]+)*", re.ASCII)
_LONGEST_CUE = 20


def checked_cue(text: str) -> str:
    """A cue's number, list or path as RP-002 allows it. InputError for any other."""
    if _CUE.fullmatch(text) is None or len(text) > _LONGEST_CUE:
        raise InputError(
            f'"{text}" is no cue of MIDI show control. Write digits and points, as in "12.5", '
            f"{_LONGEST_CUE} at most."
        )
    return text


def show_control(
    command: Command, *, gear: Gear, device: int, cue: tuple[str, ...] = (), macro: int | None = None
) -> bytes:
    """`F0 7F device 02 format command data F7`.

    `device`: 0 to 111 one device, 112 to 126 a group, 127 all. `cue`: number, list and path, as many as are
    given. `macro`: 0 to 127, for "fire".

    Raises:
        InputError: for what RP-002 doesn't have.
    """
    if not 0 <= device <= ALL_DEVICES:
        raise InputError(
            f"device {device} does not exist. Write 0 to 111, 112 to 126 for a group, 127 for all."
        )
    if (command == "fire") != (macro is not None):
        raise InputError('"fire" needs a macro from 0 to 127, and no other command has one.')
    if macro is not None and not 0 <= macro <= 127:
        raise InputError(f"macro {macro} does not exist. Write 0 to 127.")
    if cue and command in WITHOUT_CUE:
        raise InputError(f'"{command}" goes without a cue. Leave the cue out.')
    if command == "load" and not cue:
        raise InputError('"load" needs a cue. Say which.')
    data = bytes([macro]) if macro is not None else b"\0".join(checked_cue(part).encode() for part in cue)
    return bytes([0xF0, 0x7F, device, 0x02, FORMATS[gear], COMMANDS[command], *data, 0xF7])
