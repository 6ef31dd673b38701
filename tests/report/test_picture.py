from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure
from matplotlib.text import Text
from PIL import Image

from cuesync.errors import InputError, StorageError
from cuesync.measuring.trial import Trial
from cuesync.plan.plan import Plan
from cuesync.report.drawing import drawing_settings, envelope
from cuesync.report.picture import draw_plan, draw_trials
from cuesync.report.plan_picture import plan_figure
from cuesync.show.rehearsal import Rehearsal, rehearse
from cuesync.sound_file import write_wav
from tests.report.building import DELAY_S, all_shapes, light, measurement, plan, sound, to_other_gear

SVG = "{http://www.w3.org/2000/svg}"
NUMBERS = re.compile(r"-?\d+(?:\.\d+)?(?:e-?\d+)?")


def full_plan() -> Plan:
    return plan(
        sounds=[sound(), sound("build-up.wav", at_s=-0.4, hit_s=0.1, length_s=0.3)],
        lights=[light(), light("midi:37", at_s=-0.2, length_s=1.0)],
        reset_s=2.6,
        notes=["The clip is louder than the night before & <needs> a look"],
    )


class Drawn:
    """A written SVG, read by an XML parser; x positions of the elements that carry an id."""

    def __init__(self, path: Path) -> None:
        self.root = ElementTree.parse(path).getroot()
        self.texts = ["".join(element.itertext()) for element in self.root.iter(f"{SVG}text")]
        self.by_id = {element.get("id"): element for element in self.root.iter() if element.get("id")}

    def xs(self, name: str) -> list[float]:
        """Every x in the paths of an element, or of the marks that it places."""
        element = self.by_id[name]
        placed = [float(use.get("x", "nan")) for use in element.iter(f"{SVG}use")]
        if any(placed):  # a waveform is one mark placed at zero
            return placed
        return [
            float(x) for path in element.iter(f"{SVG}path") for x in NUMBERS.findall(path.get("d", ""))[::2]
        ]

    def clock(self, panel: str, pop_s: float) -> tuple[float, float]:
        """Inches… or points, whatever: x of the trigger and of a second, from two known lines."""
        zero, pop = self.xs(f"{panel}-trigger")[0], self.xs(f"{panel}-planned")[0]
        return zero, (pop - zero) / pop_s


@pytest.fixture
def drawn(tmp_path: Path) -> Drawn:
    draw_plan(full_plan(), tmp_path / "cue.svg")
    return Drawn(tmp_path / "cue.svg")


def test_everything_stands_where_its_time_says(drawn: Drawn) -> None:
    zero, per_s = drawn.clock("cue", DELAY_S)

    def times_s(name: str) -> list[float]:
        return [(x - zero) / per_s for x in drawn.xs(name)]

    cue = full_plan()
    for number, planned in enumerate(cue.sounds, 1):
        assert times_s(f"cue-hit-{number}") == pytest.approx([planned.lands_s] * 2, abs=0.001)
        wave_s = times_s(f"cue-wave-{number}")
        assert min(wave_s) == pytest.approx(planned.start_s + planned.path_s, abs=0.005)
        assert max(wave_s) == pytest.approx(
            planned.start_s + planned.path_s + planned.clip.length_s, abs=0.005
        )
    for number, flash in enumerate(cue.lights, 1):
        block_s = times_s(f"cue-light-{number}")
        assert (min(block_s), max(block_s)) == pytest.approx(
            (flash.lands_s, flash.lands_s + flash.length_s), abs=0.001
        )
    assert times_s("cue-reset")[0] == pytest.approx(2.6, abs=0.001)
    # the first light ends last: 642.3 − 326.7 + 1900 ms for the scream, worked by hand
    assert times_s("cue-end")[0] == pytest.approx(0.6423 - 0.31 + 1.9, abs=0.001)


def test_the_bands_lie_on_the_harmless_side(drawn: Drawn) -> None:
    """ITU-R BT.1359-1: detectable from 45 ms early and 125 ms late; acceptable to 90 early and 185 late."""
    pop = drawn.xs("pop-planned")[0]
    flash = sorted(set(drawn.xs("pop-light-1")))
    per_s = (flash[-1] - flash[0]) / 0.08  # this flash is 80 ms long
    for name, early_s, late_s in (("unnoticed", 0.045, 0.125), ("acceptable", 0.090, 0.185)):
        xs = drawn.xs(f"pop-{name}")
        assert (min(xs) - pop) / per_s == pytest.approx(-early_s, abs=0.001)
        assert (max(xs) - pop) / per_s == pytest.approx(late_s, abs=0.001)


def test_pops_and_what_the_hit_does_at_each_lie_mirrored(drawn: Drawn) -> None:
    """A pop that comes 10 ms late finds the sound 10 ms early."""
    pop = drawn.xs("pop-planned")[0]
    flash = drawn.xs("pop-light-1")
    per_s = (max(flash) - min(flash)) / 0.08
    measured_s = sorted((x - pop) / per_s for x in drawn.xs("pop-pops"))
    assert measured_s == pytest.approx([p - DELAY_S for p in sorted(full_plan().pops_s)], abs=0.001)
    landing_s = sorted((x - pop) / per_s for x in drawn.xs("pop-landing-1"))
    assert landing_s == pytest.approx(sorted(-each_s for each_s in measured_s), abs=0.001)


def test_the_axis_above_has_its_zero_at_the_pop(drawn: Drawn) -> None:
    zeros = [float(e.get("x", "nan")) for e in drawn.root.iter(f"{SVG}text") if "".join(e.itertext()) == "0"]
    marks = [drawn.xs("cue-trigger")[0], drawn.xs("cue-planned")[0], drawn.xs("pop-planned")[0]]
    for mark in marks:
        assert min(abs(zero - mark) for zero in zeros) < 0.01


def test_a_cut_head_is_hatched_before_the_first_sound(tmp_path: Path) -> None:
    cue = plan(sounds=[sound(hit_s=0.9)])
    draw_plan(cue, tmp_path / "cue.svg")
    drawn = Drawn(tmp_path / "cue.svg")
    zero, per_s = drawn.clock("cue", DELAY_S)
    head_s = [(x - zero) / per_s for x in drawn.xs("cue-head-1")]
    planned = cue.sounds[0]
    assert max(head_s) == pytest.approx(planned.path_s, abs=0.001)
    assert max(head_s) - min(head_s) == pytest.approx(planned.cut_s, abs=0.001)
    assert "first 274.4 ms cut" in drawn.texts


@pytest.mark.parametrize("suffix", [".png", ".svg", ".html"])
def test_the_same_plan_gives_the_same_bytes(tmp_path: Path, suffix: str) -> None:
    with mpl.rc_context({"font.size": 30, "lines.linewidth": 9, "axes.grid": True, "svg.fonttype": "path"}):
        draw_plan(full_plan(), tmp_path / f"one{suffix}")
    draw_plan(full_plan(), tmp_path / f"two{suffix}")
    assert (tmp_path / f"one{suffix}").read_bytes() == (tmp_path / f"two{suffix}").read_bytes()


def test_a_png_opens_and_is_not_blank(tmp_path: Path) -> None:
    draw_plan(full_plan(), tmp_path / "cue.PNG")
    with Image.open(tmp_path / "cue.PNG") as image:
        assert image.format == "PNG"
        assert image.width == 1440
        pixels = np.asarray(image.convert("RGB")).reshape(-1, 3)
    white = np.all(pixels == 255, axis=1).mean()
    assert 0.5 < white < 0.97
    amber = (pixels[:, 0] > 240) & (pixels[:, 1] > 190) & (pixels[:, 2] < 130)
    assert amber.sum() > 1000  # the lights


class Page(HTMLParser):
    """Tags with their attributes, and the text of each table."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text: dict[str, list[str]] = {}
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag in self.open:
            while self.open.pop() != tag:
                pass

    def handle_data(self, data: str) -> None:
        if self.open:
            self.text.setdefault(self.open[-1], []).append(data)

    def all(self, tag: str) -> Iterator[dict[str, str | None]]:
        return (attributes for each, attributes in self.tags if each == tag)


def test_a_page_stands_alone_and_can_be_read_aloud(tmp_path: Path) -> None:
    draw_plan(full_plan(), tmp_path / "cue.html")
    page = Page((tmp_path / "cue.html").read_text(encoding="utf-8"))
    assert next(page.all("html"))["lang"] == "en"
    assert page.text["title"][0] == "Cellar door"
    assert {"script", "link", "img", "iframe", "object"}.isdisjoint(tag for tag, _ in page.tags)
    for _, attributes in page.tags:
        for name in ("href", "xlink:href", "src"):
            assert (attributes.get(name) or "#").startswith("#")
    picture = next(page.all("svg"))
    assert picture["role"] == "img"
    spoken = {attributes.get("id") for _, attributes in page.tags}
    assert set((picture["aria-labelledby"] or "").split()) <= spoken
    assert "The pop comes 642.3 ms after the trigger" in page.text["desc"][0]
    assert len(page.text["caption"]) == len(list(page.all("table"))) == 2
    assert all(heading["scope"] == "col" for heading in page.all("th"))
    assert "scream.wav starts" in page.text["td"]
    assert page.text["li"] == ["The clip is louder than the night before & <needs> a look"]


def test_each_id_of_a_page_is_there_once(tmp_path: Path) -> None:
    draw_plan(full_plan(), tmp_path / "cue.html")
    page = Page((tmp_path / "cue.html").read_text(encoding="utf-8"))
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize(
    "title", ["Attic $5_000$ & <b>x_1</b> \\alpha", "古い地下室のドア", "Старая дверь", "الباب"]
)
def test_a_title_is_shown_letter_by_letter(tmp_path: Path, title: str) -> None:
    for suffix in (".svg", ".png", ".html"):
        draw_plan(plan(title, sounds=[sound("悲鳴_$1$.wav")]), tmp_path / f"cue{suffix}")
    drawn = Drawn(tmp_path / "cue.svg")
    assert title in drawn.texts
    assert "悲鳴_$1$.wav" in drawn.texts
    assert title in Page((tmp_path / "cue.html").read_text(encoding="utf-8")).text["h1"]


@pytest.mark.parametrize("name", ["cue.jpg", "cue", "cue.svgz"])
def test_another_ending_is_refused_with_the_choices(tmp_path: Path, name: str) -> None:
    with pytest.raises(
        InputError, match=r"pictures are drawn as \.png, \.svg, \.html\. Name it, for instance, cue\.png"
    ):
        draw_plan(plan(), tmp_path / name)
    assert not (tmp_path / name).exists()


def test_an_existing_file_stays_unless_asked(tmp_path: Path) -> None:
    path = tmp_path / "cue.svg"
    path.write_text("mine")
    with pytest.raises(StorageError, match="is there already and stays as it is"):
        draw_plan(plan(), path)
    assert path.read_text() == "mine"
    draw_plan(plan(), path, replace=True)
    assert path.read_text(encoding="utf-8").startswith("<?xml")
    assert list(tmp_path.iterdir()) == [path]


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="make it first"):
        draw_plan(plan(), tmp_path / "nowhere" / "cue.png")


# ---- rehearsals


@pytest.fixture(scope="module")
def rehearsal() -> Rehearsal:
    return rehearse(full_plan(), rate_hz=8000, presses=60)


def test_a_rehearsal_shows_its_own_pops_and_hits(tmp_path: Path, rehearsal: Rehearsal) -> None:
    draw_plan(full_plan(), tmp_path / "cue.svg", rehearsal=rehearsal)
    drawn = Drawn(tmp_path / "cue.svg")
    assert "n = 60, sd" in " ".join(drawn.texts)
    pop = drawn.xs("pop-planned")[0]
    per_s = (max(drawn.xs("pop-light-1")) - min(drawn.xs("pop-light-1"))) / 0.08
    pops_s = [scare.pop_s - DELAY_S for scare in rehearsal.scares]
    bars_s = [(x - pop) / per_s for x in drawn.xs("pop-rehearsed")]
    # bars are as wide as a dot
    assert min(bars_s) == pytest.approx(min(pops_s), abs=0.01)
    assert max(bars_s) == pytest.approx(max(pops_s), abs=0.01)
    inside = sum(
        -0.125 <= scare.offset_s <= 0.045 for scare in rehearsal.scares if scare.offset_s is not None
    )
    assert f"{inside} of 60 unnoticed" in drawn.texts


def test_a_rehearsal_gives_the_same_bytes_too(tmp_path: Path, rehearsal: Rehearsal) -> None:
    for name in ("one.html", "two.html"):
        draw_plan(full_plan(), tmp_path / name, rehearsal=rehearsal)
    text = (tmp_path / "one.html").read_text(encoding="utf-8")
    assert text == (tmp_path / "two.html").read_text(encoding="utf-8")
    assert "Rehearsal of 60 presses" in Page(text).text["caption"]


# ---- no two labels touch, whatever is planned


def unreadable(figure: Figure) -> list[str]:
    """Pairs of texts that overlap, and texts that reach over the edge of the sheet."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas = FigureCanvasAgg(figure)
    shown: list[Text] = []  # the labels of ticks out of view exist, but are not drawn
    draw = Text.draw

    def note(text: Text, renderer: Any) -> None:
        shown.append(text)
        draw(text, renderer)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Text, "draw", note)
        canvas.draw()  # type: ignore[no-untyped-call]
    renderer = canvas.get_renderer()  # type: ignore[no-untyped-call]
    boxes = [(text.get_text(), text.get_window_extent(renderer)) for text in shown if text.get_text().strip()]
    sheet = figure.bbox
    found = [
        f"{text!r} leaves the sheet"
        for text, box in boxes
        if box.x0 < sheet.x0 or box.x1 > sheet.x1 or box.y0 < sheet.y0 or box.y1 > sheet.y1
    ]
    for place, (text, box) in enumerate(boxes):
        for other, other_box in boxes[place + 1 :]:
            wide = min(box.x1, other_box.x1) - max(box.x0, other_box.x0)
            high = min(box.y1, other_box.y1) - max(box.y0, other_box.y0)
            if wide > 1 and high > 1:
                found.append(f"{text!r} on {other!r}")
    return found


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    delay_s = draw(st.floats(0.05, 5.0))
    spread_s = draw(st.sampled_from([0.0, 0.005, 0.1, 2.0]))
    pops_s = draw(st.lists(st.floats(-1.0, 1.0), max_size=12))
    names = st.text("abcWM_$ .-悲", min_size=1, max_size=60)
    sounds = draw(
        st.lists(
            st.builds(
                sound,
                names,
                delay_s=st.just(delay_s),
                at_s=st.floats(-3.0, 3.0),
                hit_s=st.floats(0.01, 2.0),
                length_s=st.floats(2.1, 30.0),
                path_s=st.floats(0.0, 0.3),
            ),
            max_size=3,
        )
    )
    lights = draw(
        st.lists(
            st.builds(
                light,
                st.sampled_from(["midi:36", "midi:37", "midi:38:16"]),
                delay_s=st.just(delay_s),
                at_s=st.floats(-1.0, 3.0),
                length_s=st.floats(0.01, 2.0),
                path_s=st.floats(0.0, 0.2),
            ),
            max_size=6,
        )
    )
    return plan(
        draw(st.text("aWM_$ 古い", max_size=150)),
        delay_s=delay_s,
        pops_s=[max(0.01, delay_s + spread_s * pop_s) for pop_s in pops_s],
        sounds=sounds,
        lights=lights,
        reset_s=draw(st.floats(0.1, 120.0)),
    )


@settings(max_examples=12, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(plans())
def test_no_label_lies_on_another(planned: Plan) -> None:
    names = [each.clip.name for each in planned.sounds]
    with drawing_settings([planned.title, *names]):
        assert unreadable(plan_figure(planned, None)) == []


def test_no_label_of_a_rehearsal_with_all_there_is_lies_on_another() -> None:
    """A cut head, dots and bars, sounds and lights with a long way: the longest legend."""
    everything = plan(
        sounds=[sound(hit_s=0.9, path_s=0.2)], lights=[light(path_s=0.15)], pops_s=full_plan().pops_s
    )
    rehearsed = rehearse(everything, rate_hz=8000, presses=60)
    with drawing_settings([]):
        assert unreadable(plan_figure(everything, rehearsed)) == []


def test_every_shape_of_light_is_drawn_with_its_levels_and_no_label_lies_on_another(tmp_path: Path) -> None:
    planned = plan(sounds=[sound()], lights=all_shapes(), reset_s=3.0)
    draw_plan(planned, tmp_path / "plan.svg")
    drawn = Drawn(tmp_path / "plan.svg")
    per_s = (max(drawn.xs("pop-light-1")) - min(drawn.xs("pop-light-1"))) / 0.08
    strobe = drawn.xs("pop-levels-2")
    changes_s = sorted({round((x - min(strobe)) / per_s, 2) for x in strobe})
    assert changes_s == [0.0, 0.1, 0.2, 0.3, 0.4]  # two flashes, and the end
    assert {"cue-levels-4", "cue-levels-5", "cue-light-3", "cue-light-6"} <= set(drawn.by_id)
    assert {"blackout", "level of light", "light on"} <= set(drawn.texts)
    with drawing_settings([]):
        assert unreadable(plan_figure(planned, None)) == []


def test_what_goes_to_other_gear_is_drawn_at_its_time(tmp_path: Path) -> None:
    planned = replace(plan(sounds=[sound()], reset_s=3.0), messages=to_other_gear())
    draw_plan(planned, tmp_path / "plan.svg")
    drawn = Drawn(tmp_path / "plan.svg")
    zero, per_s = drawn.clock("cue", DELAY_S)
    assert (drawn.xs("cue-message-1")[0] - zero) / per_s == pytest.approx(DELAY_S, abs=0.001)
    code_s = [(x - zero) / per_s for x in drawn.xs("cue-message-2")]
    assert (min(code_s), max(code_s)) == pytest.approx((0.0, 1.5), abs=0.001)
    assert {"other gear acts", "time code"} <= set(drawn.texts)
    with drawing_settings([]):
        assert unreadable(plan_figure(planned, None)) == []


@given(st.integers(1, 4000), st.integers(1, 3), st.floats(-1.0, 1.0), st.floats(0.01, 1.0))
def test_an_envelope_reaches_every_extreme_in_view(
    frames: int, channels: int, first_s: float, view_s: float
) -> None:
    rate_hz = 8000
    samples = np.random.default_rng(frames).uniform(-1, 1, (frames, channels)).astype(np.float32)
    times_s, low, high = envelope(samples, rate_hz, first_s, (0.0, view_s), 5.0)
    at_s = first_s + np.arange(frames) / rate_hz
    inside = samples[(at_s >= 0.0) & (at_s < view_s)]
    if len(inside):
        assert low.min() <= inside.min()
        assert high.max() >= inside.max()
        assert low.min() >= samples.min()
        assert high.max() <= samples.max()
    assert np.all(np.diff(times_s) > 0)
    assert np.all(low <= high)
    assert len(times_s) <= 5.0 * 110 + 1


# ---- trials


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    """Two channels of quiet noise; in the second, a bang 600 ms after 1 s and after 3 s."""
    rate_hz = 48000
    sound_ = 0.001 * np.random.default_rng(1).standard_normal((5 * rate_hz, 2))
    for bang_s in (1.6, 3.6):
        sound_[int(bang_s * rate_hz) : int((bang_s + 0.05) * rate_hz), 1] += 0.5
    path = tmp_path / "cellar.wav"
    write_wav(path, sound_.astype(np.float32), rate_hz)
    return path


def test_trials_are_drawn_with_pop_and_impact(tmp_path: Path, recording: Path) -> None:
    trials = [
        Trial(trigger_s=1.0, pop_s=1.6, impact_s=1.61),
        Trial(trigger_s=3.0, pop_s=3.6, impact_s=3.61),
        Trial(trigger_s=4.5, pop_s=None),
    ]
    measured = measurement(trials)
    draw_trials(measured, recording, tmp_path / "trials.svg")
    drawn = Drawn(tmp_path / "trials.svg")
    zero, median = drawn.xs("trials-trigger")[0], drawn.xs("trials-median")[0]
    per_s = (median - zero) / 0.6
    for number in (1, 2):
        assert (drawn.xs(f"trials-pop-{number}")[0] - zero) / per_s == pytest.approx(0.6, abs=0.001)
        assert (drawn.xs(f"trials-impact-{number}")[0] - zero) / per_s == pytest.approx(0.61, abs=0.001)
    assert "trials-pop-3" not in drawn.by_id
    assert "misfire: no pop heard" in drawn.texts
    assert "600.0 ms" in drawn.texts


def test_the_microphone_s_channel_is_drawn(tmp_path: Path, recording: Path) -> None:
    from dataclasses import replace

    measured = replace(measurement([Trial(trigger_s=1.0, pop_s=1.6)]), microphone_channel=2)
    draw_trials(measured, recording, tmp_path / "trials.svg")
    drawn = Drawn(tmp_path / "trials.svg")
    wave = drawn.by_id["trials-wave-1"]
    numbers = [float(n) for path in wave.iter(f"{SVG}path") for n in NUMBERS.findall(path.get("d", ""))]
    xs, ys = np.array(numbers[::2]), np.array(numbers[1::2])
    zero, median = drawn.xs("trials-trigger")[0], drawn.xs("trials-median")[0]
    loudest_s = (xs[np.argmin(ys)] - zero) / (median - zero) * 0.6
    assert 0.59 < loudest_s < 0.66


def test_many_trials_are_drawn_in_part_and_it_says_so(tmp_path: Path, recording: Path) -> None:
    measured = measurement([Trial(trigger_s=1.0, pop_s=1.6)] * 70)
    draw_trials(measured, recording, tmp_path / "trials.svg")
    assert "70 pops at 70 triggers; the first 60 are drawn." in Drawn(tmp_path / "trials.svg").texts


def test_drawing_leaves_alone_the_library_s_global_state(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from tests.report.building import plan;"
        "from cuesync.report.picture import draw_plan; draw_plan(plan(), Path(sys.argv[1]));"
        "sys.exit('matplotlib.pyplot' in sys.modules or 'scipy' in sys.modules)"
    )
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path / "cue.png")], cwd=root, check=False)
    assert done.returncode == 0
