"""A microcontroller on USB-serial: contacts, lights, what starts a prop. ASCII lines each way, 115200 baud.

From the board, each line ended by a line feed (a carriage return before it is allowed):

    NAME 1 MICROSECONDS     the contact closed; 0: it opened. The stamp may be left out.
    NAME =1                 how the contact stands, in answer to `?`; never taken for a press
    - MICROSECONDS          a beat with nothing to tell, best every 20 ms: they carry the board's clock

To the board: `?`, to be answered for every contact; `NAME VALUE`, a light from 0 to 255; and for an output
that starts a prop `NAME on MILLISECONDS`, then `NAME keep MILLISECONDS` every 100 ms, and `NAME off`. The
board switches such an output off by itself so many milliseconds after the last line, heeds `keep` only while
it is on, and has it off when it starts. Better still, it knows the longest time that the output may be on.

NAME is 1 to 16 of a to z, 0 to 9 and `_`. MICROSECONDS is a 32-bit counter that wraps (Arduino's `micros()`),
taken when the edge is seen. The board tells edges undebounced.
"""

from __future__ import annotations

import contextlib
import re
import threading
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from cuesync.devices.board_clock import WRAP, BoardClock
from cuesync.devices.contact_addresses import BoardContact, parse_contact
from cuesync.devices.light_addresses import BoardLight, parse_light
from cuesync.devices.ports import Clock, ContactEdge, Counts, EdgeSink, HostClock, LightCommand, counts
from cuesync.devices.serial_line import open_port
from cuesync.devices.switching_off import switch_off
from cuesync.errors import DeviceError

BAUD = 115200
_LONGEST_LINE = 40
_MOST_EDGES_A_SECOND = 500
_EDGE = re.compile(rb"([a-z0-9_]{1,16}) (=?)([01])(?: ([0-9]{1,10}))?")
_BEAT = re.compile(rb"- ([0-9]{1,10})")


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardEdge:
    """What one line tells; `stated`: how the contact stands, not an edge."""

    name: str
    closed: bool
    at_s: float
    stated: bool


class BoardReader:
    """Turns the bytes of one board into edges, in bounded memory whatever comes.

    `discarded` counts what is not told: malformed lines, edges to the level that the contact has already, and
    edges beyond 500 within one second.
    """

    def __init__(self, tell: Callable[[BoardEdge], None]) -> None:
        self.discarded = Counter[str]()
        self._tell = tell
        self._clock = BoardClock()
        self._rest = b""
        self._skipping = False
        self._levels: dict[str, bool] = {}
        self._second_s = 0.0
        self._edges = 0

    def arrived(self, data: bytes, at_s: float) -> None:
        """Take bytes that were all here at host time `at_s`."""
        lines = (self._rest + data).split(b"\n")
        self._rest = lines.pop()
        for line in lines:
            if self._skipping:
                self._skipping = False  # the end of a line that was too long, counted already
            else:
                self._line(line.removesuffix(b"\r"), at_s)
        if len(self._rest) > _LONGEST_LINE or self._skipping:
            self.discarded["malformed lines"] += not self._skipping
            self._skipping = True
            self._rest = b""

    def _line(self, line: bytes, at_s: float) -> None:
        edge, beat = _EDGE.fullmatch(line), _BEAT.fullmatch(line)
        stamp = edge[4] if edge else beat[1] if beat else None
        if (edge is None and beat is None) or (stamp is not None and int(stamp) >= WRAP):
            self.discarded["malformed lines"] += 1
            return
        if stamp is not None:
            at_s = self._clock.host_s(int(stamp), at_s)
        if edge is None:
            return
        name, stated, closed = edge[1].decode(), bool(edge[2]), edge[3] == b"1"
        if not stated and self._levels.get(name) == closed:
            self.discarded["repeated levels"] += 1
            return
        if not 0.0 <= at_s - self._second_s < 1.0:
            self._second_s, self._edges = at_s, 0
        self._edges += 1
        if self._edges > _MOST_EDGES_A_SECOND:
            self.discarded["edges of a flood"] += 1
            self._levels.pop(name, None)
            return
        if name in self._levels or len(self._levels) < 256:
            self._levels[name] = closed
        self._tell(BoardEdge(name=name, closed=closed, at_s=at_s, stated=stated))


class _Board:
    """An open port with its reading thread, shared by the contacts and the lights of one board."""

    def __init__(self, name: str, clock: Clock) -> None:
        self.users = 0
        self.listener: Callable[[BoardEdge], None] | None = None
        self.reader = BoardReader(self._tell)
        self._name = name
        self._clock = clock
        self._port = open_port(name, baudrate=BAUD, timeout=0.05, write_timeout=0.5)
        self._writing = threading.Lock()
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._read, name="cuesync board", daemon=True)
        self._thread.start()

    def _tell(self, edge: BoardEdge) -> None:
        listener = self.listener
        if listener is not None:
            listener(edge)

    def _read(self) -> None:
        port: Any = self._port
        while not self._closing.is_set():
            try:
                data = port.read(1)
                data += port.read(min(port.in_waiting, 4096)) if data else b""
            except (OSError, TypeError):  # pyserial: TypeError where the port is closed under a read
                return
            if data:
                self.reader.arrived(data, self._clock.now_s())

    def write(self, text: str) -> None:
        with self._writing:
            if self._name in _cut_off:  # what is left of that line must not become the beginning of this one
                text = f"\n{text}"
            try:
                self._port.write(text.encode("ascii"))
            except OSError as problem:
                _cut_off.add(self._name)
                with contextlib.suppress(Exception):  # termios has an error of its own
                    self._port.reset_output_buffer()  # nothing old is to be obeyed once the board wakes up
                raise DeviceError(
                    f'the board at "{self._name}" does not take lines: {problem}. Plug it in again.'
                ) from problem
            _cut_off.discard(self._name)

    def alive(self) -> bool:
        return self._thread.is_alive()

    def close(self) -> None:
        self._closing.set()
        self._thread.join(2.0)
        with contextlib.suppress(OSError):  # the board may be gone
            self._port.close()


_cut_off: set[str] = set()
"""Ports whose last line may have got through in part."""
_boards: dict[str, _Board] = {}
_sharing = threading.Lock()


def _take(name: str, clock: Clock) -> _Board:
    """The open board at this port; opened if nobody uses it, or if it has gone since."""
    with _sharing:
        board = _boards.get(name)
        if board is None or not board.alive():
            board = _boards[name] = _Board(name, clock)
        board.users += 1
        return board


def _give_back(name: str, board: _Board) -> None:
    with _sharing:
        board.users -= 1
        if board.users:
            return
        if _boards.get(name) is board:
            del _boards[name]
        board.close()


class BoardContacts:
    """The contacts of the board at one serial port."""

    def __init__(self, name: str, *, clock: Clock | None = None) -> None:
        self.name = name
        self._clock: Clock = HostClock() if clock is None else clock
        self._board: _Board | None = None
        self._discarded = Counter[str]()  # up to the last closing
        self._before = Counter[str]()  # what the board's reader had discarded at the last opening

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        parsed = [(address, parse_contact(address)) for address in contacts]
        addresses = {
            contact.name: address for address, contact in parsed if isinstance(contact, BoardContact)
        }

        def tell(edge: BoardEdge) -> None:
            address = addresses.get(edge.name)
            if address is None:
                self._discarded["edges of no contact"] += 1
            else:
                sink(ContactEdge(contact=address, closed=edge.closed, at_s=edge.at_s, found=edge.stated))

        self._board = _take(self.name, self._clock)
        self._before = self._board.reader.discarded.copy()
        self._board.listener = tell
        try:
            self._board.write("?\n")
        except DeviceError:
            self.close()
            raise

    @property
    def discarded(self) -> Counts:
        board = self._board
        return counts(
            self._discarded if board is None else self._discarded + board.reader.discarded - self._before
        )

    def alive(self) -> bool:
        return self._board is not None and self._board.alive()

    def close(self) -> None:
        self._discarded = Counter(self.discarded)
        board, self._board = self._board, None
        if board is not None:
            board.listener = None
            _give_back(self.name, board)


class BoardLights:
    """The lights of the board at one serial port; a level goes out as 0 to 255."""

    def __init__(self, name: str, *, clock: Clock | None = None) -> None:
        self.name = name
        self._board: _Board | None = _take(name, HostClock() if clock is None else clock)
        self._refused = False
        self._used: dict[str, None] = {}

    def send(self, command: LightCommand) -> None:
        light = parse_light(command.light)
        assert isinstance(light, BoardLight), command.light
        self._used[command.light] = None
        if not self.alive() or self._board is None:
            raise DeviceError(f'the board at "{self.name}" is gone. Plug it in again.')
        value = round(command.level * 255)
        try:
            self._board.write(f"{light.name} {max(value, 1) if command.on else 0}\n")
        except DeviceError:
            self._refused = True
            raise

    def all_off(self) -> None:
        switch_off(self._used, self.send)

    def alive(self) -> bool:
        """False also once the board has not taken a line: each one more would be waited for."""
        return self._board is not None and self._board.alive() and not self._refused

    def close(self) -> None:
        try:
            if self._board is not None:
                self.all_off()
        finally:
            board, self._board = self._board, None
            if board is not None:
                _give_back(self.name, board)


class BoardSwitch:
    """The output of the board at one serial port that starts a prop; off from now on."""

    def __init__(self, name: str, output: str, *, clock: Clock | None = None) -> None:
        self.name = name
        self._output = output
        self._refused = False
        self._board: _Board | None = _take(name, HostClock() if clock is None else clock)
        try:
            self.off()
        except DeviceError:
            self.close()
            raise

    def on(self, for_s: float) -> None:
        self._write(f"{self._output} on {max(1, round(for_s * 1000.0))}\n")

    def keep_on(self, for_s: float) -> None:
        self._write(f"{self._output} keep {max(1, round(for_s * 1000.0))}\n")

    def off(self) -> None:
        self._write(f"{self._output} off\n")

    def _write(self, line: str) -> None:
        if self._board is None or not self._board.alive():
            raise DeviceError(f'the board at "{self.name}" is gone. Plug it in again.')
        try:
            self._board.write(line)
        except DeviceError:
            self._refused = True
            raise

    def alive(self) -> bool:
        """False also once the board has not taken a line; switching it off is tried all the same."""
        return self._board is not None and self._board.alive() and not self._refused

    def close(self) -> None:
        with contextlib.suppress(DeviceError):
            self.off()
        board, self._board = self._board, None
        if board is not None:
            _give_back(self.name, board)
