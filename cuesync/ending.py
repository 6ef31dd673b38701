"""The ways in which the system asks a program to end."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

# SIGHUP comes where the terminal's window is closed, on Windows SIGBREAK.
END_SIGNALS = ("SIGTERM", "SIGHUP", "SIGBREAK")


@contextmanager
def on_signals(names: Sequence[str], act: Callable[[], object]) -> Iterator[None]:
    """Call `act` for these signals, as far as this system has them and nobody ignores them (as nohup does).

    Afterwards they do what they did before, but for one that was given something else to do meanwhile. Only
    the main thread can do so; on any other nothing happens.
    """

    def handle(*_: object) -> None:
        act()

    before = {}
    for name in names if threading.current_thread() is threading.main_thread() else ():
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
            before[number] = signal.signal(number, handle)
    try:
        yield
    finally:
        for number, handler in before.items():
            if signal.getsignal(number) is handle:
                signal.signal(number, handler)


def ignore_signals(names: Sequence[str]) -> None:
    """None of these ends this process any more, which is to end by itself. On the main thread only."""
    for name in names if threading.current_thread() is threading.main_thread() else ():
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
