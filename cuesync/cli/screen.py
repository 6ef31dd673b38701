"""What the operator sees while a show runs: one line an event, and in a terminal a row a scene below them.

And what other programs get. A stream that can't be written any more (a full disk, a reader that has ended)
is given up, and that is said once; the show goes on.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import TextIO

import click

from cuesync.counted import counted
from cuesync.devices.ports import Clock, HostClock
from cuesync.errors import StorageError
from cuesync.show.board import Board, in_one_line
from cuesync.show.events import ShowEvent
from cuesync.show.log import NightSummary
from cuesync.show.telling import Outlet

EVERY_S = 0.5
UP_AND_CLEAR = "\x1b[{lines}F\x1b[J"


class Words(Outlet):
    """Prints events as they come; where that can be done, rows with the seconds to ready stay at the bottom.

    Nothing is painted over where the output is not a terminal, or a plain one (TERM=dumb). The words go to
    the first of `streams` that takes them.
    """

    name = "the operator's screen"

    def __init__(self, titles: Sequence[str], streams: Sequence[TextIO], clock: Clock | None = None) -> None:
        self._board = Board(titles)
        self._clock: Clock = HostClock() if clock is None else clock
        self._streams = list(streams)
        self._painted = 0
        self._painted_s = 0.0

    def take(self, event: ShowEvent) -> None:
        self._board.take(event)

    def say(self, event: ShowEvent) -> None:
        """Show an event. StorageError where a stream was given up over it; it went to the next one then."""
        line = f"{datetime.now():%H:%M:%S}  {event}"
        self._write(lambda: self._lines(line))

    def tick(self) -> None:
        """Let the seconds count down."""
        if self._clock.now_s() - self._painted_s >= EVERY_S:
            self._write(self._repaint)

    def over(self, summary: NightSummary) -> None:
        """Say how many scares it were, and where the log is."""
        said = (
            f"The night is over: {counted(summary.scares, 'scare')}, "
            f"{counted(summary.refusals, 'press refused', 'presses refused')}, "
            f"{counted(summary.faults, 'fault')}.\nIts log: cuesync log {summary.path}"
        )
        self._write(lambda: self._print(said))

    def _write(self, act: Callable[[], None]) -> None:
        given_up = []
        while self._streams:
            try:
                act()
                break
            except BlockingIOError:  # full at the moment, and its other end doesn't want us to wait
                break
            except (OSError, ValueError) as problem:
                where = _named(self._streams[0])
                given_up.append(f"the words can't be written to {where} any more: {problem}.")
                give_up(self._streams.pop(0))
                self._painted = 0
        if given_up:
            rest = (
                f"They go to {_named(self._streams[0])}." if self._streams else "Now only the log has them."
            )
            raise StorageError(" ".join((*given_up, rest)))

    def _lines(self, line: str) -> None:
        self._clear()
        self._print(line)
        self._paint()

    def _repaint(self) -> None:
        if self._rows_shown:
            self._clear()
            self._paint()

    @property
    def _rows_shown(self) -> bool:
        return self._streams[0].isatty() and os.environ.get("TERM") != "dumb"

    def _clear(self) -> None:
        if self._painted:
            self._print(UP_AND_CLEAR.format(lines=self._painted), newline=False)
            self._painted = 0

    def _paint(self) -> None:
        if not self._rows_shown:
            return
        self._painted_s = self._clock.now_s()
        width = shutil.get_terminal_size().columns - 1
        lines = ["", *(row.text for row in self._board.rows(self._painted_s))]
        if trouble := in_one_line(self._board.troubles(self._painted_s)):
            lines.append(f"! {trouble}")
        for line in lines:
            self._print(line if len(line) <= width else f"{line[: width - 1]}…")
        self._painted = len(lines)

    def _print(self, text: str, *, newline: bool = True) -> None:
        # colour is kept: here that only means that click leaves the cursor's way alone
        click.echo(text, nl=newline, file=self._streams[0], color=self._rows_shown)


class StatusLines(Outlet):
    """Gives other programs a line of JSON whenever something happens."""

    name = "the reader of --status-json"

    def __init__(self, titles: Sequence[str], stream: TextIO, clock: Clock | None = None) -> None:
        self._board = Board(titles)
        self._stream: TextIO | None = stream
        self._clock: Clock = HostClock() if clock is None else clock

    def take(self, event: ShowEvent) -> None:
        self._board.take(event)

    def say(self, event: ShowEvent) -> None:
        """Write a line. StorageError where the stream was given up over it."""
        if self._stream is None:
            return
        now = datetime.now().astimezone().isoformat(timespec="milliseconds")
        status = {
            "at": now,
            "event": event.kind,
            "text": str(event),
            **self._board.as_json(self._clock.now_s()),
        }
        # a name that is no UTF-8 comes out as JSON's own \uXXXX
        line = json.dumps(status, ensure_ascii=False).encode("utf-8", "backslashreplace").decode("utf-8")
        try:
            self._stream.write(line + "\n")
            self._stream.flush()
        except (OSError, ValueError) as problem:
            where = _named(self._stream)
            give_up(self._stream)
            self._stream = None
            raise StorageError(
                f"--status-json can't be written to {where} any more: {problem}. The show goes on without it."
            ) from problem


def outlets(titles: Sequence[str], status_json: TextIO | None) -> tuple[Outlet, ...]:
    """Where a show is told: the words on stdout, or on stderr where that fails or `status_json` is stdout."""
    if status_json is None:
        return (Words(titles, (sys.stdout, sys.stderr)),)
    streams = (sys.stderr,) if _number(status_json) == _number(sys.stdout) else (sys.stdout, sys.stderr)
    return (Words(titles, streams), StatusLines(titles, status_json))


def give_up(stream: TextIO) -> None:
    """Let all that still is on its way into this stream go nowhere: Python would fail over it as it ends."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(nowhere, stream.fileno())
        finally:
            os.close(nowhere)
        stream.flush()
    except (OSError, ValueError):
        return


def _number(stream: TextIO) -> int:
    """The system's number of a stream, which it shares with all that write to the same; or one of its own."""
    try:
        return stream.fileno()
    except (OSError, ValueError):
        return -id(stream)


def _named(stream: TextIO) -> str:
    name = str(getattr(stream, "name", "its stream"))
    return {"<stdout>": "standard output", "<stderr>": "standard error"}.get(name, name)
