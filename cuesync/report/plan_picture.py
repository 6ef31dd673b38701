"""A plan as a picture: the whole cue from the trigger, and below it the moment of the pop, enlarged.

Everything is drawn where it reaches the guest. The bands of ITU-R BT.1359-1 are drawn for the sound against
the pop: a sound may come 45 ms before the pop or 125 ms after it before people notice, so the inner band
reaches further to the right (late) of the pop than to its left (early).
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median, stdev
from textwrap import wrap
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from cuesync.plan.plan import LightShape, Plan, PlannedLight, PlannedMessages, PlannedSound
from cuesync.plan.windows import ACCEPTABLE, DETECTABLE, Window, count_inside
from cuesync.report.drawing import CUT_WAVE, INK, LAMP, WAVE, Sheet, block, note
from cuesync.report.panels import (
    TITLES_IN,
    Band,
    Lane,
    Mark,
    Panel,
    View,
    draw_wave,
    inches,
    within,
)
from cuesync.report.tables import rehearsed_hits_s
from cuesync.report.words import (
    from_pop_text,
    guest_end_s,
    is_for_the_pop,
    length_text,
    light_sentence,
    message_sentence,
    shorten,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from cuesync.show.rehearsal import Rehearsal

SOUND_IN = 0.62
LIGHT_IN = 0.3
DOTS_IN = 0.52
WINDOW_IN = 0.44
DOT_IN = 0.075
HIGHEST_HEAP = 8
"""Dots in a heap; more are drawn as bars."""
TITLE_IN = 9.1
HEADING_ROW_IN = 0.17
GAP_IN = 0.6
STEPPED: frozenset[LightShape] = frozenset({"strobe", "fade", "flicker"})
"""Shapes whose level is drawn, not just their length."""

ZOOM_BEFORE_S = 0.3
ZOOM_AFTER_S = 0.45
ZOOM_MOST_S = 1.0
"""The enlarged view reaches at least and at most this far from the pop; it grows to show scattered pops."""

PanelName = Literal["cue", "pop"]

ON_ITS_WAY: dict[str, Any] = {"linestyle": (0, (1, 1)), "linewidth": 1.2, "color": INK}
CUT: dict[str, Any] = {"facecolor": "none", "edgecolor": "#777777", "hatch": "////", "linewidth": 0.6}
LIGHT: dict[str, Any] = {"facecolor": LAMP, "edgecolor": INK, "hatch": "\\\\\\", "linewidth": 0.9}
DARK: dict[str, Any] = {"facecolor": INK, "edgecolor": INK, "linewidth": 0.9}
SHAPE: dict[str, Any] = {"facecolor": "white", "edgecolor": INK, "linewidth": 0.9}
LEVELS: dict[str, Any] = {"facecolor": LAMP, "edgecolor": INK, "linewidth": 0.5}
HIT: dict[str, Any] = {
    "color": INK,
    "linestyle": "none",
    "marker": "v",
    "markersize": 7,
    "markerfacecolor": "white",
}
COMMAND: dict[str, Any] = {"color": INK, "linestyle": "none", "marker": "D", "markersize": 6}
DOT: dict[str, Any] = {
    "color": INK,
    "linestyle": "none",
    "marker": "o",
    "markersize": 5,
    "markerfacecolor": "white",
}
BARS: dict[str, Any] = {"facecolor": "#8c8c8c", "edgecolor": INK, "linewidth": 0.7}
MEDIAN: dict[str, Any] = {"linewidth": 0, "marker": "d", "markersize": 6, "color": INK}


def describe_plan(plan: Plan, rehearsal: Rehearsal | None = None) -> str:
    """The picture in words, for those who don't see it."""
    parts = [f"The pop comes {length_text(plan.delay_s)} after the trigger ({plan.delay_source})."]
    if plan.drive is not None:
        parts.append(
            f"{plan.drive.output} starts the prop {length_text(plan.drive.start_s)} after the trigger."
        )
    for sound in plan.sounds:
        cut = f", with its first {length_text(sound.cut_s)} cut" if sound.cut_s > 0 else ""
        landing = from_pop_text(sound.lands_s, plan.delay_s)
        start = length_text(sound.start_s)
        parts.append(f"{sound.clip.name} starts {start} after the trigger{cut}; it hits {landing}.")
        if plan.pops_s and is_for_the_pop(sound, plan.delay_s):
            unnoticed = count_inside(plan.pops_s, sound.lands_s, DETECTABLE)
            parts.append(
                f"At {unnoticed} of {len(plan.pops_s)} measured pops nobody would notice a difference."
            )
    parts += [light_sentence(light, plan.delay_s) for light in plan.lights]
    parts += [message_sentence(message, plan.delay_s) for message in plan.messages]
    if rehearsal is not None:
        parts.append(f"Presses rehearsed: {len(rehearsal.scares)}.")
    end, reset = length_text(guest_end_s(plan)), length_text(plan.reset_s)
    parts.append(f"The cue ends at {end}; the prop is ready again at {reset}.")
    return " ".join(parts)


def plan_figure(plan: Plan, rehearsal: Rehearsal | None) -> Figure:
    """The picture, to be called within `drawing_settings`."""
    return _PlanPicture(plan, rehearsal).draw()


class _PlanPicture:
    def __init__(self, plan: Plan, rehearsal: Rehearsal | None) -> None:
        self.plan = plan
        self.rehearsal = rehearsal
        self.cue_view_s = _cue_view(plan)
        self.zoom_view_s = _zoom_view(plan)
        self.measure = Sheet(1.0)  # only to measure text before the sheet's height is known
        self.legend: dict[str, dict[str, Any]] = {}

    def draw(self) -> Figure:
        plan = self.plan
        heading = self._heading()
        cue = Panel(
            "cue",
            "The whole cue",
            self.cue_view_s,
            pop_s=plan.delay_s,
            marks=self._marks(),
            lanes=self._cue_lanes(),
            measure=self.measure,
        )
        zoom = Panel(
            "pop",
            "Around the pop, enlarged",
            self.zoom_view_s,
            pop_s=plan.delay_s,
            marks=self._marks(),
            lanes=self._zoom_lanes(),
            bands=self._bands(),
            measure=self.measure,
        )
        cue_top_in = 0.55 + HEADING_ROW_IN * len(heading) + TITLES_IN
        zoom_top_in = cue_top_in + cue.height_in + GAP_IN + TITLES_IN
        sheet = Sheet(zoom_top_in + zoom.height_in + 1.0)
        style: dict[str, Any] = {"size": 15, "weight": "bold"}
        sheet.text(0.25, 0.16, sheet.fitting(plan.title or "Cue", TITLE_IN, **style), **style)
        for row, text in enumerate(heading):
            sheet.text(0.25, 0.5 + HEADING_ROW_IN * row, text, size=9)
        cue.draw(sheet, cue_top_in)
        zoom.draw(sheet, zoom_top_in)
        self._draw_legend(sheet)
        return sheet.figure

    def _heading(self) -> list[str]:
        """What a tired reader needs first."""
        plan = self.plan
        sentences = [f"Pop {length_text(plan.delay_s)} after the trigger: {plan.delay_source}."]
        meant = [sound for sound in plan.sounds if is_for_the_pop(sound, plan.delay_s)]
        for sound in meant[:2]:
            sentence = f"{shorten(sound.clip.name, 40)} hits {from_pop_text(sound.lands_s, plan.delay_s)}"
            if plan.pops_s:
                unnoticed = count_inside(plan.pops_s, sound.lands_s, DETECTABLE)
                sentence += (
                    f"; at {unnoticed} of {len(plan.pops_s)} measured pops nobody notices a difference"
                )
            sentences.append(sentence + ".")
        if not plan.sounds:
            sentences.append("No sound in this cue.")
        elif not meant:
            sentences.append("No sound hits near enough to the pop to pass for one event with it.")
        if not within(plan.reset_s, self.cue_view_s):
            sentences.append(
                f"Ready again {length_text(plan.reset_s)} after the trigger, beyond this picture."
            )
        return [line for text in sentences for line in wrap(text, 118, max_lines=2, placeholder=" …")]

    def _marks(self) -> list[Mark]:
        plan = self.plan
        pop = f"POP {length_text(plan.delay_s)}"
        marks = [
            Mark(name="trigger", at_s=0.0, text="trigger", style=(0, (5, 1.5, 1, 1.5))),
            Mark(name="planned", at_s=plan.delay_s, text=pop, style="solid", width=1.8),
        ]
        end_s = guest_end_s(plan)
        if end_s > 0:
            text = f"cue ends {length_text(end_s)}"
            marks.append(Mark(name="end", at_s=end_s, text=text, style=(0, (1, 1.5))))
        if plan.reset_s > 0:
            text = f"ready again {length_text(plan.reset_s)}"
            marks.append(Mark(name="reset", at_s=plan.reset_s, text=text, style=(0, (6, 2))))
        return marks

    def _bands(self) -> list[Band]:
        return [
            Band(name=window.name, from_s=early_s, to_s=late_s, shade=shade, style=style)
            for window, shade, style in (
                (ACCEPTABLE, "#f1f1f1", (0, (4, 2))),
                (DETECTABLE, "#e0e0e0", "solid"),
            )
            for early_s, late_s in (_ends(window, self.plan.delay_s),)
        ]

    def _cue_lanes(self) -> list[Lane]:
        lanes = [self._sound_lane("cue", number, sound) for number, sound in enumerate(self.plan.sounds, 1)]
        lanes += self._light_lanes("cue") + self._message_lanes("cue")
        return lanes or [self._words_lane("nothing sounds, nothing lights up")]

    def _zoom_lanes(self) -> list[Lane]:
        plan = self.plan
        lanes: list[Lane] = []
        if plan.pops_s:
            lanes.append(self._pops_lane("pops", "pops as measured", plan.pops_s))
        else:
            lanes.append(self._words_lane("no pops measured"))
        if self.rehearsal is not None:
            pops_s = [scare.pop_s for scare in self.rehearsal.scares]
            lanes.append(self._pops_lane("rehearsed", "pops as rehearsed", pops_s))
        in_view = [
            (number, sound)
            for number, sound in enumerate(plan.sounds, 1)
            if _sounds_in(sound, self.zoom_view_s)
        ]
        if in_view:
            lanes.append(self._window_lane())
        for number, sound in in_view:
            lanes.append(self._sound_lane("pop", number, sound))
            if is_for_the_pop(sound, plan.delay_s):
                lanes += self._landing_lanes(number, sound)
        return lanes + self._light_lanes("pop") + self._message_lanes("pop")

    # ---- sounds

    def _sound_lane(self, panel: PanelName, number: int, sound: PlannedSound) -> Lane:
        if panel == "pop":
            detail = f"hits {from_pop_text(sound.lands_s, self.plan.delay_s)}"
        elif sound.cut_s > 0:
            detail = f"first {length_text(sound.cut_s)} cut"
        else:
            detail = f"starts at {length_text(sound.start_s)}"

        def draw(axes: Axes, top_in: float) -> None:
            self._draw_sound(axes, top_in, panel, number, sound)

        return Lane(title=sound.clip.name, detail=detail, height_in=SOUND_IN, draw=draw, banded=True)

    def _draw_sound(
        self, axes: Axes, top_in: float, panel: PanelName, number: int, sound: PlannedSound
    ) -> None:
        view_s = self._view(panel)
        clip = sound.clip
        arrives_s = sound.start_s + sound.path_s  # of the first played sample, at the guest
        whole_from_s = arrives_s - sound.cut_s
        middle_in, reach_in = top_in + SOUND_IN * 0.56, SOUND_IN * 0.36
        peak = float(np.max(np.abs(clip.samples), initial=0.0)) or 1.0
        for part, colour, part_s in (
            ("cut", CUT_WAVE, (-np.inf, arrives_s)),
            ("wave", WAVE, (arrives_s, np.inf)),
        ):
            draw_wave(
                axes,
                clip.samples,
                clip.rate_hz,
                whole_from_s,
                view_s,
                part_s,
                middle_in=middle_in,
                reach_in=reach_in,
                peak=peak,
                colour=colour,
                gid=f"{panel}-{part}-{number}",
            )
        self._explain("sound", {"facecolor": WAVE, "edgecolor": WAVE})
        if sound.cut_s > 0 and arrives_s > view_s[0]:
            head_s = (max(whole_from_s, view_s[0]), min(arrives_s, view_s[1]))
            block(
                axes,
                head_s,
                (middle_in - reach_in, middle_in + reach_in),
                **CUT,
                zorder=2.5,
                gid=f"{panel}-head-{number}",
            )
            self._explain("cut from the clip's head", CUT)
        self._draw_way(axes, sound.start_s, sound.path_s, middle_in, view_s)
        if within(sound.lands_s, view_s):
            axes.plot(
                [sound.lands_s, sound.lands_s],
                [middle_in - reach_in, middle_in + reach_in],
                color=INK,
                linewidth=0.9,
                zorder=4.5,
                gid=f"{panel}-hit-{number}",
            )
            axes.plot([sound.lands_s], [middle_in - reach_in - 0.03], **HIT, zorder=5)
            self._explain("hit of the clip", HIT)

    def _draw_way(self, axes: Axes, sent_s: float, path_s: float, y_in: float, view_s: View) -> None:
        if inches(path_s, view_s) > 0.04:
            axes.plot([sent_s, sent_s + path_s], [y_in, y_in], **ON_ITS_WAY, zorder=3)
            self._explain("on its way to the guest", ON_ITS_WAY)

    def _window_lane(self) -> Lane:
        """What the two bands mean, in the numbers of the axis above."""
        pop_s = self.plan.delay_s

        def draw(axes: Axes, top_in: float) -> None:
            right_s = _ends(ACCEPTABLE, pop_s)[1] + 0.1 / inches(1.0, self.zoom_view_s)
            for row, (window, words) in enumerate(
                ((DETECTABLE, "inner: nobody notices"), (ACCEPTABLE, "outer: accepted"))
            ):
                early_ms, late_ms = round(window.early_s * 1000), round(-window.late_s * 1000)
                text = f"{words}, −{early_ms} to +{late_ms} ms"
                note(axes, right_s, top_in + 0.14 + 0.16 * row, text)

        return Lane(
            title="sound may hit here", detail="ITU-R BT.1359-1", height_in=WINDOW_IN, draw=draw, banded=True
        )

    def _landing_lanes(self, number: int, sound: PlannedSound) -> list[Lane]:
        """Where the hit falls against each press's own pop, laid over the planned pop."""
        plan = self.plan
        away_s = [("landing", "hit at each pop", [sound.lands_s - pop_s for pop_s in plan.pops_s])]
        if self.rehearsal is not None:
            rehearsed_s = rehearsed_hits_s(self.rehearsal, number - 1)
            away_s.append(("rehearsed-landing", "hit as rehearsed", rehearsed_s))
        return [
            self._dots_lane(
                f"{name}-{number}",
                title,
                f"{sum(DETECTABLE.holds(-each_s) for each_s in late_s)} of {len(late_s)} unnoticed",
                [plan.delay_s + each_s for each_s in late_s],
                banded=True,
            )
            for name, title, late_s in away_s
            if late_s
        ]

    # ---- pops

    def _pops_lane(self, name: str, title: str, pops_s: Sequence[float]) -> Lane:
        spread = f", sd {stdev(pops_s) * 1000:.1f} ms" if len(pops_s) > 1 else ""
        return self._dots_lane(name, title, f"n = {len(pops_s)}{spread}", pops_s, show_median=True)

    def _dots_lane(
        self,
        name: str,
        title: str,
        detail: str,
        times_s: Sequence[float],
        *,
        show_median: bool = False,
        banded: bool = False,
    ) -> Lane:
        """Times as heaps, with their median if wanted, and a word on those out of view."""
        view_s = self.zoom_view_s

        def draw(axes: Axes, top_in: float) -> None:
            shown_s = sorted(time_s for time_s in times_s if within(time_s, view_s))
            self._draw_heaps(axes, top_in + DOTS_IN - 0.05, name, shown_s)
            if show_median:
                axes.plot([median(times_s)], [top_in + 0.07], **MEDIAN, zorder=5.5, gid=f"pop-{name}-median")
                self._explain("median", MEDIAN)
            for side, hidden, x in (
                ("earlier", sum(time_s < view_s[0] for time_s in times_s), 0.006),
                ("later", sum(time_s > view_s[1] for time_s in times_s), 0.994),
            ):
                if hidden:
                    edge = "left" if side == "earlier" else "right"
                    words = f"{hidden} {side}, out of view"
                    note(
                        axes,
                        x,
                        top_in + DOTS_IN / 2,
                        words,
                        transform=axes.get_yaxis_transform(),
                        ha=edge,
                        style="italic",
                    )

        return Lane(title=title, detail=detail, height_in=DOTS_IN, draw=draw, banded=banded, ruled=not banded)

    def _draw_heaps(self, axes: Axes, floor_in: float, name: str, times_s: Sequence[float]) -> None:
        """A dot for each press; bars where the dots would be heaped higher than the row."""
        view_s = self.zoom_view_s
        room_in = DOTS_IN - 0.2
        heaps: dict[int, list[float]] = {}
        for time_s in times_s:
            heaps.setdefault(int(inches(time_s - view_s[0], view_s) / DOT_IN), []).append(time_s)
        highest = max((len(heap) for heap in heaps.values()), default=0)
        if highest <= HIGHEST_HEAP:
            step_in = min(DOT_IN, room_in / max(1, highest))
            heights_in = [step_in * row + DOT_IN / 2 for heap in heaps.values() for row in range(len(heap))]
            axes.plot(
                [time_s for heap in heaps.values() for time_s in heap],
                [floor_in - height_in for height_in in heights_in],
                **DOT,
                zorder=5,
                gid=f"pop-{name}",
            )
            self._explain("one press", DOT)
            return
        first, last = min(heaps), max(heaps)
        counts = np.array([len(heaps.get(place, ())) for place in range(first, last + 1)])
        edges_s = view_s[0] + np.arange(first, last + 2) * DOT_IN / inches(1.0, view_s)
        tops_in = floor_in - counts / highest * room_in
        axes.stairs(tops_in, edges_s, baseline=floor_in, fill=True, **BARS, zorder=3.5, gid=f"pop-{name}")
        self._explain("presses, the higher the more", BARS)

    def _words_lane(self, text: str) -> Lane:
        def draw(axes: Axes, top_in: float) -> None:
            note(
                axes, 0.012, top_in + LIGHT_IN / 2, text, transform=axes.get_yaxis_transform(), style="italic"
            )

        return Lane(title="", detail="", height_in=LIGHT_IN, draw=draw)

    # ---- lights

    def _light_lanes(self, panel: PanelName) -> list[Lane]:
        """One row for each light that shines within the view, in the order of the scene."""
        by_name: dict[str, list[tuple[int, PlannedLight]]] = {}
        for number, light in enumerate(self.plan.lights, 1):
            by_name.setdefault(light.light, []).append((number, light))
        view_s = self._view(panel)
        return [
            self._light_lane(panel, name, flashes)
            for name, flashes in by_name.items()
            if any(
                light.at_s <= view_s[1] and light.lands_s + light.length_s >= view_s[0]
                for _, light in flashes
            )
        ]

    def _light_lane(self, panel: PanelName, name: str, flashes: Sequence[tuple[int, PlannedLight]]) -> Lane:
        view_s = self._view(panel)
        ordered = sorted(flashes, key=lambda flash: flash[1].lands_s)

        def draw(axes: Axes, top_in: float) -> None:
            middle_in = top_in + LIGHT_IN / 2
            for number, light in ordered:
                end_s = light.lands_s + light.length_s
                span_s, edges_in = (light.lands_s, end_s), (top_in + 0.06, top_in + LIGHT_IN - 0.06)
                style = SHAPE if light.shape in STEPPED else DARK if light.shape == "blackout" else LIGHT
                block(axes, span_s, edges_in, **style, zorder=3, gid=f"{panel}-light-{number}")
                if light.shape in STEPPED:
                    self._draw_levels(axes, light, edges_in, f"{panel}-levels-{number}")
                self._draw_way(axes, light.at_s, light.path_s, middle_in, view_s)
            shapes = {light.shape for _, light in ordered}
            if shapes - STEPPED - {"blackout"}:
                self._explain("light on", LIGHT)
            if shapes & STEPPED:
                self._explain("level of light", LEVELS)
            if "blackout" in shapes:
                self._explain("blackout", DARK)
            if panel == "pop":
                lights = [light for _, light in ordered]
                for light in {light.lands_s + light.length_s: light for light in lights}.values():
                    self._say_length(axes, middle_in, light, lights)

        return Lane(title=name, detail="", height_in=LIGHT_IN, draw=draw)

    def _draw_levels(self, axes: Axes, light: PlannedLight, edges_in: tuple[float, float], gid: str) -> None:
        """The run of levels as one outline over its ground; full is the upper edge."""
        low_in, high_in = max(edges_in), min(edges_in)  # heights count downwards
        times_s: list[float] = []
        heights_in: list[float] = []
        ends_s = [step.at_s for step in light.steps[1:]] + [light.length_s]
        for step, end_s in zip(light.steps, ends_s, strict=True):
            times_s += [light.lands_s + step.at_s, light.lands_s + end_s]
            heights_in += [low_in + (high_in - low_in) * step.level] * 2
        axes.fill(
            [times_s[0], *times_s, times_s[-1]], [low_in, *heights_in, low_in], **LEVELS, zorder=3.5, gid=gid
        )

    def _say_length(
        self, axes: Axes, middle_in: float, light: PlannedLight, lights: Sequence[PlannedLight]
    ) -> None:
        """The flash's length in words behind its end, where no other flash and no line is in the way."""
        end_s = light.lands_s + light.length_s
        busy = any(other.at_s <= end_s < other.lands_s + other.length_s for other in lights)
        if busy or not within(end_s, self.zoom_view_s):
            return
        obstacles_s = [other.at_s for other in lights] + [self.plan.delay_s, self.zoom_view_s[1]]
        next_s = min((at_s for at_s in obstacles_s if at_s > end_s), default=end_s)
        text = length_text(light.length_s)
        if self.measure.width_of(text, size=7.5) + 0.15 < inches(next_s - end_s, self.zoom_view_s):
            note(axes, end_s + 0.07 / inches(1.0, self.zoom_view_s), middle_in, text)

    # ---- other gear

    def _message_lanes(self, panel: PanelName) -> list[Lane]:
        """One row for each thing that goes to other gear within the view."""
        from_s, to_s = self._view(panel)
        return [
            self._message_lane(panel, number, message)
            for number, message in enumerate(self.plan.messages, 1)
            if message.at_s <= to_s and message.lands_s + message.length_s >= from_s
        ]

    def _message_lane(self, panel: PanelName, number: int, message: PlannedMessages) -> Lane:
        def draw(axes: Axes, top_in: float) -> None:
            middle_in, gid = top_in + LIGHT_IN / 2, f"{panel}-message-{number}"
            if message.length_s:
                span_s = message.lands_s, message.lands_s + message.length_s
                block(axes, span_s, (top_in + 0.06, top_in + LIGHT_IN - 0.06), **SHAPE, zorder=3, gid=gid)
                self._explain("time code", SHAPE)
            else:
                axes.plot([message.lands_s], [middle_in], **COMMAND, zorder=4, gid=gid)
                self._explain("other gear acts", COMMAND)
            self._draw_way(axes, message.at_s, message.path_s, middle_in, self._view(panel))

        return Lane(title=message.name, detail="", height_in=LIGHT_IN, draw=draw)

    # ---- legend

    def _view(self, panel: PanelName) -> View:
        return self.cue_view_s if panel == "cue" else self.zoom_view_s

    def _explain(self, text: str, style: dict[str, Any]) -> None:
        self.legend.setdefault(text, style)

    def _draw_legend(self, sheet: Sheet) -> None:
        from matplotlib.lines import Line2D
        from matplotlib.patches import Patch

        if not self.legend:
            return
        sheet.figure.legend(
            [
                Patch(**style) if "facecolor" in style else Line2D([], [], **style)
                for style in self.legend.values()
            ],
            list(self.legend),
            loc="lower center",
            bbox_to_anchor=(0.5, 0.06 / sheet.height_in),
            ncols=len(self.legend) if len(self.legend) <= 6 else (len(self.legend) + 1) // 2,
            frameon=False,
            fontsize=8,
            handlelength=1.8,
            columnspacing=1.4,
        )


def _ends(window: Window, pop_s: float) -> View:
    """Earliest and latest time of a sound within `window` of the pop (early = positive offset)."""
    return pop_s - window.early_s, pop_s - window.late_s


def _sounds_in(sound: PlannedSound, view_s: View) -> bool:
    arrives_s = sound.start_s + sound.path_s
    return arrives_s <= view_s[1] and arrives_s + sound.clip.length_s - sound.cut_s >= view_s[0]


def _cue_view(plan: Plan) -> View:
    """From the trigger, or a cut head before it (up to a third), to the end, or to the reset if near."""
    end_s = max(guest_end_s(plan), plan.delay_s + 0.2, *(sound.lands_s for sound in plan.sounds), 0.5)
    if plan.reset_s <= 1.6 * end_s:
        end_s = max(end_s, plan.reset_s)
    firsts_s = [sound.start_s + sound.path_s - sound.cut_s for sound in plan.sounds]
    firsts_s += [light.at_s for light in plan.lights]
    firsts_s += [message.at_s for message in plan.messages]
    first_s = max(min(firsts_s, default=0.0), -end_s / 2)
    first_s = min(first_s, 0.0)
    margin_s = 0.03 * (end_s - first_s)
    return first_s - margin_s, end_s + margin_s


def _zoom_view(plan: Plan) -> View:
    """Around the pop, wide enough for the measured pops and for the hit at each, which lies mirrored."""
    reach_s = max((abs(pop_s - plan.delay_s) * 1.1 for pop_s in plan.pops_s), default=0.0)
    reach_s = min(reach_s, ZOOM_MOST_S)
    return plan.delay_s - max(ZOOM_BEFORE_S, reach_s), plan.delay_s + max(ZOOM_AFTER_S, reach_s)
