"""What the operator sees while a show runs: one line an event, and in a terminal a row a scene below them."""

from __future__ import annotations

import json
import os
import shutil
import sys
from collections.abc import Sequence
from datetime import datetime
from typing import TextIO

import click

from cuesync.devices.ports import Clock, HostClock
from cuesync.show.board import Board, in_one_line
from cuesync.show.events import ShowEvent

EVERY_S = 0.5
UP_AND_CLEAR = "\x1b[{lines}F\x1b[J"


class Screen:
    """Prints events as they come; where that can be done, rows with the seconds to ready stay at the bottom.

    Nothing is painted over where the output is not a terminal, or a plain one (TERM=dumb). `status_json`
    gets a line whenever something happens; where it is stdout, the words go to stderr.
    """

    def __init__(self, titles: Sequence[str], status_json: TextIO | None, clock: Clock | None = None) -> None:
        self._board = Board(titles)
        self._status_json = status_json
        self._clock: Clock = HostClock() if clock is None else clock
        self._to_stderr = status_json is sys.stdout
        stream = sys.stderr if self._to_stderr else sys.stdout
        self._rows_shown = stream.isatty() and os.environ.get("TERM") != "dumb"
        self._painted = 0
        self._painted_s = 0.0

    def tell(self, event: ShowEvent) -> None:
        """Show an event."""
        self._board.take(event)
        self._clear()
        self._print(f"{datetime.now():%H:%M:%S}  {event}")
        self._paint()
        if self._status_json is not None:
            now = datetime.now().astimezone().isoformat(timespec="milliseconds")
            status = {
                "at": now,
                "event": event.kind,
                "text": str(event),
                **self._board.as_json(self._clock.now_s()),
            }
            self._status_json.write(json.dumps(status, ensure_ascii=False) + "\n")
            self._status_json.flush()

    def tick(self) -> None:
        """Let the seconds count down."""
        if self._rows_shown and self._clock.now_s() - self._painted_s >= EVERY_S:
            self._clear()
            self._paint()

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
        click.echo(text, nl=newline, err=self._to_stderr, color=self._rows_shown)
