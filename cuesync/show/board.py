"""One row a scene for the operator, kept up to date from what the show tells. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
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

# For how long the rows show what was over as it was told; the log has it for good.
FADES_AFTER_S = 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenTrouble:
    """Something that is wrong since host time `since_s`; `scene` is empty where the whole show is meant.

    `lasting`: it ends with its recovery. Of the others, those of a scene end with its next arming, and those
    of the show fade.
    """

    text: str
    since_s: float
    lasting: bool
    scene: str = ""

    @property
    def fades(self) -> bool:
        return not self.lasting and not self.scene


def in_one_line(troubles: Sequence[OpenTrouble]) -> str:
    """The first of them, the worst, and how many there are; empty where all is well."""
    if not troubles:
        return ""
    return troubles[0].text if len(troubles) == 1 else f"1 of {len(troubles)}: {troubles[0].text}"


def _worst_first(troubles: Iterable[OpenTrouble]) -> tuple[OpenTrouble, ...]:
    """What goes on before what was over at once; of the former the oldest, of the latter the newest first."""
    return tuple(sorted(troubles, key=lambda one: (one.fades, one.since_s * (-1.0 if one.fades else 1.0))))


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
        """The row in words, which need no colour; a narrow terminal cuts its end, where the numbers are."""
        parts = [f"{self.state.upper():9} {self.scene}"]
        if self.driven:
            parts.append("PROP DRIVEN")
        if self.wait_s:
            parts.append(f"ready in {whole_seconds(self.wait_s)} s")
        if self.trouble:
            parts.append(f"! {self.trouble}")
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
        return "  ".join(parts)


class Board:
    """Take every event, on one thread at a time; ask for the rows whenever, and wherever, they are shown."""

    def __init__(self, titles: Sequence[str]) -> None:
        self._rows = {title: SceneRow(scene=title) for title in titles}
        self._ready_s: dict[str, float | None] = dict.fromkeys(titles)
        # By scene and by what it is about: one that is told again is no second one.
        self._troubles: dict[tuple[str, str], OpenTrouble] = {}
        self._discarded: dict[str, Counts] = {}

    def take(self, event: ShowEvent) -> None:
        self._take_trouble(event)
        row = self._rows.get(event.scene)
        if row is None:
            if isinstance(event, Discarded):
                self._discarded = {**self._discarded, event.source: event.counts}
            return
        if isinstance(event, StateChanged):
            row = replace(row, state=event.after)
            self._ready_s[event.scene] = None if event.wait_s is None else event.at_s + event.wait_s
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
        self._rows[event.scene] = row

    def _take_trouble(self, event: ShowEvent) -> None:
        troubles = {key: one for key, one in self._troubles.items() if not self._faded(one, event.at_s)}
        if isinstance(event, Fault | ContactStuck):
            lasting = isinstance(event, Fault) and event.lasting
            about = (event.about or event.what) if isinstance(event, Fault) else event.contact
            trouble = OpenTrouble(text=event.text, since_s=event.at_s, lasting=lasting, scene=event.scene)
            before = troubles.get((event.scene, about))
            if before is not None and not trouble.fades:
                trouble = replace(trouble, since_s=before.since_s)
            troubles[event.scene, about] = trouble
        elif isinstance(event, Recovered):
            troubles.pop((event.scene, event.about), None)
        elif isinstance(event, StateChanged) and event.after is State.ARMED:
            troubles = {key: one for key, one in troubles.items() if one.lasting or one.scene != event.scene}
        self._troubles = troubles

    def _faded(self, trouble: OpenTrouble, now_s: float) -> bool:
        return trouble.fades and now_s - trouble.since_s >= FADES_AFTER_S

    def troubles(self, now_s: float, scene: str = "") -> tuple[OpenTrouble, ...]:
        """What is wrong with this scene, or the show as a whole, at host time `now_s`, the worst first."""
        return _worst_first(
            one for one in self._troubles.values() if one.scene == scene and not self._faded(one, now_s)
        )

    def rows(self, now_s: float) -> tuple[SceneRow, ...]:
        """Every scene at host time `now_s`."""
        rows = []
        for title, row in self._rows.items():
            ready_s = self._ready_s[title]
            wait_s = None if ready_s is None else max(0.0, ready_s - now_s)
            rows.append(replace(row, wait_s=wait_s, trouble=in_one_line(self.troubles(now_s, title))))
        return tuple(rows)

    def as_json(self, now_s: float) -> dict[str, object]:
        """The same for other programs; times in the units their names say."""
        return {
            "trouble": in_one_line(self.troubles(now_s)),
            "troubles": [
                {
                    "scene": one.scene,
                    "text": one.text,
                    "for_s": round(max(0.0, now_s - one.since_s), 3),
                    "over": one.fades,
                }
                for scene in ("", *self._rows)
                for one in self.troubles(now_s, scene)
            ],
            "scenes": [asdict(row) for row in self.rows(now_s)],
            "discarded": {source: dict(counts) for source, counts in self._discarded.items()},
        }
