"""How a scene names the output that starts its prop: `board:/dev/ttyACM0:prop`, `gpio:22 low`.

Pure, but that `collide` looks where links to ports lead. Only kinds that fall off by themselves when cuesync
or its computer dies are here: a message on MIDI, DMX or a network that gets lost would leave a motor running.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from cuesync.devices.address_parts import number_in, port_and
from cuesync.devices.contact_addresses import BoardContact, ContactAddress, GpioContact, SerialContact
from cuesync.devices.light_addresses import BoardLight, LightAddress
from cuesync.devices.port_paths import real_port
from cuesync.errors import InputError

SERIAL_OUTPUTS = ("rts", "dtr")
ACTIVE_LOW = " low"

OUTPUTS_ALLOWED = (
    'Write an output of a microcontroller ("board:/dev/ttyACM0:prop"), a pin ("gpio:22"; "gpio:22 low" for a '
    'relay that a low pin switches on), or a line of a serial adapter ("serial:/dev/ttyUSB0:rts").'
)


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardOutput:
    """An output of a microcontroller on a serial port, by the name that it knows."""

    port: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GpioOutput:
    """A pin of a small board computer, in Broadcom's numbering; with `active_low` it is on while low."""

    pin: int
    active_low: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialOutput:
    """A modem line of a serial adapter: on while `line` is raised and the other of RTS and DTR is not."""

    port: str
    line: str


OutputAddress = BoardOutput | GpioOutput | SerialOutput
_AT_A_PORT = BoardOutput | BoardContact | BoardLight | SerialOutput | SerialContact


def parse_output(address: str) -> OutputAddress:
    """The output that an address means. InputError says what is allowed."""
    kind, _, rest = address.partition(":")
    parse = _OUTPUTS.get(kind)
    if parse is None:
        raise InputError(f'"{address}" is no output that may start a prop. {OUTPUTS_ALLOWED}')
    return parse(address, rest)


def collide(output: OutputAddress, other: OutputAddress | ContactAddress | LightAddress) -> bool:
    """Whether both hang on the same wire. A serial adapter that switches a prop can't do anything else:
    opened for a button or a board, it raises both its lines."""
    if isinstance(output, GpioOutput):
        return isinstance(other, GpioOutput | GpioContact) and output.pin == other.pin
    if not isinstance(other, _AT_A_PORT) or real_port(output.port) != real_port(other.port):
        return False
    if isinstance(output, SerialOutput) or isinstance(other, SerialOutput | SerialContact):
        return True
    return output.name == other.name


def _board_output(address: str, rest: str) -> BoardOutput:
    port, name = port_and(address, rest, None)
    return BoardOutput(port=port, name=name)


def _gpio_output(address: str, rest: str) -> GpioOutput:
    number = rest.removesuffix(ACTIVE_LOW)
    return GpioOutput(
        pin=number_in(address, number, "a pin", 0, 53, "gpio:22"), active_low=rest.endswith(ACTIVE_LOW)
    )


def _serial_output(address: str, rest: str) -> SerialOutput:
    port, line = port_and(address, rest, SERIAL_OUTPUTS)
    return SerialOutput(port=port, line=line)


_OUTPUTS: dict[str, Callable[[str, str], OutputAddress]] = {
    "board": _board_output,
    "gpio": _gpio_output,
    "serial": _serial_output,
}
