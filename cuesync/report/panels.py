"""Panels: a time axis from the trigger, rows of things that happen, and lines through all of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from cuesync.report.drawing import INK, QUIET_INK, Sheet, block, envelope, note

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LEFT_IN = 1.75
PANEL_IN = 7.45
MARK_ROW_IN = 0.19
PAD_IN = 0.07
TITLES_IN = 0.62
"""Room for a panel's title and upper axis; below it the lower axis takes about as much."""
SECONDS_FROM_S = 20.0
"""A view longer than this has its axis in seconds."""

View = tuple[float, float]
"""First and last moment of a panel, in seconds from the trigger."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A vertical line through a whole panel, with its label above."""

    name: str
    at_s: float
    text: str
    style: Any
    width: float = 1.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One row. `draw` gets the axes and its top edge in inches; `banded` rows share the bands behind."""

    title: str
    detail: str
    height_in: float
    draw: Callable[[Axes, float], None]
    banded: bool = False
    ruled: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A stretch of time shaded behind the banded rows."""

    name: str
    from_s: float
    to_s: float
    shade: str
    style: Any


def within(at_s: float, view_s: View) -> bool:
    return view_s[0] <= at_s <= view_s[1]


def inches(length_s: float, view_s: View) -> float:
    """Width of a stretch of time in a panel."""
    return PANEL_IN * length_s / (view_s[1] - view_s[0])


class Panel:
    """One panel, laid out before the sheet's height is known. `name` begins the id of all that it draws."""

    def __init__(
        self,
        name: str,
        title: str,
        view_s: View,
        *,
        pop_s: float | None,
        marks: Sequence[Mark],
        lanes: Sequence[Lane],
        bands: Sequence[Band] = (),
        measure: Sheet,
    ) -> None:
        self.name = name
        self.title = title
        self.view_s = view_s
        self.pop_s = pop_s
        self.marks = sorted((mark for mark in marks if within(mark.at_s, view_s)), key=lambda mark: mark.at_s)
        self.lanes = lanes
        self.bands = bands
        self.measure = measure
        self.places = self._mark_places()
        self.lanes_top_in = (max((row for row, _ in self.places), default=0) + 1) * MARK_ROW_IN + PAD_IN
        self.height_in = self.lanes_top_in + sum(lane.height_in for lane in lanes)

    def _mark_places(self) -> list[tuple[int, float]]:
        """Row and left edge (inches) of each mark's label, so that no two touch."""
        ends_in: list[float] = []
        places = []
        for mark in self.marks:
            width_in = self.measure.width_of(mark.text, size=8, weight="bold")
            x_in = inches(mark.at_s - self.view_s[0], self.view_s)
            left_in = min(max(x_in - width_in / 2, 0.04), PANEL_IN - width_in - 0.04)
            row = next((row for row, end_in in enumerate(ends_in) if end_in + 0.1 <= left_in), len(ends_in))
            ends_in[row : row + 1] = [left_in + width_in]
            places.append((row, left_in))
        return places

    def draw(self, sheet: Sheet, top_in: float) -> None:
        """Draw with the upper edge of the rows' frame at `top_in`."""
        above_in = 0.27 if self.pop_s is None else 0.56
        sheet.text(0.25, top_in - above_in, self.title, size=10.5, weight="bold")
        axes = sheet.panel(LEFT_IN, top_in, PANEL_IN, self.height_in)
        axes.set_xlim(*self.view_s)
        self._time_axes(axes)
        tops_in = self.lanes_top_in + np.concatenate(
            [[0.0], np.cumsum([lane.height_in for lane in self.lanes])]
        )
        self._draw_bands(axes, tops_in)
        self._draw_marks(axes)
        axes.axhline(self.lanes_top_in, color="#999999", linewidth=0.5)
        for number, (lane, lane_top_in) in enumerate(zip(self.lanes, tops_in[:-1], strict=True)):
            self._lane_title(axes, lane, lane_top_in)
            lane.draw(axes, lane_top_in)
            if lane.ruled and number:
                axes.axhline(lane_top_in, color="#dddddd", linewidth=0.5, zorder=0)

    def _draw_bands(self, axes: Axes, tops_in: NDArray[np.float64]) -> None:
        banded = [number for number, lane in enumerate(self.lanes) if lane.banded]
        if not banded:
            return
        top_in, bottom_in = tops_in[banded[0]], tops_in[banded[-1] + 1]
        for band in self.bands:
            block(
                axes,
                (band.from_s, band.to_s),
                (top_in, bottom_in),
                facecolor=band.shade,
                edgecolor=QUIET_INK,
                linewidth=0.7,
                linestyle=band.style,
                zorder=0.5,
                gid=f"{self.name}-{band.name}",
            )

    def _draw_marks(self, axes: Axes) -> None:
        for mark, (row, left_in) in zip(self.marks, self.places, strict=True):
            label_bottom_in = (row + 1) * MARK_ROW_IN
            axes.plot(
                [mark.at_s, mark.at_s],
                [label_bottom_in, self.height_in],
                linestyle=mark.style,
                linewidth=mark.width,
                color=INK,
                zorder=4,
                gid=f"{self.name}-{mark.name}",
            )
            x_s = self.view_s[0] + left_in / PANEL_IN * (self.view_s[1] - self.view_s[0])
            note(axes, x_s, label_bottom_in - 0.05, mark.text, size=8, weight="bold", va="baseline")

    def _lane_title(self, axes: Axes, lane: Lane, top_in: float) -> None:
        middle_in = top_in + lane.height_in / 2
        width_in = LEFT_IN - 0.25
        rows: list[tuple[str, dict[str, Any]]] = [(lane.title, {"size": 8.5, "weight": "bold"})]
        if lane.detail:
            rows.append((lane.detail, {"size": 7.5, "color": QUIET_INK}))
        for row, (text, style) in enumerate(rows):
            font = {key: value for key, value in style.items() if key != "color"}
            axes.text(
                -0.1 / PANEL_IN,
                middle_in + (0.16 * row - 0.075 if lane.detail else 0.0),
                self.measure.fitting(text, width_in, **font),
                transform=axes.get_yaxis_transform(),
                ha="right",
                va="center",
                **style,
            )

    def _time_axes(self, axes: Axes) -> None:
        """Below: time from the trigger. Above: time from the pop, where there is one."""
        from matplotlib.ticker import FuncFormatter, MaxNLocator

        in_seconds = self.view_s[1] - self.view_s[0] > SECONDS_FROM_S
        unit, scale = ("s", 1.0) if in_seconds else ("ms", 1000.0)

        def number(value: float, _position: int | None = None) -> str:
            return f"{round(value, 6) + 0.0:g}".replace("-", "−")

        axes.xaxis.set_visible(False)
        labelled = [(axes.secondary_xaxis("bottom", functions=_shown(0.0, scale)), "from the trigger")]
        if self.pop_s is not None:
            labelled.append(
                (axes.secondary_xaxis("top", functions=_shown(self.pop_s, scale)), "from the pop")
            )
        for axis, words in labelled:
            axis.set_xlabel(f"{unit} {words}", size=8.5)
            axis.xaxis.set_major_locator(MaxNLocator(9, steps=[1, 2, 2.5, 5, 10]))
            axis.xaxis.set_major_formatter(FuncFormatter(number))
            axis.tick_params(labelsize=8, width=0.7, length=3)


def _shown(zero_s: float, scale: float) -> Any:
    """From seconds since the trigger to the number at an axis, and back."""

    def there(time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        return (time_s - zero_s) * scale

    def back(shown: NDArray[np.float64]) -> NDArray[np.float64]:
        return shown / scale + zero_s

    return there, back


def draw_wave(
    axes: Axes,
    samples: NDArray[np.float32],
    rate_hz: int,
    first_s: float,
    view_s: View,
    part_s: View,
    *,
    middle_in: float,
    reach_in: float,
    peak: float,
    colour: str,
    gid: str,
) -> None:
    """The part of a waveform within `part_s`; its first sample is at `first_s`, `peak` reaches `reach_in`."""
    shown_s = (max(view_s[0], part_s[0]), min(view_s[1], part_s[1]))
    if shown_s[1] <= shown_s[0]:
        return
    width_in = inches(shown_s[1] - shown_s[0], view_s)
    times_s, low, high = envelope(samples, rate_hz, first_s, shown_s, width_in)
    if times_s.size:
        axes.fill_between(
            times_s,
            middle_in - high / peak * reach_in,
            middle_in - low / peak * reach_in,
            facecolor=colour,
            edgecolor=colour,
            linewidth=0.5,
            zorder=2,
            gid=gid,
        )
