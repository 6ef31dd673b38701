"""A bare button at a USB-serial adapter, or what starts a prop: its modem lines.

The button closes a line (CTS, DSR, DCD, RI) that RTS or DTR feeds.

RTS and DTR are raised when the port is opened; a button between one of them and an input line closes it.
On Linux a thread waits for the line to change (TIOCMIWAIT) where the adapter's driver can; elsewhere the
lines are read every half millisecond. That wait can't be called off, so it has a descriptor of its own.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import threading
import time
from collections.abc import Sequence
from importlib import import_module
from typing import Any

from cuesync.devices.contact_addresses import SerialContact, parse_contact
from cuesync.devices.latching import LatchingSwitch
from cuesync.devices.ports import Clock, ContactEdge, Counts, EdgeSink, HostClock
from cuesync.errors import DeviceError

_LOOK_EVERY_S = 0.0005
_LOOK_WHILE_WAITING_S = 0.02  # catches a change that came just before the wait began, and a port that went
_ATTRIBUTES = {"cts": "cts", "dsr": "dsr", "dcd": "cd", "ri": "ri"}


def open_port(port: str, **settings: Any) -> Any:
    """pyserial's port, open for us alone: two readers would each get a part of the bytes.

    DeviceError where pyserial is missing or the port does not open.
    """
    try:
        serial = import_module("serial")
    except ImportError as problem:
        raise DeviceError(
            'serial ports need one more package. Install it with: pip install "cuesync[serial]"'
        ) from problem
    try:
        return serial.Serial(port, exclusive=True, **settings)
    except (OSError, ValueError) as problem:  # pyserial's own errors are OSErrors
        number = getattr(problem, "errno", None)  # pyserial's own words repeat name and number
        why = os.strerror(number) if number else str(problem)
        if number == errno.EAGAIN:  # what a lock says that somebody else holds
            why = "it is in use"
        raise DeviceError(
            f'the serial port "{port}" does not open: {why}. '
            "Plug the adapter in, close other programs that use it, and see that you may use serial ports."
        ) from problem


class SerialContacts:
    """The input lines of one serial port as contacts; `name` is the port as the system names it."""

    def __init__(self, name: str, *, clock: Clock | None = None) -> None:
        self.name = name
        self._clock: Clock = HostClock() if clock is None else clock
        self._lock = threading.Lock()
        self._lines: list[tuple[str, str]] = []
        self._levels: dict[str, bool] = {}
        self._sink: EdgeSink | None = None
        self._port: Any = None
        self._closing = threading.Event()
        self._waits = False
        self._thread: threading.Thread | None = None

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        parsed = [(address, parse_contact(address)) for address in contacts]
        self._lines = [(a, _ATTRIBUTES[c.line]) for a, c in parsed if isinstance(c, SerialContact)]
        port = open_port(self.name)
        self._closing = threading.Event()
        self._levels.clear()
        self._sink = sink
        self._port = port
        try:
            port.rts = True
            port.dtr = True
            self._look(self._closing)
        except OSError as problem:
            self.close()
            raise DeviceError(f'the serial port "{self.name}" has no modem lines: {problem}.') from problem
        self._waits = self._start_waiting(port)
        self._thread = threading.Thread(
            target=self._watch, args=(self._closing,), name="cuesync serial lines", daemon=True
        )
        self._thread.start()

    @property
    def discarded(self) -> Counts:
        return {}  # a line is high or low, and nothing else

    def alive(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def close(self) -> None:
        self._closing.set()
        thread, self._thread = self._thread, None
        if thread is not None:
            thread.join(2.0)
        with self._lock:
            port, self._port = self._port, None
        if port is not None:
            _unlock(port)
            with contextlib.suppress(OSError):  # the adapter may be gone
                port.close()

    def _look(self, closing: threading.Event) -> None:
        """Read the lines and tell what has changed. OSError when the port is gone."""
        with self._lock:
            if closing.is_set() or self._port is None or self._sink is None:
                return
            at_s = self._clock.now_s()
            for address, attribute in self._lines:
                closed = bool(getattr(self._port, attribute))
                before = self._levels.get(address)
                if closed != before:
                    self._levels[address] = closed
                    self._sink(ContactEdge(contact=address, closed=closed, at_s=at_s, found=before is None))

    def _watch(self, closing: threading.Event) -> None:
        while not closing.is_set():
            time.sleep(_LOOK_WHILE_WAITING_S if self._waits else _LOOK_EVERY_S)
            try:
                self._look(closing)
            except OSError:
                return  # the port is gone

    def _start_waiting(self, port: Any) -> bool:
        if not sys.platform.startswith("linux"):
            return False
        try:
            fd = os.dup(port.fileno())
        except (OSError, ValueError):
            return False
        threading.Thread(
            target=self._wait, args=(fd, self._closing), name="cuesync serial wait", daemon=True
        ).start()
        return True

    def _wait(self, fd: int, closing: threading.Event) -> None:
        """Sleep in the driver until a line changes. Ends with the port, or with the first change after it."""
        import fcntl
        import termios

        mask = termios.TIOCM_CTS | termios.TIOCM_DSR | termios.TIOCM_CD | termios.TIOCM_RI
        try:
            while not closing.is_set():
                fcntl.ioctl(fd, termios.TIOCMIWAIT, mask)
                self._look(closing)
        except OSError:
            if not closing.is_set():
                self._waits = False  # this driver can't wait, or the port is gone; `_watch` finds out
        finally:
            os.close(fd)


def _unlock(port: Any) -> None:
    """Somebody else may open this port now, even while a descriptor of it still waits for a change."""
    if not sys.platform.startswith("linux"):
        return
    import fcntl

    with contextlib.suppress(OSError, ValueError):
        fcntl.flock(port.fileno(), fcntl.LOCK_UN)


class SerialSwitch(LatchingSwitch):
    """RTS or DTR of one serial port as what starts a prop; off from now on.

    On is: this line raised, and the other not. The system itself raises both whenever a port is opened, and
    drops both when the port's last user is gone; so what hangs between the two lines is off in all of that.
    """

    def __init__(self, name: str, line: str) -> None:
        self.name = name
        self._line, self._other = (line, "dtr") if line == "rts" else (line, "rts")
        self._port: Any = open_port(name)
        try:
            _drop_lines_at_the_end(self._port)
            self.off()
        except DeviceError:
            self.close()
            raise

    def _set(self, on: bool) -> None:
        if self._port is None:
            raise DeviceError(f'the serial port "{self.name}" was given back. Start the show again.')
        try:
            # an output that goes off does so first of all, and one that goes on last
            for line, raised in ((self._line, on), (self._other, False))[:: -1 if on else 1]:
                setattr(self._port, line, raised)
        except OSError as problem:
            raise DeviceError(
                f'the lines of the serial port "{self.name}" can\'t be switched: {problem}. '
                "Plug the adapter in again."
            ) from problem

    def alive(self) -> bool:
        try:
            return self._port is not None and self._port.dsr is not None
        except OSError:
            return False

    def close(self) -> None:
        with contextlib.suppress(DeviceError):
            self.off()
        port, self._port = self._port, None
        with contextlib.suppress(OSError):
            if port is not None:
                port.close()


def _drop_lines_at_the_end(port: Any) -> None:
    """The system is to drop RTS and DTR when this process ends, however it ends (POSIX: HUPCL)."""
    try:
        import termios
    except ImportError:  # Windows does so by itself
        return
    try:
        settings = termios.tcgetattr(port.fileno())
        settings[2] |= termios.HUPCL
        termios.tcsetattr(port.fileno(), termios.TCSANOW, settings)
    except (termios.error, OSError, ValueError):
        return  # `off`, which comes next, tells whether there are lines at all
