"""The packets of Open Sound Control 1.0, read and written. Pure.

All that is not well-formed is refused. Source: the OSC 1.0 specification (opensoundcontrol.org); type tag `I`
is 1.0's "infinitum" and 1.1's "impulse".
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import Enum

from cuesync.errors import InputError

_BUNDLE = b"#bundle\0"
_MOST_DEPTH = 8


class MalformedPacketError(InputError):
    """Bytes that are no OSC 1.0 packet, or values that don't go into one."""


class Impulse(Enum):
    """The value of tag `I`, which carries none."""

    IMPULSE = "impulse"


IMPULSE = Impulse.IMPULSE
OscValue = int | float | str | bytes | bool | Impulse | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OscMessage:
    """An address, one type tag for each value (`ifsbTFNItdh`), and the values. A time tag is its 64 bits."""

    address: str
    tags: str = ""
    values: tuple[OscValue, ...] = ()


_NUMBERS = {"i": ">i", "f": ">f", "h": ">q", "d": ">d", "t": ">Q"}
_CONSTANTS: dict[str, OscValue] = {"T": True, "F": False, "N": None, "I": IMPULSE}


def decode(packet: bytes) -> tuple[OscMessage, ...]:
    """Every message of a packet in order, out of all its bundles. MalformedPacketError for anything else."""
    messages: list[OscMessage] = []
    _decode(packet, 0, messages)
    return tuple(messages)


def encode(message: OscMessage) -> bytes:
    """The bytes of a message. MalformedPacketError where a value doesn't go with its tag."""
    if len(message.tags) != len(message.values):
        raise MalformedPacketError(
            f"{len(message.tags)} type tags don't go with {len(message.values)} values."
        )
    parts = [_padded(_ascii(message.address)), _padded(_ascii("," + message.tags))]
    for tag, value in zip(message.tags, message.values, strict=True):
        try:
            if tag in _CONSTANTS:
                continue
            if tag == "s":
                parts.append(_padded(str(value).encode()))
            elif tag == "b":
                if not isinstance(value, bytes):
                    raise TypeError("no bytes")
                parts.append(struct.pack(">i", len(value)) + value + bytes(-len(value) % 4))
            else:
                parts.append(struct.pack(_NUMBERS[tag], value))
        except (KeyError, TypeError, OverflowError, struct.error, UnicodeError) as problem:
            raise MalformedPacketError(f"{value!r} doesn't go with OSC type tag {tag!r}.") from problem
    return b"".join(parts)


def _decode(packet: bytes, depth: int, messages: list[OscMessage]) -> None:
    if not packet or len(packet) % 4:
        raise MalformedPacketError(f"{len(packet)} bytes are no OSC packet: it has a multiple of 4.")
    if not packet.startswith(_BUNDLE):
        messages.append(_message(packet))
        return
    if depth >= _MOST_DEPTH:
        raise MalformedPacketError(f"bundles lie more than {_MOST_DEPTH} deep in one another.")
    at = 16  # the word and the time tag
    if len(packet) < at:
        raise MalformedPacketError("a bundle ends inside its time tag.")
    while at < len(packet):
        (size,) = struct.unpack_from(">i", packet, at)  # all is a multiple of 4 long, so these 4 are there
        at += 4
        if not 0 < size <= len(packet) - at:
            raise MalformedPacketError(f"an element of {size} bytes doesn't fit into its bundle.")
        _decode(packet[at : at + size], depth + 1, messages)
        at += size


def _message(packet: bytes) -> OscMessage:
    raw, at = _string(packet, 0)
    if not raw.startswith(b"/") or not raw.isascii():
        raise MalformedPacketError(f"{raw[:40]!r} is no OSC address.")
    address = raw.decode("ascii")
    if at == len(packet):
        return OscMessage(address=address)  # older senders leave the type tags out
    raw, at = _string(packet, at)
    if not raw.startswith(b",") or not raw.isascii():
        raise MalformedPacketError(f"{raw[:40]!r} are no OSC type tags.")
    tags = raw[1:].decode("ascii")
    values: list[OscValue] = []
    for tag in tags:
        value, at = _value(packet, at, tag)
        values.append(value)
    if at != len(packet):
        raise MalformedPacketError(f"{len(packet) - at} bytes are left over after the last value.")
    return OscMessage(address=address, tags=tags, values=tuple(values))


def _value(packet: bytes, at: int, tag: str) -> tuple[OscValue, int]:
    if tag in _CONSTANTS:
        return _CONSTANTS[tag], at
    try:
        if tag in _NUMBERS:
            (number,) = struct.unpack_from(_NUMBERS[tag], packet, at)
            return number, at + struct.calcsize(_NUMBERS[tag])
        if tag == "s":
            raw, at = _string(packet, at)
            return raw.decode(), at
        if tag == "b":
            (size,) = struct.unpack_from(">i", packet, at)
            end = at + 4 + size
            padded = end + -end % 4
            if size < 0 or padded > len(packet) or any(packet[end:padded]):
                raise MalformedPacketError(f"a blob of {size} bytes doesn't fit into its message.")
            return packet[at + 4 : end], padded
    except (struct.error, UnicodeDecodeError) as problem:
        raise MalformedPacketError(f"the value of OSC type tag {tag!r} is cut short or no text.") from problem
    raise MalformedPacketError(f"OSC type tag {tag!r} is not in OSC 1.0.")


def _string(packet: bytes, at: int) -> tuple[bytes, int]:
    """The bytes of a string that starts at `at`, and where the next item starts."""
    end = packet.find(b"\0", at)
    after = end + 4 - end % 4
    if end < 0 or any(packet[end:after]):
        raise MalformedPacketError("a string has no end.")
    return packet[at:end], after


def _ascii(text: str) -> bytes:
    try:
        return text.encode("ascii")
    except UnicodeEncodeError as problem:
        raise MalformedPacketError(f'"{text}" is not ASCII.') from problem


def _padded(text: bytes) -> bytes:
    if b"\0" in text:
        raise MalformedPacketError(f"{text!r} holds a zero byte, which ends a string in OSC.")
    return text + bytes(4 - len(text) % 4)
