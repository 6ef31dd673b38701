"""The fixtures of a scene, and whether those of all the night's scenes can go together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from cuesync.devices.fixtures import SLOTS, Fixture
from cuesync.devices.light_addresses import DmxLight, FixtureLight, parse_light
from cuesync.errors import InputError, Problem
from cuesync.plan.lights import fixtures_known, parsed_colour
from cuesync.plan.plan import Plan
from cuesync.scene.fixture_part import FixturePart
from cuesync.scene.load import SceneFile

INCANDESCENT_S = 0.250
"""An incandescent vehicle lamp takes about this long to 90 % of its light (UMTRI-93-37)."""


def planned_fixture(part: FixturePart) -> Fixture:
    """A fixture as a scene describes it."""
    delay_s = INCANDESCENT_S if part.lamp == "incandescent" else 0.0
    if part.lamp_delay_ms is not None:
        delay_s = part.lamp_delay_ms / 1000.0
    return Fixture(
        name=part.name,
        universe=part.universe,
        start_slot=part.start_slot,
        channels=tuple(part.channels),
        shutter_open=part.shutter_open or 0,
        shutter_closed=part.shutter_closed,
        filter_colour=parsed_colour(part.filter_colour),
        rest_level=part.rest_level,
        rest_colour=parsed_colour(part.rest_colour),
        safe_level=part.safe_level,
        lamp_delay_s=delay_s,
    )


def fixture_problems(files: Sequence[SceneFile]) -> tuple[Problem, ...]:
    """Slots that don't exist, and slots that lights of these scenes would take from each other.

    Scenes may share a fixture that both describe alike.
    """
    return (*_among_fixtures(files), *_plain_slots(files))


def _described(files: Sequence[SceneFile]) -> list[tuple[SceneFile, int, Fixture]]:
    return [
        (file, place, planned_fixture(part))
        for file in files
        for place, part in enumerate(file.content.fixture)
    ]


def _among_fixtures(files: Sequence[SceneFile]) -> Iterator[Problem]:
    described = _described(files)
    for number, (file, place, fixture) in enumerate(described):
        count, last = len(fixture.channels), fixture.slots[-1]
        if last > SLOTS:
            yield file.problem(
                ("fixture", place, "start_slot"),
                f"with {count} channels it would end at slot {last}; a universe ends at {SLOTS}.",
                f"Start at {SLOTS + 1 - count} or before.",
            )
        for other_file, _, other in described[:number]:
            elsewhere = "" if other_file is file else f" in {other_file.path}"
            if fixture.name == other.name and (not elsewhere or fixture != other):
                yield file.problem(
                    ("fixture", place, "name"),
                    f"{fixture.name!r} is described otherwise{elsewhere}."
                    if elsewhere
                    else f"two fixtures are called {fixture.name!r}.",
                    "Describe it alike in every scene, or give one of them another name."
                    if elsewhere
                    else "Give each its own name.",
                )
            elif fixture.name != other.name and _share_slots(fixture, other):
                yield file.problem(
                    ("fixture", place, "start_slot"),
                    f"{_slots_text(fixture)} overlap those of the fixture {other.name!r}{elsewhere} "
                    f"({_slots_text(other)}).",
                    "Give it other slots, as they are set on the fixture itself.",
                )


def _plain_slots(files: Sequence[SceneFile]) -> Iterator[Problem]:
    fixtures = [fixture for _, _, fixture in _described(files)]
    for file in files:
        for key, part in file.content.light_parts:
            for fixture in fixtures_at(part.light, fixtures):
                yield file.problem(
                    (*key, "light"),
                    f"{part.light} is a slot of the fixture {fixture.name!r}.",
                    f'Write "{fixture.address}", or give the fixture other slots.',
                )


def fixtures_at(light: str, fixtures: Sequence[Fixture]) -> list[Fixture]:
    """Those of the fixtures that a plain DMX address reaches into."""
    slot = parse_light(light)
    if not isinstance(slot, DmxLight):
        return []
    return [one for one in fixtures if slot.universe == one.universe and slot.slot in one.slots]


def check_house_lights(lights: Sequence[str], plans: Sequence[Plan]) -> None:
    """InputError where a house light names a fixture that no scene describes, or a slot inside one."""
    fixtures = {fixture.name: fixture for plan in plans for fixture in plan.fixtures}
    for light in lights:
        address = parse_light(light)
        if isinstance(address, FixtureLight) and address.name not in fixtures:
            raise InputError(
                f'no scene describes the house light "{light}". {fixtures_known(tuple(fixtures))}'
            )
        for fixture in fixtures_at(light, tuple(fixtures.values())):
            raise InputError(
                f'the house light "{light}" is a slot of the fixture {fixture.name!r}. '
                f'Write "{fixture.address}".'
            )


def _share_slots(one: Fixture, two: Fixture) -> bool:
    apart = one.slots[-1] < two.start_slot or two.slots[-1] < one.start_slot
    return one.universe == two.universe and not apart


def _slots_text(fixture: Fixture) -> str:
    return f"slots {fixture.start_slot} to {fixture.slots[-1]} of universe {fixture.universe}"
