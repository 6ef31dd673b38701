"""Keys of the terminal as contacts. Terminals tell of a press, never of a release.

A key held down repeats, after a pause of up to 0.66 s on common desktops and then every few hundredths of
a second; so a key counts as released once it has been silent for 0.7 s.

Arrows and the like, and keys together with Alt, come as an escape character and what belongs to it; that is
no contact, whatever letters it holds. It may come in pieces: what belongs to it is awaited for 0.2 s.
"""

from __future__ import annotations

import atexit
import os
import re
import sys
import threading
from collections.abc import Sequence

from cuesync.devices.contact_addresses import NAMED_KEYS, KeyContact, parse_contact
from cuesync.devices.ports import Clock, ContactEdge, Counts, EdgeSink, HostClock, counts
from cuesync.errors import DeviceError

RELEASED_AFTER_S = 0.7
_LOOK_EVERY_S = 0.05
_REST_WITHIN_S = 0.2
# ECMA-48: control sequences, single shifts, and strings; the text of a string ends before a new line, so that
# Enter stays Enter. Besides, what the Linux console sends for F1 to F5, and any key with Alt.
_SEQUENCE = re.compile(
    r"\x1b(?:\[\[[@-~]|\[[0-?]*[ -/]*[@-Z\\-~]|O[0-?]*[@-~]"
    r"|[]PX^_][^\x07\x1b\r\n]*(?:\x07|\x1b\\)|[^\x00-\x1f\x7fO\[\]PX^_])"
    + (r"|[\x00\xe0][^\r]" if sys.platform == "win32" else "")
)
_BEGUN = re.compile(r"\x1b(?:\[\[?[0-?]*[ -/]*|O[0-?]*|[]PX^_][^\x07\x1b\r\n]*)?")


class KeyboardContacts:
    """Reads single keys from a terminal (file descriptor `fd`, standard input by default).

    The terminal is put back on `close`, and in any case when Python ends. Ctrl-C stays Ctrl-C.
    """

    def __init__(self, fd: int | None = None, *, clock: Clock | None = None) -> None:
        self._fd = fd
        self._clock: Clock = HostClock() if clock is None else clock
        self._addresses: dict[str, list[str]] = {}
        self._sink: EdgeSink | None = None
        self._other_keys = 0
        self._held_s: dict[str, float] = {}
        self._thread: threading.Thread | None = None
        self._closing = threading.Event()
        self._terminal: _Terminal | None = None

    name = "keyboard"

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        for address in contacts:
            contact = parse_contact(address)
            if isinstance(contact, KeyContact):
                self._addresses.setdefault(NAMED_KEYS.get(contact.key, contact.key), []).append(address)
        self._sink = sink
        self._terminal = _Terminal(self._fd)
        self._closing.clear()
        self._thread = threading.Thread(target=self._read, name="cuesync keyboard", daemon=True)
        self._thread.start()

    @property
    def discarded(self) -> Counts:
        return counts({"keys that are no contact": self._other_keys})

    def alive(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def close(self) -> None:
        self._closing.set()
        thread, self._thread = self._thread, None
        if thread is not None:
            thread.join(2.0)
        terminal, self._terminal = self._terminal, None
        if terminal is not None:
            terminal.restore()
        self._addresses.clear()

    def _read(self) -> None:
        terminal = self._terminal
        assert terminal is not None
        typed = _Typed()
        while not self._closing.is_set():
            keys = terminal.keys(_LOOK_EVERY_S)
            now_s = self._clock.now_s()
            if keys is None:
                return  # the terminal is gone
            plain, others = typed.keys(keys, now_s)
            self._other_keys += others + sum(key not in self._addresses for key in plain)
            for key in plain:
                if key not in self._held_s:
                    self._tell(key, True, now_s)
                self._held_s[key] = now_s
            for key, last_s in list(self._held_s.items()):
                if now_s - last_s >= RELEASED_AFTER_S:
                    del self._held_s[key]
                    self._tell(key, False, now_s)

    def _tell(self, key: str, closed: bool, at_s: float) -> None:
        if self._sink is not None:
            for address in self._addresses.get(key, ()):
                self._sink(ContactEdge(contact=address, closed=closed, at_s=at_s))


class _Typed:
    """Takes keys out of what a terminal sends, which may end within an escape sequence."""

    def __init__(self) -> None:
        self._begun = ""
        self._begun_s = 0.0

    def keys(self, text: str, now_s: float) -> tuple[list[str], int]:
        """The plain keys in what came up to `now_s`, and how many other keys there were."""
        keys: list[str] = []
        others = 0
        if self._begun and now_s - self._begun_s >= _REST_WITHIN_S:
            self._begun = ""  # it was the Escape key, or nobody knows what
            others += 1
        begun, self._begun = self._begun, ""
        text = begun + text
        at = 0
        while at < len(text):
            if sequence := _SEQUENCE.match(text, at):
                others += 1
                at = sequence.end()
            elif part := _BEGUN.match(text, at):
                at = part.end()
                if at == len(text):
                    self._begun = part[0]
                    self._begun_s = self._begun_s if begun and part.start() == 0 else now_s
                else:
                    others += 1
            else:
                keys.append("\r" if text[at] == "\n" else text[at].lower())
                at += 1
        return keys, others


_NO_TERMINAL = (
    "keys can only be read from a terminal, and this is none. "
    "Start cuesync in a terminal window, or use a MIDI note as the contact."
)

if sys.platform == "win32":
    import msvcrt
    import time

    class _Terminal:
        def __init__(self, fd: int | None) -> None:
            if fd is not None or not sys.stdin.isatty():
                raise DeviceError(_NO_TERMINAL)

        def keys(self, wait_s: float) -> str | None:
            end_s = time.perf_counter() + wait_s
            while not msvcrt.kbhit():
                if time.perf_counter() >= end_s:
                    return ""
                time.sleep(0.001)
            text = ""
            while msvcrt.kbhit():
                text += msvcrt.getwch()
            return text

        def restore(self) -> None:
            pass

else:
    import select
    import termios
    import tty

    class _Terminal:
        """A terminal that hands over every key at once, without showing it."""

        def __init__(self, fd: int | None) -> None:
            try:
                self._fd = sys.stdin.fileno() if fd is None else fd
                self._before = termios.tcgetattr(self._fd)
            except (OSError, ValueError, termios.error) as problem:
                raise DeviceError(_NO_TERMINAL) from problem
            atexit.register(self.restore)
            tty.setcbreak(self._fd, termios.TCSADRAIN)

        def keys(self, wait_s: float) -> str | None:
            """What was typed within `wait_s`; None when the terminal is gone."""
            try:
                ready, _, _ = select.select([self._fd], [], [], wait_s)
                if not ready:
                    return ""
                typed = os.read(self._fd, 64)
            except OSError:
                return None
            return typed.decode("utf-8", "replace") if typed else None

        def restore(self) -> None:
            atexit.unregister(self.restore)
            try:
                termios.tcsetattr(self._fd, termios.TCSADRAIN, self._before)
            except termios.error:
                return  # the terminal is gone; there is nothing to put back
