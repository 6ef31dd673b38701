"""One row a scene for the operator, kept up to date from what the show tells. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

from cuesync.counted import counted
from cuesync.devices.ports import Counts
from cuesync.show.events import (
    ContactStuck,
    Discarded,
    Drifted,
    Fault,
    PressRefused,
    PropSwitched,
    Recovered,
    ScareDone,
    ShowEvent,
    StateChanged,
    Triggered,
    whole_seconds,
)
from cuesync.show.states import State


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneRow:
    """A scene now. `wait_s`: seconds until a press is taken, 0 when armed, None where it needs the operator.

    `late_ms`: the last scare's sound against its plan; `offset_ms`: against the pop that the pop contact
    saw, positive = sound first (`signs.audio_offset_s`); `drift_ms`: how far the delay has moved, once it
    has left its limits. `driven`: the output that starts the prop is on.
    """

    scene: str
    state: State = State.OFF
    wait_s: float | None = None
    scares: int = 0
    refusals: int = 0
    misfires: int = 0
    late_ms: float | None = None
    offset_ms: float | None = None
    drift_ms: float | None = None
    driven: bool = False
    trouble: str = ""

    @property
    def text(self) -> str:
        """The row in words, the most important first; it needs no colour and fits on 80 columns as a rule."""
        parts = [f"{self.state.upper():9} {self.scene}"]
        if self.driven:
            parts.append("PROP DRIVEN")
        if self.wait_s:
            parts.append(f"ready in {whole_seconds(self.wait_s)} s")
        parts.append(f"{counted(self.scares, 'scare')}, {self.refusals} refused")
        if self.misfires:
            parts.append(counted(self.misfires, "misfire"))
        if self.offset_ms is not None:
            parts.append(
                f"sound {abs(self.offset_ms):.0f} ms {'before' if self.offset_ms > 0 else 'after'} pop"
            )
        elif self.late_ms is not None and self.late_ms >= 1.0:
            parts.append(f"sound {self.late_ms:.0f} ms late")
        if self.drift_ms is not None:
            parts.append(f"drift {self.drift_ms:+.0f} ms")
        if self.trouble:
            parts.append(f"! {self.trouble}")
        return "  ".join(parts)


class Board:
    """Take every event; ask for the rows whenever they are to be shown."""

    def __init__(self, titles: Sequence[str]) -> None:
        self._rows = {title: SceneRow(scene=title) for title in titles}
        self._ready_s: dict[str, float | None] = dict.fromkeys(titles)
        self.trouble = ""
        """What is wrong with the show as a whole; empty when all is well."""
        self._discarded: dict[str, Counts] = {}

    def take(self, event: ShowEvent) -> None:
        row = self._rows.get(event.scene)
        if row is None:
            self._take_of_all(event)
            return
        if isinstance(event, StateChanged):
            row = replace(row, state=event.after)
            self._ready_s[event.scene] = None if event.wait_s is None else event.at_s + event.wait_s
            if event.after is State.ARMED:
                row = replace(row, trouble="")
        elif isinstance(event, Triggered):
            row = replace(row, scares=row.scares + 1)
        elif isinstance(event, PropSwitched):
            row = replace(row, driven=event.on)
        elif isinstance(event, PressRefused):
            row = replace(row, refusals=event.refusals)
            if event.wait_s:  # a refusal may make the wait longer
                self._ready_s[event.scene] = event.at_s + event.wait_s
        elif isinstance(event, ScareDone):
            offset_ms = None if event.offset_s is None else event.offset_s * 1000.0
            row = replace(
                row, late_ms=event.late_ms, offset_ms=offset_ms, misfires=row.misfires + int(event.misfire)
            )
        elif isinstance(event, Drifted):
            row = replace(row, drift_ms=(event.estimate_s - event.planned_delay_s) * 1000.0)
        elif isinstance(event, Fault | ContactStuck):
            row = replace(row, trouble=event.text)
        self._rows[event.scene] = row

    def _take_of_all(self, event: ShowEvent) -> None:
        """An event of no scene."""
        if isinstance(event, Fault):
            self.trouble = event.text
        elif isinstance(event, Recovered):
            self.trouble = ""
        elif isinstance(event, Discarded):
            self._discarded[event.source] = event.counts

    def rows(self, now_s: float) -> tuple[SceneRow, ...]:
        """Every scene at host time `now_s`."""
        rows = []
        for title, row in self._rows.items():
            ready_s = self._ready_s[title]
            rows.append(replace(row, wait_s=None if ready_s is None else max(0.0, ready_s - now_s)))
        return tuple(rows)

    def as_json(self, now_s: float) -> dict[str, object]:
        """The same for other programs; times in the units their names say."""
        return {
            "trouble": self.trouble,
            "scenes": [asdict(row) for row in self.rows(now_s)],
            "discarded": {source: dict(counts) for source, counts in self._discarded.items()},
        }
