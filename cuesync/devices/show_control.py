"""MIDI show control (MMA RP-002): one command to other gear, as bytes. Pure.

Commands that need more than a cue or a macro (TIMED_GO, SET) are left out, and so are the kinds of gear that
can hurt: machinery, process control, pyro, and "all types", which would reach these too.
"""

from __future__ import annotations

import re

from cuesync.errors import InputError

COMMANDS = {
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
FORMATS = {"lighting": 0x01, "sound": 0x10, "video": 0x30, "projection": 0x40}
"""The command formats of RP-002 for the gear that may be named here."""
ALL_DEVICES = 127
WITHOUT_CUE = frozenset({"fire", "all_off", "restore", "reset"})

_CUE = re.compile(r"[0-9]+(\.[0-9]+)*")
_LONGEST_CUE = 20


def show_control(
    command: str, *, gear: str, device: int, cue: tuple[str, ...] = (), macro: int | None = None
) -> bytes:
    """`F0 7F device 02 format command data F7`.

    `gear`: one of `FORMATS`. `device`: 0 to 111 one device, 112 to 126 a group, 127 all. `cue`: number, list
    and path, as many as are given. `macro`: 0 to 127, for "fire".

    Raises:
        InputError: for what RP-002 doesn't have.
    """
    if command not in COMMANDS:
        raise InputError(
            f'"{command}" is no command of MIDI show control. Write one of: {", ".join(COMMANDS)}.'
        )
    if gear not in FORMATS:
        raise InputError(
            f'"{gear}" is no gear that show control is sent to here. Write one of: {", ".join(FORMATS)}. '
            "Machinery, process control and pyro belong to operators of their own."
        )
    if not 0 <= device <= ALL_DEVICES:
        raise InputError(
            f"device {device} does not exist. Write 0 to 111, 112 to 126 for a group, or 127 for all."
        )
    if (command == "fire") != (macro is not None):
        raise InputError('"fire" needs a macro from 0 to 127, and no other command has one.')
    if macro is not None and not 0 <= macro <= 127:
        raise InputError(f"macro {macro} does not exist. Write 0 to 127.")
    if cue and command in WITHOUT_CUE:
        raise InputError(f'"{command}" goes without a cue. Leave the cue out.')
    if command == "load" and not cue:
        raise InputError('"load" needs a cue. Say which.')
    for part in cue:
        if _CUE.fullmatch(part) is None or len(part) > _LONGEST_CUE:
            raise InputError(
                f'"{part}" is no cue of MIDI show control. Write digits and points, as in "12.5", '
                f"{_LONGEST_CUE} at most."
            )
    data = bytes([macro]) if macro is not None else b"\0".join(part.encode("ascii") for part in cue)
    return bytes([0xF0, 0x7F, device, 0x02, FORMATS[gear], COMMANDS[command], *data, 0xF7])
