"""A microcontroller on USB-serial: contacts, lights, what starts a prop. ASCII lines each way, 115200 baud.

From the board, each line ended by a line feed (a carriage return before it is allowed):

    NAME 1 MICROSECONDS     the contact closed; 0: it opened. The stamp may be left out.
    NAME =1                 how the contact stands, in answer to `?`; never taken for a press
    - MICROSECONDS          a beat with nothing to tell, best every 20 ms: they carry the board's clock

To the board: `?` as its port is opened and then every second, to be answered for every contact each time;
`NAME VALUE`, a light from 0 to 255; and for an output that starts a prop `NAME on MILLISECONDS`, then
`NAME keep MILLISECONDS` every 100 ms, and `NAME off`. The board switches such an output off by itself so
many milliseconds after the last line, heeds `keep` only while it is on, and has it off when it starts.
Better still, it knows the longest time that the output may be on.

NAME is 1 to 16 of a to z, 0 to 9 and `_`. MICROSECONDS is a 32-bit counter that wraps (Arduino's `micros()`),
taken when the edge is seen. The board tells edges undebounced.

An answer that is not what the edges before it say shows that one was lost. As it may also have overtaken its
edge, it is told 0.25 s later, unless the edge comes. A board that has answered and leaves three questions
without any line counts as gone; one that never answers is left in peace.
"""

from __future__ import annotations

import contextlib
import math
import re
import threading
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from cuesync.devices.board_clock import WRAP, BoardClock
from cuesync.devices.contact_addresses import BoardContact, parse_contact
from cuesync.devices.light_addresses import BoardLight, parse_light
from cuesync.devices.port_paths import real_port
from cuesync.devices.ports import Clock, ContactEdge, Counts, EdgeSink, HostClock, LightCommand, counts
from cuesync.devices.serial_line import open_port
from cuesync.devices.switching_off import switch_off
from cuesync.errors import DeviceError

BAUD = 115200
_LONGEST_LINE = 40
_MOST_EDGES_A_SECOND = 500  # of one contact
_MOST_NAMES = 256
_SETTLED_S = 0.25
_ASK_EVERY_S = 1.0
_MOST_UNHEARD = 3
_BACK_AFTER_QUESTIONS = 5  # boot loaders take their time
_EDGE = re.compile(rb"([a-z0-9_]{1,16}) (=?)([01])(?: ([0-9]{1,10}))?")
_BEAT = re.compile(rb"- ([0-9]{1,10})")


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardEdge:
    """What one line tells; `stated`: how the contact stands, not an edge."""

    name: str
    closed: bool
    at_s: float
    stated: bool


@dataclass(slots=True, kw_only=True)
class _Wire:
    """What is known of one contact: its level by the last line, and how many edges came in the second that
    began at `second_s`."""

    level: bool | None = None
    second_s: float = -math.inf
    edges: int = 0


class BoardReader:
    """Turns the bytes of one board into edges, in bounded memory whatever comes.

    `discarded` counts what is not told: malformed lines, edges to the level that the contact has already, and
    edges of a contact beyond its 500 within one second. Such a contact is out of sight: how it stands is told
    as the flood begins and when it is over, as `stated`. `heard` counts the lines that could be read;
    `answered`: the board answers `?`.
    """

    def __init__(self, tell: Callable[[BoardEdge], None]) -> None:
        self.discarded = Counter[str]()
        self.heard = 0
        self.answered = False
        self._tell = tell
        self._clock = BoardClock()
        self._rest = b""
        self._skipping = False
        self._wires: dict[str, _Wire] = {}  # the last heard of comes last
        self._waiting: dict[str, tuple[bool, float]] = {}  # levels, and when to tell them

    def forget(self) -> None:
        """Somebody new listens: nothing is known of the contacts, so the next answer is told for each."""
        self._wires, self._waiting = {}, {}

    def arrived(self, data: bytes, at_s: float) -> None:
        """Take bytes that were all here at host time `at_s`."""
        self.waited(at_s)
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

    def waited(self, now_s: float) -> None:
        """Tell what was to be told by host time `now_s`, unless a line up to then said otherwise."""
        waiting = self._waiting
        for name, (closed, due_s) in tuple(waiting.items()):
            if now_s >= due_s:
                del waiting[name]
                self._wire(name).level = closed
                self._tell(BoardEdge(name=name, closed=closed, at_s=now_s, stated=True))

    def _line(self, line: bytes, now_s: float) -> None:
        edge, beat = _EDGE.fullmatch(line), _BEAT.fullmatch(line)
        stamp = edge[4] if edge else beat[1] if beat else None
        if (edge is None and beat is None) or (stamp is not None and int(stamp) >= WRAP):
            self.discarded["malformed lines"] += 1
            return
        self.heard += 1
        at_s = now_s if stamp is None else self._clock.host_s(int(stamp), now_s)
        if edge is None:
            return
        name, closed = edge[1].decode(), edge[3] == b"1"
        if edge[2]:
            self._answer(name, closed, now_s)
        else:
            self._edge(name, closed, at_s, now_s)

    def _answer(self, name: str, closed: bool, now_s: float) -> None:
        self.answered = True
        wire = self._wire(name)
        if wire.level is None:
            wire.level = closed
            self._tell(BoardEdge(name=name, closed=closed, at_s=now_s, stated=True))
            return
        expected, _ = self._waiting.get(name, (wire.level, 0.0))
        if closed != expected:
            self._waiting[name] = (closed, now_s + _SETTLED_S)

    def _edge(self, name: str, closed: bool, at_s: float, now_s: float) -> None:
        wire = self._wire(name)
        if closed == wire.level:
            self.discarded["repeated levels"] += 1
            if name in self._waiting:
                self._waiting[name] = (closed, now_s + _SETTLED_S)
            return
        wire.level = closed
        if not 0.0 <= at_s - wire.second_s < 1.0:
            wire.second_s, wire.edges = at_s, 0
        wire.edges += 1
        flood = wire.edges > _MOST_EDGES_A_SECOND
        if flood:
            self.discarded["edges of a flood"] += 1
            self._waiting[name] = (closed, now_s + _SETTLED_S)
        else:
            self._waiting.pop(name, None)
        if wire.edges <= _MOST_EDGES_A_SECOND + 1:
            self._tell(BoardEdge(name=name, closed=closed, at_s=at_s, stated=flood))

    def _wire(self, name: str) -> _Wire:
        wires = self._wires
        wire = wires[name] = wires.pop(name) if name in wires else _Wire()
        if len(wires) > _MOST_NAMES:
            longest_ago = next(iter(wires))
            del wires[longest_ago]
            self._waiting.pop(longest_ago, None)
        return wire


class _Board:
    """An open port with its reading thread, shared by the contacts and the lights of one board.

    `key`: the port, whichever way it is written.
    """

    def __init__(self, name: str, key: str, clock: Clock) -> None:
        self.key = key
        self.users = 0
        self.reader = BoardReader(self._tell)
        self._listener: Callable[[BoardEdge], None] | None = None
        self._name = name
        self._clock = clock
        self._port = open_port(name, baudrate=BAUD, timeout=0.05, write_timeout=0.5)
        self._writing = threading.Lock()
        self._closing = threading.Event()
        self._heard = threading.Event()
        self._unheard = 0  # questions since the last line
        self._thread = threading.Thread(target=self._read, name="cuesync board", daemon=True)
        self._thread.start()
        # writing may take its time, and no edge is to wait for that
        self._asker = threading.Thread(target=self._ask, name="cuesync board questions", daemon=True)
        self._asker.start()

    def listen(self, listener: Callable[[BoardEdge], None] | None) -> None:
        """Hand edges to this listener from now on, and ask the board as long as there is one."""
        self.reader.forget()
        if listener is not None:
            self._unheard = 0  # nobody asked
        self._listener = listener

    def _tell(self, edge: BoardEdge) -> None:
        listener = self._listener
        if listener is not None:
            listener(edge)

    def _read(self) -> None:
        port: Any = self._port
        reader = self.reader
        heard = 0
        while not self._closing.is_set():
            try:
                data = port.read(1)
                data += port.read(min(port.in_waiting, 4096)) if data else b""
            except (OSError, TypeError):  # pyserial: TypeError where the port is closed under a read
                return
            now_s = self._clock.now_s()
            if data:
                reader.arrived(data, now_s)
            else:
                reader.waited(now_s)
            if reader.heard != heard:
                heard = reader.heard
                self._unheard = 0
                if not self._heard.is_set():
                    self._heard.set()

    def _ask(self) -> None:
        while not self._closing.wait(_ASK_EVERY_S) and self._thread.is_alive():
            if self._listener is not None:
                self._unheard += 1
                with contextlib.suppress(DeviceError):  # then no answer comes, and that is noticed
                    self.write("?\n")

    def wait_until_heard(self) -> None:
        """DeviceError where no line comes, however often it is asked."""
        for _ in range(_BACK_AFTER_QUESTIONS):
            if self._heard.is_set():
                return
            self.write("?\n")
            self._heard.wait(_ASK_EVERY_S)
        if not self._heard.is_set():
            raise DeviceError(
                f'the board at "{self._name}" does not answer any more. Reset it, or plug it in again.'
            )

    def write(self, text: str) -> None:
        with self._writing:
            if self.key in _cut_off:  # what is left of that line must not become the beginning of this one
                text = f"\n{text}"
            try:
                self._port.write(text.encode("ascii"))
            except OSError as problem:
                _cut_off.add(self.key)
                with contextlib.suppress(Exception):  # termios has an error of its own
                    self._port.reset_output_buffer()  # nothing old is to be obeyed once the board wakes up
                raise DeviceError(
                    f'the board at "{self._name}" does not take lines: {problem}. Plug it in again.'
                ) from problem
            _cut_off.discard(self.key)

    @property
    def silent(self) -> bool:
        """It has answered before, and doesn't any more."""
        return self.reader.answered and self._unheard > _MOST_UNHEARD

    def alive(self) -> bool:
        return self.there and not self.silent

    @property
    def there(self) -> bool:
        """Its port can be written to, whether or not the board is heard."""
        return self._thread.is_alive()

    def close(self) -> None:
        self._closing.set()
        self._thread.join(2.0)
        self._asker.join(2.0)
        with contextlib.suppress(OSError):  # the board may be gone
            self._port.close()


_cut_off: set[str] = set()
"""Ports whose last line may have got through in part."""
_boards: dict[str, _Board] = {}
_silent: set[str] = set()
"""Ports where a board fell silent, though it had not been pulled: it has to be heard before it is back."""
_sharing = threading.Lock()


def _take(name: str, clock: Clock) -> _Board:
    """The open board at this port; opened if nobody uses it, or if it has gone since."""
    key = real_port(name)
    with _sharing:
        board = _boards.get(key)
        if board is None or not board.alive():
            if board is not None:
                _put_away(board)  # whoever uses it still finds it gone; a port has one owner
            try:
                board = _boards[key] = _Board(name, key, clock)
            except DeviceError:
                _silent.discard(key)  # pulled: another board may be plugged in
                raise
        board.users += 1
        silent = key in _silent
    if silent:
        try:
            board.wait_until_heard()
        except DeviceError:
            _give_back(board)
            raise
        with _sharing:
            _silent.discard(key)
    return board


def _give_back(board: _Board) -> None:
    with _sharing:
        board.users -= 1
        if not board.users:
            _put_away(board)


def _put_away(board: _Board) -> None:
    if board.silent:
        _silent.add(board.key)
    if _boards.get(board.key) is board:
        del _boards[board.key]
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
        addresses: dict[str, list[str]] = {}
        for address, contact in parsed:
            if isinstance(contact, BoardContact):
                addresses.setdefault(contact.name, []).append(address)

        def tell(edge: BoardEdge) -> None:
            for address in addresses.get(edge.name, ()):
                sink(ContactEdge(contact=address, closed=edge.closed, at_s=edge.at_s, found=edge.stated))
            if edge.name not in addresses and not edge.stated:  # it answers for all that it has
                self._discarded["edges of no contact"] += 1

        self._board = _take(self.name, self._clock)
        self._before = self._board.reader.discarded.copy()
        self._board.listen(tell)
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
            board.listen(None)
            _give_back(board)


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
                _give_back(board)


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
        self._write(f"{self._output} off\n", silent_too=True)

    def _write(self, line: str, *, silent_too: bool = False) -> None:
        """A board that is not heard may hear: it is told to switch off all the same (`silent_too`)."""
        board = self._board
        if board is None or not (board.there if silent_too else board.alive()):
            raise DeviceError(f'the board at "{self.name}" is gone. Plug it in again.')
        try:
            board.write(line)
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
            _give_back(board)
