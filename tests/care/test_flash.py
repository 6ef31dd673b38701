"""Flashes against WCAG 2.3.1 and the HSE's advice for clubs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.care.flash import (
    DARK,
    flash_times_s,
    flashes_by_view,
    flashes_in_any_second,
    is_saturated_red,
    lamp_states,
    longest_train_s,
)
from cuesync.care.flash_limit import flash_reasons
from cuesync.devices.fixtures import Fixture, Meaning
from cuesync.devices.ports import WHITE, Colour
from cuesync.devices.simulated import SimulatedClock, SimulatedLights
from cuesync.plan.care import Care
from cuesync.plan.plan import LightShape, LightStep, Plan, PlannedLight
from cuesync.show.lights import LightDesk
from tests.care.plans import BARE
from tests.show.simulation import Simulation


def light(at_s: float, length_s: float = 0.05, name: str = "midi:36") -> PlannedLight:
    return PlannedLight(light=name, at_s=at_s, length_s=length_s, lands_s=at_s, path_s=0.0)


def plan(title: str, *starts_s: float, care: Care | None = None, reset_s: float = 9.0) -> Plan:
    lights = tuple(light(start_s) for start_s in starts_s)
    return replace(BARE, title=title, lights=lights, reset_s=reset_s, care=care or Care())


@pytest.mark.parametrize(
    ("starts_s", "count"),
    # WCAG 2.3.1: no more than three flashes in any one second
    [
        ([0.0, 0.4, 0.8], 3),
        ([0.0, 0.3, 0.6, 0.9], 4),
        ([0.0, 0.34, 0.68, 1.02], 3),
        ([0.7 + k / 3 for k in range(10)], 3),
        ([0.5] * 5, 1),
        ([], 0),
    ],
)
def test_flashes_in_any_second(starts_s: list[float], count: int) -> None:
    assert flashes_in_any_second([light(start_s) for start_s in starts_s]) == count
    (view,) = flashes_by_view([plan("t", *starts_s)]) or (None,)
    assert (view is not None and view.over_limit) is (count > 3)


def test_flashes_of_several_lights_add_up() -> None:
    # HSE: several circuits add up
    assert flashes_in_any_second([light(0.25 * k, name=f"midi:{36 + k}") for k in range(4)]) == 4


@pytest.mark.parametrize(
    ("levels", "count"),
    # WCAG, general flash: opposing changes of 10 % or more, the darker state below 0.80
    [
        ([1.0, 0.0], 1),
        ([1.0], 0),
        ([0.10, 0.0], 1),
        ([0.09, 0.0], 0),
        ([1.0, 0.79, 1.0, 0.79], 2),
        ([1.0, 0.80, 1.0, 0.80, 1.0, 0.80], 0),
        ([1.0, 0.85, 0.7, 0.85, 1.0, 0.0], 2),
        ([0.02, 0.04, 0.06, 0.08, 0.10, 0.08, 0.06, 0.04, 0.02, 0.0], 1),  # a slow swell is one
    ],
)
def test_what_is_a_flash(levels: list[float], count: int) -> None:
    assert len(flash_times_s([(0.1 * k, level) for k, level in enumerate(levels)])) == count


STARTS = st.lists(st.integers(0, 500).map(lambda hundredths: hundredths / 100), max_size=20)


@given(STARTS, st.integers(0, 1000).map(lambda hundredths: hundredths / 100))
def test_counting_flashes_does_not_depend_on_order_or_start(starts_s: list[float], shift_s: float) -> None:
    moved = [light(start_s + shift_s) for start_s in reversed(starts_s)]
    assert flashes_in_any_second(moved) == flashes_in_any_second([light(s) for s in starts_s])


def test_shapes_end_to_end_leave_no_gap() -> None:
    # 1.32 + 0.05 is not 1.37 in binary
    assert flashes_in_any_second([light(0.63 + 0.69), light(0.68 + 0.69)]) == 1


@given(STARTS, STARTS, st.integers(-500, 500).map(lambda hundredths: hundredths / 100))
def test_a_view_holds_at_least_what_any_timing_shows(
    one_s: list[float], other_s: list[float], apart_s: float
) -> None:
    """The sum of the worst seconds bounds every relative timing."""
    views = flashes_by_view([plan("a", *one_s), plan("b", *other_s)])
    later = [light(start_s + apart_s, name="midi:37") for start_s in other_s]
    seen = flashes_in_any_second([*(light(start_s) for start_s in one_s), *later])
    assert sum(view.per_second for view in views) >= seen


def test_scenes_in_one_view_add_up_and_others_do_not() -> None:
    hall = Care(view="hall")
    scenes = [plan("a", 0.5, 0.7, care=hall), plan("b", 0.5, 0.7, care=hall), plan("c", 0.5, care=Care())]
    first, second = flashes_by_view(scenes)
    assert (first.view, first.per_second, first.over_limit) == ("hall", 4, True)
    assert (second.view, second.per_second, second.over_limit) == ("", 1, False)
    assert "up to 4 flashes within one second in the view 'hall' if scenes fall together (a: 2, b: 2)" in (
        first.what
    )


def test_the_end_of_a_cue_meets_the_start_of_the_next() -> None:
    """Pressed again as soon as it can be."""
    (view,) = flashes_by_view([plan("t", 0.1, 0.3, 1.7, 1.9, reset_s=2.0)])
    assert view.per_second == 4
    (view,) = flashes_by_view([plan("t", 0.1, 0.3, 1.7, 1.9, reset_s=3.0)])
    assert view.per_second == 2
    (view,) = flashes_by_view([plan("t", 0.1, reset_s=0.25)])
    assert view.per_second == 4


TAIL = (0.02, 0.3, 0.6, 1.1, 1.4, 1.7)
LIMIT = "gpio:17"


def pressed_again(scene: Plan, after_s: float) -> Simulation:
    """The limit switch, where the scene has one, closes just before the second press."""
    night = Simulation([scene], closed=[LIMIT])
    pressed_s = night.clock.now_s() + 0.1
    for again_s in (0.0, after_s):
        night.contacts.press("key:space", pressed_s + again_s, hold_s=0.001)
    night.contacts.edge(LIMIT, False, pressed_s + 0.1)
    night.contacts.edge(LIMIT, True, pressed_s + after_s - 0.005)
    night.clock.sleep_s(after_s + scene.cue_length_s + 1.0)
    return night


@pytest.mark.parametrize(
    "habits",
    [
        {},
        {"limit_contact": LIMIT},
        {"limit_contact": LIMIT, "pops_s": (2.1, 2.5), "delay_s": 2.2},
        {"limit_contact": LIMIT, "between_groups_s": 3.0},
        {"limit_contact": LIMIT, "hold_off_s": 4.0},
        {"between_groups_s": 12.0, "hold_off_s": 11.0},
        {"reset_s": 0.5},
    ],
)
def test_the_soonest_next_cue_is_the_one_that_the_show_takes(habits: dict[str, Any]) -> None:
    scene = replace(plan("t", *TAIL), debounce_s=0.0, **habits)
    assert pressed_again(scene, scene.soonest_again_s - 0.01).show.scares == 1
    night = pressed_again(scene, scene.soonest_again_s + 0.01)
    assert night.show.scares == 2
    lit_s = [at_s for at_s, command in night.lights.sent if command.on]
    seen = max(sum(first_s <= at_s < first_s + 1.0 for at_s in lit_s) for first_s in lit_s)
    (view,) = flashes_by_view([scene])
    assert view.per_second >= seen


def test_with_a_limit_switch_the_next_cue_may_follow_at_once() -> None:
    """The switch may close as soon as the pop has come, whatever reset_s says."""
    # WCAG 2.3.1: three at most
    (view,) = flashes_by_view([replace(plan("t", *TAIL), limit_contact=LIMIT)])
    assert (view.per_second, view.over_limit) == (5, True)
    (view,) = flashes_by_view([replace(plan("t", *TAIL), limit_contact=LIMIT, between_groups_s=3.0)])
    assert view.per_second == 3


def test_small_flashes_pass_as_long_as_all_of_them_are_small_together() -> None:
    # WCAG: 0.006 sr within any 10° of the view
    five = (0.1, 0.3, 0.5, 0.7, 0.9)
    small, large = Care(flash_area_sr=0.006), Care(flash_area_sr=0.0061)
    assert not flashes_by_view([plan("t", *five, care=small)])[0].over_limit
    assert flashes_by_view([plan("t", *five, care=large)])[0].over_limit
    both = flashes_by_view([plan("a", *five, care=small), plan("b", *five, care=small)])
    assert both[0].per_second == 10


def test_a_reason_of_the_user_takes_its_scene_out_and_is_told() -> None:
    wild = plan("wild", 0.1, 0.3, 0.5, 0.7, care=Care(flash_reason="staff only"))
    tame = plan("tame", 0.5)
    (view,) = flashes_by_view([tame, wild])
    assert view.over_limit
    assert view.unexplained == ()
    (index, said), *_ = flash_reasons(flashes_by_view([tame, wild])).items()
    assert index == 1
    assert said.endswith("over the limit of 3; your reason: staff only")
    (view,) = flashes_by_view([wild, plan("own", 0.1, 0.3, 0.5, 0.7)])
    assert [scene.title for scene in view.unexplained] == ["own"]


def test_trains() -> None:
    assert longest_train_s([]) == 0.0
    assert longest_train_s([0.0, 0.5, 1.0, 5.0, 5.5]) == 1.0


def shape(
    kind: LightShape,
    at_s: float,
    length_s: float,
    *levels: tuple[float, float],
    colour: Colour = WHITE,
    priority: int = 100,
    lamp: str = "midi:36",
) -> PlannedLight:
    return PlannedLight(
        light=lamp,
        at_s=at_s,
        length_s=length_s,
        lands_s=at_s,
        path_s=0.0,
        shape=kind,
        steps=tuple(LightStep(at_s=step_s, level=level) for step_s, level in levels),
        colour=colour,
        priority=priority,
    )


def strobe(rate_hz: float, length_s: float, colour: Colour = WHITE, level: float = 1.0) -> PlannedLight:
    count = round(rate_hz * length_s)
    levels = [(half / rate_hz / 2, 0.0 if half % 2 else level) for half in range(2 * count)]
    return shape("strobe", 0.6, length_s, *levels, colour=colour)


@pytest.mark.parametrize(("rate_hz", "count"), [(3, 3), (4, 4), (10, 10), (25, 25)])
@pytest.mark.parametrize("colour", [WHITE, (1.0, 0.0, 0.0), (0.0, 0.0, 1.0)])
def test_a_strobe_counts_its_rate_in_every_colour(rate_hz: float, count: int, colour: Colour) -> None:
    assert flashes_in_any_second([strobe(rate_hz, 2.0, colour)]) == count


@pytest.mark.parametrize(
    ("colour", "red"),
    # WCAG: R/(R+G+B) of 0.8 or more, in linear light; green of 0.25 is code 137 (of 255)
    [
        ((1.0, 0.0, 0.0), True),
        ((0.2, 0.0, 0.0), True),
        ((1.0, 0.48, 0.3), False),
        ((1.0, 136 / 255, 0.0), True),
        ((1.0, 138 / 255, 0.0), False),
        ((1.0, 1.0, 1.0), False),
        ((0.0, 0.0, 1.0), False),
        ((0.0, 0.0, 0.0), False),
    ],
)
def test_saturated_red(colour: Colour, red: bool) -> None:
    assert is_saturated_red(colour) is red


def test_red_flashes_count_however_dim() -> None:
    # WCAG's red flash threshold has no least change of luminance
    dim = replace(BARE, lights=(strobe(5, 2.0, (1.0, 0.0, 0.0), level=0.05),))
    (view,) = flashes_by_view([dim])
    assert (view.per_second, view.red_per_second) == (5, 5)
    assert view.what == "5 flashes within one second, 5 of them red"
    assert flashes_in_any_second([strobe(5, 2.0, WHITE, level=0.05)]) == 0


def test_a_blackout_of_a_lit_lamp_is_a_flash() -> None:
    blackouts = [shape("blackout", 1.0 + 0.2 * k, 0.1, (0.0, 0.0)) for k in range(4)]
    assert flashes_in_any_second(blackouts) == 4
    lit = shape("eyes", 0.0, 5.0, (0.0, 1.0))
    assert flashes_in_any_second([lit, *blackouts]) == 4
    assert flashes_in_any_second([lit, blackouts[0]]) <= 2


def test_a_dim_shape_over_a_bright_one_is_a_flash() -> None:
    lit = shape("eyes", 0.0, 9.0, (0.0, 1.0))
    dips = [shape("flash", 3.0 + 0.2 * k, 0.1, (0.0, 0.05), priority=150) for k in range(5)]
    assert flashes_in_any_second(dips) == 0
    assert flashes_in_any_second([lit, *dips]) == 5
    assert flashes_in_any_second([lit, *(replace(dip, priority=50) for dip in dips)]) == 1


def test_one_lamp_with_two_spellings() -> None:
    # the channel of a MIDI light is 1 where none is written
    end_to_end = [light(0.5 + 0.1 * k, 0.1, "midi:36" if k % 2 else "midi:1:36") for k in range(8)]
    assert flashes_in_any_second(end_to_end) == 1


def test_changes_of_colour_are_changes_of_light() -> None:
    blue, white = (0.0, 0.0, 1.0), WHITE
    turns = [
        shape("flash", 1.0 + 0.1 * k, 0.1, (0.0, 1.0), colour=blue if k % 2 else white) for k in range(10)
    ]
    assert flashes_in_any_second(turns) == 5


def test_a_slow_fade_is_one_flash() -> None:
    steps = [(0.01 * k, k / 100) for k in range(101)]
    assert flashes_in_any_second([shape("fade", 0.5, 1.1, *steps)]) == 1


@given(st.lists(st.tuples(st.integers(0, 300), st.integers(1, 50), st.integers(0, 10)), max_size=8))
def test_shapes_on_one_lamp_show_one_level_at_a_time(drawn: list[tuple[int, int, int]]) -> None:
    """Among equals the highest level decides, as the show does it."""
    shapes = [shape("flash", at / 100, long / 100, (0.0, level / 10)) for at, long, level in drawn]
    states = lamp_states(shapes, DARK)
    for probe_s in (k / 100 + 0.005 for k in range(360)):
        shown = next((level for at_s, level, _ in reversed(states) if at_s <= probe_s), 0.0)
        wanted = [level / 10 for at, long, level in drawn if at / 100 <= probe_s < at / 100 + long / 100]
        assert shown == max(wanted, default=0.0)


def wash(rest_level: float, rest_colour: Colour = WHITE, *channels: Meaning) -> Fixture:
    return Fixture(
        name="wash",
        universe=1,
        start_slot=1,
        channels=channels or ("dimmer", "red", "green", "blue"),
        rest_level=rest_level,
        rest_colour=rest_colour,
    )


def on_wash(*levels: float, colour: Colour = WHITE) -> list[PlannedLight]:
    """A flash of 100 ms for each level, 200 ms apart."""
    return [
        shape("flash", 1.0 + 0.2 * k, 0.1, (0.0, level), colour=colour, lamp="fixture:wash")
        for k, level in enumerate(levels)
    ]


@pytest.mark.parametrize(
    ("rest_level", "rest_colour", "level", "colour", "count"),
    # WCAG 2.3.1: a change of 10 % or more, and the darker state below 0.80
    [
        (0.0, WHITE, 1.0, WHITE, 5),
        (0.5, WHITE, 1.0, WHITE, 5),
        (0.9, WHITE, 1.0, WHITE, 0),
        (0.7, WHITE, 0.75, WHITE, 0),
        (0.7, WHITE, 0.5, WHITE, 5),  # from a bright rest down and up again
        (1.0, WHITE, 1.0, (0.0, 0.0, 1.0), 5),
        (1.0, (0.0, 0.0, 1.0), 1.0, (0.0, 0.0, 1.0), 0),
        (0.05, WHITE, 0.05, (1.0, 0.0, 0.0), 5),  # into saturated red, however dim
    ],
)
def test_flashes_of_a_fixture_begin_at_its_rest(
    rest_level: float, rest_colour: Colour, level: float, colour: Colour, count: int
) -> None:
    fixture = wash(rest_level, rest_colour)
    assert flashes_in_any_second(on_wash(*[level] * 5, colour=colour), [fixture]) == count
    (view,) = flashes_by_view(
        [replace(BARE, lights=tuple(on_wash(*[level] * 5, colour=colour)), fixtures=(fixture,))]
    )
    assert view.per_second == count
    assert view.red_per_second == (count if colour == (1.0, 0.0, 0.0) else 0)


def test_out_of_a_red_rest_is_a_red_flash() -> None:
    red = wash(0.05, (1.0, 0.0, 0.0))
    (view,) = flashes_by_view([replace(BARE, lights=tuple(on_wash(0.05, 0.05)), fixtures=(red,))])
    assert view.red_per_second == 2
    # a lamp that has nothing but red rests in red, whatever it was asked for
    only_red = wash(0.05, WHITE, "red")
    (view,) = flashes_by_view([replace(BARE, lights=tuple(on_wash(0.05, 0.05)), fixtures=(only_red,))])
    assert view.red_per_second == 2


def test_a_blackout_of_a_fixture_at_rest_is_a_flash() -> None:
    blackouts = [shape("blackout", 1.0 + 0.2 * k, 0.1, (0.0, 0.0), lamp="fixture:wash") for k in range(4)]
    assert flashes_in_any_second(blackouts, [wash(0.3)]) == 4
    assert flashes_in_any_second(blackouts, [wash(0.0)]) == 4  # others may have it lit


def played(scenes: Sequence[Plan], starts_s: Sequence[float]) -> list[list[tuple[float, float]]]:
    """Red, green and blue of each lamp, as the show's own light desk brings the scenes together.

    Each scene plays twice, the second time as soon as it can.
    """
    clock = SimulatedClock()
    output = SimulatedLights(clock)
    desk = LightDesk(output, clock, lambda _: None)
    clock.attend(desk)
    for scene in scenes:
        for fixture in scene.fixtures:
            desk.rest(fixture.address, fixture.rest_level, fixture.rest_colour)
    zero_s = clock.now_s() + 1.0
    for scene, start_s in zip(scenes, starts_s, strict=False):
        for again_s in (0.0, scene.soonest_again_s):
            for planned in scene.lights:
                desk.play("t", planned, zero_s + start_s + again_s)
    clock.sleep_s(60.0)
    return [
        [
            (at_s, command.level * command.colour[part])
            for at_s, command in output.sent
            if command.light == lamp
        ]
        for lamp in sorted({command.light for _, command in output.sent})
        for part in range(3)
    ]


def in_a_second(times_s: Iterable[float]) -> int:
    """Most of these moments within any one second; those within a millisecond are one."""
    moments = sorted({round(at_s, 3) for at_s in times_s})
    return max((sum(first <= at < first + 1.0 - 1e-6 for at in moments) for first in moments), default=0)


def changes_s(levels: list[tuple[float, float]]) -> list[float]:
    """When a light that was dark changes, up or down: flashes begin with every other of these."""
    last = [(1e6, 1.0), (1e6 + 9.0, 0.0), (2e6, 1.0)]  # so that all of them find another to be a flash with
    return flash_times_s([*levels, *last]) + flash_times_s([(-1.0, 0.0), *levels, *last], before=1.0)[1:]


def on_shared(scene: str, *shapes: PlannedLight, rest_level: float = 0.0) -> Plan:
    return replace(BARE, title=scene, lights=shapes, fixtures=(wash(rest_level),), reset_s=0.2)


def test_a_shape_over_another_scenes_light_is_a_flash() -> None:
    """One scene keeps a lamp lit; dim shapes of the other, which alone would hardly show, come over it."""
    lit = on_shared("lit", shape("eyes", 0.1, 5.0, (0.0, 1.0), lamp="fixture:wash"))
    dips = [
        shape("flash", 0.2 + 0.1 * k, 0.05, (0.0, 0.05), priority=150, lamp="fixture:wash") for k in range(20)
    ]
    dim = on_shared("dim", *dips)
    (red, *_) = played([lit, dim], [0.0, 1.0])
    assert in_a_second(flash_times_s(red)) == 10
    (view,) = flashes_by_view([lit, dim])
    assert [scene.per_second for scene in view.scenes] == [1, 10]
    assert view.over_limit
    own = replace(dim, lights=tuple(replace(dip, light="midi:37") for dip in dips))
    assert flashes_by_view([lit, own])[0].per_second == 1


def test_plain_flashes_on_one_lamp_count_no_more_than_on_two() -> None:
    one, two = (on_shared(title, *on_wash(*[1.0] * count)) for title, count in (("one", 1), ("two", 2)))
    (view,) = flashes_by_view([one, two])
    assert (view.per_second, view.over_limit) == (3, False)


def test_red_of_another_scene_makes_red_flashes_of_what_covers_it() -> None:
    red = on_shared("red", *on_wash(0.3, colour=(1.0, 0.0, 0.0)))
    white = on_shared("white", *on_wash(0.3, 0.3))
    (view,) = flashes_by_view([red, white])
    assert [scene.red_per_second for scene in view.scenes] == [1, 2]
    (view,) = flashes_by_view([white, replace(white, title="other")])
    assert view.red_per_second == 0


TWENTIETHS = st.integers(0, 20).map(lambda steps: steps / 20)
COLOURS: list[Colour] = [WHITE, (1.0, 0.0, 0.0), (0.0, 0.4, 1.0)]


@st.composite
def drawn_shapes(
    draw: st.DrawFn, priorities: list[int], lamps: list[str], colours: list[Colour]
) -> PlannedLight:
    kind: LightShape = draw(st.sampled_from(["flash", "flash", "flash", "blackout"]))
    levels = [0.0] if kind == "blackout" else draw(st.lists(TWENTIETHS, min_size=1, max_size=6))
    step_s = draw(st.sampled_from([0.03, 0.07, 0.15, 0.4]))
    return shape(
        kind,
        draw(st.integers(0, 150)) / 100,
        step_s * len(levels),
        *((step_s * k, level) for k, level in enumerate(levels)),
        colour=draw(st.sampled_from(colours)),
        priority=draw(st.sampled_from(priorities)),
        lamp=draw(st.sampled_from(lamps)),
    )


def drawn_scene(priorities: list[int], *lamps: str, colours: Sequence[Colour] = (WHITE,)) -> Any:
    return st.lists(drawn_shapes(priorities, list(lamps), list(colours)), min_size=1, max_size=5)


APART = st.lists(st.integers(0, 400).map(lambda hundredths: hundredths / 100), min_size=3, max_size=3)
RESTS = st.sampled_from([0.0, 0.3, 0.75, 1.0])


@given(st.lists(drawn_scene([50, 100, 150], "fixture:wash"), min_size=2, max_size=3), APART, RESTS)
def test_a_view_holds_what_the_desk_makes_of_scenes_that_share_a_lamp(
    lights: list[list[PlannedLight]], starts_s: list[float], rest_level: float
) -> None:
    scenes = [on_shared(str(k), *own, rest_level=rest_level) for k, own in enumerate(lights)]
    (view,) = flashes_by_view(scenes)
    (red, *_) = played(scenes, starts_s)
    assert view.per_second >= in_a_second(flash_times_s(red[1:], before=rest_level))


@given(
    st.tuples(
        drawn_scene([50, 100], "fixture:wash", "midi:36", colours=COLOURS),
        drawn_scene([60, 110], "fixture:wash", "midi:36", colours=COLOURS),
        drawn_scene([70, 120], "fixture:wash", "midi:37", colours=COLOURS),
    ),
    APART,
    RESTS,
)
def test_a_view_holds_all_pairs_of_changes_of_several_lamps_in_several_colours(
    lights: Sequence[list[PlannedLight]], starts_s: list[float], rest_level: float
) -> None:
    # WCAG: a flash is a pair of opposing changes
    scenes = [on_shared(str(k), *own, rest_level=rest_level) for k, own in enumerate(lights)]
    changed_s = [at_s for part in played(scenes, starts_s) for at_s in changes_s(part)]
    (view,) = flashes_by_view(scenes)
    assert view.per_second >= in_a_second(changed_s) // 2


def test_all_changes_of_a_light_are_found() -> None:
    levels = [(1.0, 0.5), (2.0, 0.0), (3.0, 0.9), (4.0, 0.85), (5.0, 0.1)]
    assert sorted(at_s for at_s in changes_s(levels) if at_s < 1e5) == [1.0, 2.0, 3.0, 5.0]
