"""Tables for a terminal of 80 columns, a file, or a page; no colour carries meaning."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import TYPE_CHECKING

from cuesync.care.flash import DARK, lamp_states
from cuesync.devices.ports import LightCommand
from cuesync.measuring.summary import OUTLIER_Z, modified_z, summarise
from cuesync.measuring.trial import Measurement, Trial
from cuesync.plan.plan import SLACK_S, Plan, PlannedLight
from cuesync.report.words import (
    LIGHT_BEGINS,
    LIGHT_ENDS,
    command_text,
    guest_end_s,
    light_detail,
    ms_text,
    shorten,
)
from cuesync.wrapping import columns

if TYPE_CHECKING:
    from cuesync.show.rehearsal import Rehearsal

WIDTH = 80
GAP = "  "


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows of text under `headers`; the columns named in `words` (from 0) are words, all others numbers."""

    caption: str
    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: frozenset[int] = field(default=frozenset({0}))

    def __str__(self) -> str:
        return self.text(WIDTH)

    def text(self, width: int) -> str:
        """The table within `width` columns where its numbers leave room for that."""
        return "\n".join([self.caption, *self._lines(width)])

    def _lines(self, width: int) -> list[str]:
        cells = [self.headers, *self.rows]
        widths = [max(columns(row[place]) for row in cells) for place in range(len(self.headers))]
        self._fit(widths, width)
        lines = [self._line(row, widths) for row in cells]
        rule = GAP.join("-" * each for each in widths)
        return [lines[0], rule, *lines[1:]]

    def _fit(self, widths: list[int], width: int) -> None:
        """Take what is too wide from the widest column of words; numbers are never shortened."""
        while sum(widths) + len(GAP) * (len(widths) - 1) > width:
            widest = max(self.words, key=lambda place: widths[place])
            if widths[widest] <= max(8, columns(self.headers[widest])):
                break
            widths[widest] -= 1

    def _line(self, row: tuple[str, ...], widths: list[int]) -> str:
        parts = []
        for place, (cell, width) in enumerate(zip(row, widths, strict=True)):
            text = shorten(cell, width) if place in self.words else cell
            blanks = " " * (width - columns(text))
            parts.append(text + blanks if place in self.words else blanks + text)
        return GAP.join(parts).rstrip()


def trial_remark(trial: Trial, *, outlier: bool = False) -> str:
    """What a person should know of one trial, besides its numbers."""
    if trial.pop_s is None:
        return "misfire: no pop heard"
    remarks = []
    if outlier:
        remarks.append("far from the others")
    if trial.rival_s is not None:
        remarks.append(f"or {ms_text(trial.rival_s - trial.trigger_s)} ms?")
    if trial.confidence < 0.5:
        remarks.append("unsure")
    return ", ".join(remarks)


def trial_rows(measurement: Measurement) -> Table:
    """Every trial of a measurement, in order."""
    trials = measurement.trials
    outliers = summarise([trial.delay_s for trial in trials]).outliers
    rows = tuple(
        (
            str(number),
            f"{trial.trigger_s:.3f}",
            "none" if trial.pop_s is None else f"{trial.pop_s:.3f}",
            "" if trial.delay_s is None else ms_text(trial.delay_s),
            "" if trial.error_s is None else ms_text(trial.error_s),
            "" if trial.reset_s is None else f"{trial.reset_s:.1f}",
            trial_remark(trial, outlier=number in outliers),
        )
        for number, trial in enumerate(trials, 1)
    )
    return Table(
        caption=f"Trials in {shorten(measurement.recording, WIDTH - 10)}",
        headers=("trial", "trigger s", "pop s", "delay ms", "± ms", "reset s", "remark"),
        rows=rows,
        words=frozenset({6}),
    )


def trials_table(measurement: Measurement) -> str:
    """Every trial of a measurement as text for the terminal."""
    return str(trial_rows(measurement))


def plan_events(plan: Plan) -> Table:
    """Everything that happens, in order of time."""
    pop_s = plan.delay_s
    events: list[tuple[float, str, str]] = [
        (0.0, "trigger", "the contact closes"),
        (pop_s, "POP", plan.delay_source),
        (guest_end_s(plan), "cue ends", "at the guest"),
        (plan.reset_s, "ready again", plan.reset_source),
    ]
    for sound in plan.sounds:
        name = sound.clip.name
        cut = f"first {ms_text(sound.cut_s)} ms cut" if sound.cut_s > 0 else "from its beginning"
        events.append((sound.start_s, f"{name} starts", cut))
        events.append((sound.lands_s, f"{name} hits", f"{sound.hit_kind}, as heard by the guest"))
    if plan.drive is not None:
        off_s, why = plan.drive.start_s + plan.drive.max_on_s, "its longest time is over"
        if plan.limit_contact is not None:
            off_s, why = min(off_s, plan.reset_s + plan.limit_margin_s), "at the latest"
        events.append((plan.drive.start_s, f"{plan.drive.output} on", "the prop is started"))
        events.append((off_s, f"{plan.drive.output} off", why))
    for light in plan.lights:
        name, remark = light.light, light_detail(light) or "command sent"
        events.append((light.at_s, f"{name} {LIGHT_BEGINS[light.shape]}", remark))
        if light.path_s > 0:
            seen = "is dark" if light.shape == "blackout" else "shines"
            events.append((light.lands_s, f"{name} {seen}", "as seen by the guest"))
        events.append((light.at_s + light.length_s, *_light_end(plan, light)))
    for message in plan.messages:
        begins = " begins" if message.length_s else ""
        events.append((message.at_s, message.name + begins, "sent to other gear"))
        if message.length_s:
            events.append((message.at_s + message.length_s, f"{message.name} ends", "sent to other gear"))
        elif message.path_s > 0:
            events.append((message.lands_s, message.name, "other gear acts"))
    return Table(
        caption=f"Plan of {shorten(plan.title, WIDTH - 10)}",
        headers=("what", "from trigger ms", "from pop ms", "remark"),
        rows=tuple(
            (what, ms_text(at_s), ms_text(at_s - pop_s, sign=True), remark)
            for at_s, what, remark in sorted(events, key=lambda event: event[0])
        ),
        words=frozenset({0, 3}),
    )


def _light_end(plan: Plan, light: PlannedLight) -> tuple[str, str]:
    """What happens to a lamp as a shape lets it go: dark, back to its rest, or on by another shape."""
    shapes = [other for other in plan.lights if other.light == light.light]
    rests = {fixture.address: (fixture.rest_level, fixture.rest_colour) for fixture in plan.fixtures}
    rest = rests.get(light.light, DARK)
    end_s = light.lands_s + light.length_s + SLACK_S
    level, colour = [rest, *(state[1:] for state in lamp_states(shapes, rest) if state[0] <= end_s)][-1]
    if level == 0.0:
        return f"{light.light} {LIGHT_ENDS[light.shape]}", "command sent"
    now = command_text(LightCommand(light=light.light, level=level, colour=colour))
    if (level, colour) == rest:
        return f"{light.light} at rest", now
    return f"{light.light} {light.shape} ends", f"still {now}"


def plan_table(plan: Plan, width: int = WIDTH) -> str:
    """The plan as a list of events in order of time, from the trigger and from the pop."""
    return plan_events(plan).text(width)


def pops_table(plan: Plan) -> Table:
    """The measured delays behind the plan, against the planned pop."""
    outlying = modified_z(plan.pops_s) if len(plan.pops_s) >= 4 else (0.0,) * len(plan.pops_s)
    return Table(
        caption="Pops as measured",
        headers=("pop", "from trigger ms", "from planned pop ms", "remark"),
        rows=tuple(
            (
                str(number),
                ms_text(pop_s),
                ms_text(pop_s - plan.delay_s, sign=True),
                "far from the others" if abs(score) > OUTLIER_Z else "",
            )
            for number, (pop_s, score) in enumerate(zip(plan.pops_s, outlying, strict=True), 1)
        ),
        words=frozenset({3}),
    )


def rehearsed_hits_s(rehearsal: Rehearsal, place: int) -> list[float]:
    """How long after its press's pop each hit of one sound reached the guest; presses without it left out."""
    landed = [(scare.sounds_land_s[place], scare.pop_s) for scare in rehearsal.scares]
    return [lands_s - pop_s for lands_s, pop_s in landed if lands_s is not None]


def rehearsal_rows(rehearsal: Rehearsal, plan: Plan) -> tuple[Table, ...]:
    """How the presses came out; of the first one the light commands, messages, and what started the prop."""
    spread = [("pop, from the trigger", [scare.pop_s for scare in rehearsal.scares])]
    for place, sound in enumerate(plan.sounds):
        spread.append((f"{sound.clip.name} hits, from the pop", rehearsed_hits_s(rehearsal, place)))
    presses = len(rehearsal.scares)
    return (
        Table(
            caption=f"Rehearsal of {presses} press{'' if presses == 1 else 'es'}",
            headers=("what", "heard", "earliest ms", "median ms", "latest ms"),
            rows=tuple(
                (
                    what,
                    str(len(times_s)),
                    *(ms_text(pick(times_s), sign=bool(number)) for pick in (min, median, max)),
                )
                for number, (what, times_s) in enumerate(spread)
                if times_s
            ),
        ),
        Table(
            caption="Light commands of the first press",
            headers=("light", "command", "from trigger ms"),
            rows=_command_rows(rehearsal.commands),
            words=frozenset({0, 1}),
        ),
        Table(
            caption="Sent to other gear at the first press",
            headers=("message", "from trigger ms"),
            rows=tuple(
                (name, ms_text(at_s))
                for at_s, name in sorted(
                    (message.at_s, message.name) for message in rehearsal.messages if message.at_s is not None
                )
            ),
        ),
        Table(
            caption="What starts the prop, at the first press",
            headers=("output", "command", "from trigger ms"),
            rows=tuple(
                (event.output, "on" if event.on else f"off: {event.why}", ms_text(event.at_s))
                for event in rehearsal.switched
            ),
            words=frozenset({0, 1}),
        ),
    )


def _command_rows(commands: Sequence[tuple[float, LightCommand]]) -> tuple[tuple[str, str, str], ...]:
    """Each command of a light, in order of time; of a run of levels only the first and the last."""
    by_light: dict[str, list[tuple[float, LightCommand]]] = {}
    for entry in commands:
        by_light.setdefault(entry[1].light, []).append(entry)
    told: list[tuple[float, str, str]] = []
    for light, run in by_light.items():
        left_out = 0
        for place, (at_s, command) in enumerate(run):
            first = place == 0 or run[place - 1][1].on != command.on
            last = place + 1 == len(run) or run[place + 1][1].on != command.on
            if first or last:
                after = f", {left_out} steps left out" if left_out else ""
                told.append((at_s, light, command_text(command) + after))
                left_out = 0
            else:
                left_out += 1
    return tuple((light, text, ms_text(at_s)) for at_s, light, text in sorted(told, key=lambda row: row[0]))


def rehearsal_table(rehearsal: Rehearsal, plan: Plan, width: int = WIDTH) -> str:
    """A rehearsal of `plan` as text for the terminal."""
    return "\n\n".join(table.text(width) for table in rehearsal_rows(rehearsal, plan) if table.rows)
