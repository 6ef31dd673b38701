"""What every picture needs: a sheet measured in inches, letters that fit, and the three file formats."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from cuesync.errors import InputError
from cuesync.report.page import html_page
from cuesync.report.tables import Table
from cuesync.report.words import shorten
from cuesync.storage import whole_file

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SUFFIXES = (".png", ".svg", ".html")
WIDTH_IN = 9.6
PNG_DPI = 150
COLUMNS_PER_IN = 110

INK = "#1a1a1a"
QUIET_INK = "#555555"
WAVE = "#2f5d8a"
CUT_WAVE = "#b5b5b5"
LAMP = "#ffd166"

_SETTINGS: dict[str, Any] = {
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 8.5,
    "text.parse_math": False,  # a title may hold $ and _
    "text.usetex": False,
    "axes.unicode_minus": True,
    "axes.linewidth": 0.7,
    "axes.edgecolor": QUIET_INK,
    "hatch.linewidth": 0.6,
    "path.simplify": True,
    "svg.fonttype": "none",  # letters stay letters: readable aloud, searchable, any script
    "svg.hashsalt": "cuesync",
    "savefig.bbox": None,
    "figure.facecolor": "white",
}


def check_suffix(path: Path) -> str:
    """The suffix of `path` in lower case; InputError where no picture of that kind is drawn."""
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        given = f"ends in {path.suffix!r}" if path.suffix else "has no ending"
        raise InputError(
            f"{path}: {given}, and pictures are drawn as {', '.join(SUFFIXES)}. "
            f"Name it, for instance, {path.stem or 'picture'}.png."
        )
    return suffix


@contextmanager
def drawing_settings(texts: Sequence[str]) -> Iterator[None]:
    """Matplotlib's settings for one picture that is going to show `texts`.

    The same settings give the same bytes; the user's own matplotlibrc plays no part.
    """
    import matplotlib as mpl
    from matplotlib import rcParamsDefault

    letters = "".join(sorted({letter for text in texts for letter in text}))
    fonts = ["DejaVu Sans", *_fonts_for(letters), "sans-serif"]
    with warnings.catch_warnings():
        # letters that no font on this computer has come out as boxes in a PNG and as letters elsewhere
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from font")
        # the defaults name settings that are on their way out
        warnings.filterwarnings("ignore", category=mpl.MatplotlibDeprecationWarning)
        kept = {"backend", "interactive"}
        settings: Any = {key: value for key, value in rcParamsDefault.items() if key not in kept}
        settings.update(_SETTINGS, **{"font.family": fonts})
        with mpl.rc_context(settings):
            yield


@cache
def _fonts_for(letters: str) -> tuple[str, ...]:
    """Names of installed fonts for those letters that matplotlib's own font lacks."""
    from matplotlib import font_manager, ft2font

    own = ft2font.FT2Font(font_manager.findfont("DejaVu Sans"))
    missing = {letter for letter in letters if letter.isprintable() and not own.get_char_index(ord(letter))}
    found: list[str] = []
    for entry in sorted(font_manager.fontManager.ttflist, key=lambda entry: (entry.name, entry.fname)):
        if not missing:
            break
        # the last-resort fonts have a box for every letter there is
        if entry.style != "normal" or entry.name in found or entry.name.startswith("Last Resort"):
            continue
        try:
            font = ft2font.FT2Font(entry.fname)
        except (OSError, RuntimeError):  # a font file that is gone or damaged
            continue
        held = {letter for letter in missing if font.get_char_index(ord(letter))}
        if held:
            found.append(entry.name)
            missing -= held
    return tuple(found)


class Sheet:
    """A white sheet that is filled from the top; all lengths in inches."""

    def __init__(self, height_in: float) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self.height_in = height_in
        self.figure: Figure = Figure(figsize=(WIDTH_IN, height_in))
        self._canvas = FigureCanvasAgg(self.figure)

    def panel(self, left_in: float, top_in: float, width_in: float, height_in: float) -> Axes:
        """Axes whose y values are inches from their own top edge."""
        axes = self.figure.add_axes(
            (
                left_in / WIDTH_IN,
                1 - (top_in + height_in) / self.height_in,
                width_in / WIDTH_IN,
                height_in / self.height_in,
            )
        )
        axes.set_ylim(height_in, 0.0)
        axes.set_yticks([])
        return axes

    def text(self, x_in: float, y_in: float, text: str, **style: Any) -> None:
        """Text with its top left corner at `x_in`, `y_in`."""
        self.figure.text(x_in / WIDTH_IN, 1 - y_in / self.height_in, text, va="top", **style)

    def width_of(self, text: str, **style: Any) -> float:
        """Width in inches that `text` takes when drawn."""
        from matplotlib.text import Text

        probe = Text(0, 0, text, figure=self.figure, **style)
        renderer: Any = self._canvas.get_renderer()  # type: ignore[no-untyped-call]
        extent = probe.get_window_extent(renderer)
        return float(extent.width / self.figure.dpi)

    def fitting(self, text: str, width_in: float, **style: Any) -> str:
        """`text`, shortened in its middle until it is no wider than `width_in`."""
        letters = len(text)
        fitted = " ".join(text.split())
        while letters > 4 and self.width_of(fitted, **style) > width_in:
            letters = min(letters - 1, int(letters * width_in / self.width_of(fitted, **style)) + 1)
            fitted = shorten(text, letters)
        return fitted


def block(axes: Axes, span_s: tuple[float, float], edges_in: tuple[float, float], **style: Any) -> None:
    """A rectangle from one time to another, between two heights."""
    axes.fill(
        [span_s[0], span_s[1], span_s[1], span_s[0]],
        [edges_in[0], edges_in[0], edges_in[1], edges_in[1]],
        **style,
    )


def note(axes: Axes, x: float, y_in: float, text: str, **style: Any) -> None:
    """Words on a white ground, above all else."""
    ground = {"facecolor": "white", "edgecolor": "none", "pad": 0.6}
    axes.text(x, y_in, text, zorder=6, bbox=ground, **{"size": 7.5, "va": "center", **style})


def envelope(
    samples: NDArray[np.float32], rate_hz: int, first_s: float, view_s: tuple[float, float], width_in: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Lowest and highest sample in each thin column of a view.

    `samples`: shape (frames, channels) or (frames,); its first sample lies at `first_s` on the view's clock.
    Returns the columns' times in seconds, lowest and highest values; empty where nothing is in view.
    """
    first = max(0, int(np.floor((view_s[0] - first_s) * rate_hz)))
    last = min(len(samples), int(np.ceil((view_s[1] - first_s) * rate_hz)))
    if last <= first:
        empty = np.empty(0)
        return empty, empty, empty
    in_view = samples[first:last]
    columns_in_view = int(width_in * COLUMNS_PER_IN * (last - first) / rate_hz / (view_s[1] - view_s[0]))
    count = max(1, min(last - first, columns_in_view))
    edges = np.linspace(0, last - first, count, endpoint=False).astype(int)
    low = np.minimum.reduceat(in_view, edges, axis=0)
    high = np.maximum.reduceat(in_view, edges, axis=0)
    if low.ndim == 2:
        low, high = low.min(axis=1), high.max(axis=1)
    middles = (edges + np.append(edges[1:], last - first)) / 2
    return first_s + (first + middles) / rate_hz, low.astype(float), high.astype(float)


def save(
    figure: Figure,
    path: Path,
    *,
    title: str,
    description: str,
    tables: Sequence[Table],
    notes: Sequence[str],
    replace: bool,
) -> None:
    """Write the picture as .png, .svg or .html (one page: the drawing, then tables and notes).

    Raises:
        InputError: another suffix.
        StorageError: `path` is there and `replace` is False, or it can't be written.
    """
    suffix = check_suffix(path)
    with whole_file(path, replace=replace) as temporary:
        if suffix == ".png":
            figure.savefig(
                temporary,
                format="png",
                dpi=PNG_DPI,
                metadata={"Software": "cuesync", "Title": title, "Description": description},
            )
        elif suffix == ".svg":
            temporary.write_text(_svg(figure, title, description), encoding="utf-8", newline="\n")
        else:
            svg = _svg(figure, title, description)
            drawing = svg[svg.index("<svg") :]
            temporary.write_text(
                html_page(title, description, drawing, tables, notes), encoding="utf-8", newline="\n"
            )


def _svg(figure: Figure, title: str, description: str) -> str:
    buffer = io.BytesIO()
    # the title goes into <title> below; a date would change the bytes
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": "cuesync", "Title": title})
    svg = buffer.getvalue().decode("utf-8")
    spoken = (
        f'<title id="picture-title">{escape(title)}</title>\n'
        f'<desc id="picture-text">{escape(description)}</desc>\n'
    )
    return re.sub(
        r"<svg ([^>]*)>",
        lambda tag: f'<svg role="img" aria-labelledby="picture-title picture-text" {tag[1]}>\n{spoken}',
        svg,
        count=1,
    )
