"""What the addresses of contacts and of lights have in common: numbers, ports, paths. Pure functions.

Each takes the whole address, for its message, and the part that it reads. InputError says what is allowed.
"""

from __future__ import annotations

import re

from cuesync.errors import InputError

_NAME = re.compile(r"[a-z0-9_]{1,16}")
_OSC_RESERVED = frozenset(" #*,?[]{}")


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) <= 5


def number_in(address: str, text: str, what: str, lowest: int, highest: int, example: str) -> int:
    if not _is_number(text) or not lowest <= int(text) <= highest:
        raise InputError(
            f'"{address}": {what} is a number from {lowest} to {highest}. Write it as in "{example}".'
        )
    return int(text)


def midi_numbers(address: str, rest: str, what: str, without: str) -> tuple[int | None, int]:
    """Channel and number; `without` is what an address without a channel means."""
    kind = address.partition(":")[0]
    allowed = f'Write a MIDI {what} from 0 to 127 ("{kind}:60" on {without}, "{kind}:10:60" on channel 10).'
    parts = rest.split(":")
    if len(parts) > 2 or not all(_is_number(part) for part in parts):
        raise InputError(f'"{address}" is not a MIDI {what}. {allowed}')
    number = int(parts[-1])
    channel = int(parts[0]) if len(parts) == 2 else None
    if number > 127:
        raise InputError(f'"{address}": {what} {number} does not exist. {allowed}')
    if channel is not None and not 1 <= channel <= 16:
        raise InputError(f'"{address}": MIDI channels go from 1 to 16, not {channel}. {allowed}')
    return channel, number


def port_and(address: str, rest: str, names: tuple[str, ...] | None) -> tuple[str, str]:
    """A serial port and what is meant there: one of `names`, or any short name where that is None."""
    port, _, name = rest.rpartition(":")  # a port's own name may hold colons
    name = name.lower()
    known = name in names if names is not None else _NAME.fullmatch(name) is not None
    if port and port.isprintable() and known:
        return port, name
    wanted = " or ".join(names) if names is not None else "a name of small letters and digits"
    kind = address.partition(":")[0]
    example = names[0] if names is not None else "3"
    raise InputError(
        f'"{address}" does not say which port and line. Write the port, a colon, and {wanted}, '
        f'as "{kind}:/dev/ttyUSB0:{example}" or "{kind}:COM3:{example}".'
    )


def osc_path(address: str, path: str, example: str) -> str:
    """A plain OSC address (OSC 1.0): printable ASCII without the characters that patterns use."""
    parts = path.split("/")
    plain = path.isascii() and path.isprintable() and not _OSC_RESERVED & set(path)
    if len(path) > 200 or not plain or parts[0] or not all(parts[1:]) or len(parts) < 2:
        raise InputError(
            f'"{address}" holds no OSC address. Write one as in "{example}", without # * , ? [ ] {{ }}.'
        )
    return path
