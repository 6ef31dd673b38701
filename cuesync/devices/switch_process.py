"""An output that starts a prop, in a process that does nothing but drop it in time.

A pin or a modem line stays as it was last set, so the deadline must not lie in a program that can hang, be
stopped by Ctrl-Z, or die. This one is told at least every 0.35 s that the show is still there; else, and at
the end of its standard input, it switches off.

    cuesync ─► "on SECONDS", "keep SECONDS", "off"      a line each
    ◄─ "done", or what went wrong                       one for the opening, and one for each line
"""

from __future__ import annotations

import contextlib
import queue
import sys
import threading
import time
from collections.abc import Callable
from typing import IO

from cuesync.child import start_module, wait_or_kill
from cuesync.devices.output_addresses import BoardOutput, GpioOutput, SerialOutput, parse_output
from cuesync.devices.ports import PropOutput
from cuesync.ending import END_SIGNALS, on_signals
from cuesync.errors import DeviceError

DONE = "done"
_OPEN_WITHIN_S = 15.0
_ANSWER_WITHIN_S = 0.5
_LOOK_EVERY_S = 0.25
_TRY_AGAIN_S = 0.02
_ENDS_WITHIN_S = 2.0


class SwitchProcess:
    """The output at this address; nothing keeps it on for longer than `max_on_s`.

    DeviceError where it is not there.
    """

    def __init__(self, address: str, max_on_s: float) -> None:
        self._address = address
        self._asking = threading.Lock()
        self._answers: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._process = start_module(__name__, address, repr(max_on_s), new_session=True)
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._in: IO[bytes] = self._process.stdin
        self._out: IO[bytes] = self._process.stdout
        self._reader = threading.Thread(target=self._read, name="cuesync switch", daemon=True)
        self._reader.start()
        try:
            self._wait(_OPEN_WITHIN_S)
        except DeviceError:
            self.close()
            raise

    def on(self, for_s: float) -> None:
        self._ask(f"on {for_s:.6f}")

    def keep_on(self, for_s: float) -> None:
        self._ask(f"keep {for_s:.6f}")

    def off(self) -> None:
        self._ask("off")

    def alive(self) -> bool:
        return not self._in.closed and self._process.poll() is None

    def close(self) -> None:
        with self._asking, contextlib.suppress(OSError, ValueError):
            self._in.close()  # it switches off and ends by that
        wait_or_kill(self._process, _ENDS_WITHIN_S)
        self._reader.join(_ENDS_WITHIN_S)
        self._out.close()

    def _ask(self, line: str) -> None:
        with self._asking:
            try:
                self._in.write(line.encode() + b"\n")
                self._in.flush()
            except (OSError, ValueError) as problem:
                raise DeviceError(f'nothing switches "{self._address}" any more: {problem}.') from problem
            self._wait(_ANSWER_WITHIN_S)

    def _wait(self, within_s: float) -> None:
        try:
            answer = self._answers.get(timeout=within_s)
        except queue.Empty:
            self._give_up()
            raise DeviceError(f'"{self._address}" did not answer for {within_s:g} s.') from None
        if answer != DONE:
            raise DeviceError(answer)

    def _give_up(self) -> None:
        """It may only have been held up, so it first gets a moment to switch off and end by itself: a pin may
        keep its level where its process is killed. In its driver it may hang for good."""
        with contextlib.suppress(OSError, ValueError):
            self._in.close()
        killer = threading.Timer(_ANSWER_WITHIN_S, self._process.kill)
        killer.daemon = True
        killer.start()

    def _read(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            for line in self._out:
                self._answers.put(line.decode(errors="replace").strip())
        self._answers.put(f'"{self._address}" is gone.')


class Lease:
    """Until when an output may be on, from what it is told. Pure; times in seconds of one clock."""

    def __init__(self, max_on_s: float) -> None:
        self._max_on_s = max_on_s
        self._since_s = 0.0
        self.until_s: float | None = None
        """None while it is off."""

    def on(self, now_s: float, for_s: float) -> None:
        self._since_s = now_s
        self.until_s = now_s
        self.keep(now_s, for_s)

    def keep(self, now_s: float, for_s: float) -> None:
        if self.until_s is not None:
            self.until_s = min(now_s + for_s, self._since_s + self._max_on_s)

    def off(self) -> None:
        self.until_s = None


_ALSO_ASLEEP = getattr(time, "CLOCK_BOOTTIME", getattr(time, "CLOCK_MONOTONIC", None))  # Linux, macOS


def _now_s() -> float:
    """A clock that goes on while the computer sleeps: what was on before that goes off as it wakes up."""
    return time.perf_counter() if _ALSO_ASLEEP is None else time.clock_gettime(_ALSO_ASLEEP)


def open_here(address: str) -> PropOutput:
    """The output at this address in this very process. DeviceError where it is not there."""
    match output := parse_output(address):
        case BoardOutput():
            from cuesync.devices.board import BoardSwitch

            return BoardSwitch(output.port, output.name)
        case GpioOutput():
            from cuesync.devices.gpio import GpioSwitch

            return GpioSwitch(output.pin, active_low=output.active_low)
        case SerialOutput():
            from cuesync.devices.serial_line import SerialSwitch

            return SerialSwitch(output.port, output.line)


def serve(
    switch: PropOutput, max_on_s: float, lines: queue.SimpleQueue[str], answer: Callable[[str], None]
) -> None:
    """Do what the lines say until an empty one, or until the device is gone; off at the end."""
    lease = Lease(max_on_s)
    off_owed = False
    try:
        while switch.alive():
            wait_s = _TRY_AGAIN_S if off_owed else _LOOK_EVERY_S
            if lease.until_s is not None:
                wait_s = max(0.0, min(wait_s, lease.until_s - _now_s()))
            line: str | None = None
            with contextlib.suppress(queue.Empty):
                line = lines.get(timeout=wait_s)
            if line == "":
                return
            said = DONE
            now_s = _now_s()
            if lease.until_s is not None and now_s >= lease.until_s:
                lease.off()
                off_owed = True
            word, _, seconds = (line or "").partition(" ")
            try:
                if word == "on":
                    lease.on(now_s, float(seconds))
                    off_owed = False
                    switch.on(float(seconds))
                elif word == "keep" and lease.until_s is not None:
                    lease.keep(now_s, float(seconds))
                    switch.keep_on(float(seconds))
                elif word == "off" or off_owed:
                    lease.off()
                    off_owed = True
                    switch.off()
                    off_owed = False
            except DeviceError as problem:
                said = str(problem)
            if line is not None:
                answer(said)
    finally:
        switch.close()


def main(address: str, max_on_s: float) -> None:
    def answer(text: str) -> None:
        # one line, whatever the message holds; nobody may be there to read it any more
        with contextlib.suppress(OSError):
            sys.stdout.write(" ".join(text.split()) + "\n")
            sys.stdout.flush()

    lines: queue.SimpleQueue[str] = queue.SimpleQueue()

    def read() -> None:
        for line in sys.stdin:
            lines.put(line.strip())
        lines.put("")

    # of all queues, a SimpleQueue's put may be interrupted by another put of the same thread
    with on_signals(END_SIGNALS, lambda: lines.put("")):
        try:
            switch = open_here(address)
        except DeviceError as problem:
            answer(str(problem))
            return
        threading.Thread(target=read, daemon=True).start()
        answer(DONE)
        serve(switch, max_on_s, lines, answer)


if __name__ == "__main__":
    main(sys.argv[1], float(sys.argv[2]))
