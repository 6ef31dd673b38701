"""Fixtures of a scene: how they are planned, and everything about them that can be wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from cuesync.devices.fixtures import FRAME_S, Fixture
from cuesync.errors import InputError
from cuesync.plan.fixtures import check_house_lights, fixture_problems
from cuesync.plan.plan import Plan
from cuesync.scene.load import SceneFile, read_scene
from tests.plan.test_resolve import plan_of, problems_of, scene

WASH = """
[[fixture]]
name = "wash"
universe = 2
start_slot = 11
channels = ["dimmer", "red", "green", "blue", 0, "shutter"]
shutter_open = 255
rest_level = 0.2
rest_colour = "#ff8000"
"""
PAR = """
[[fixture]]
name = "par"
universe = 2
start_slot = 17
channels = ["dimmer"]
lamp = "incandescent"
"""


def flash(light: str = "fixture:wash", more: str = "") -> str:
    return f'[[flash]]\nat_ms = 100\nlength_ms = 80\nlight = "{light}"\n{more}'


def planned(folder: Path, text: str) -> Plan:
    return plan_of(folder, scene(flash=text))


def test_a_fixture_is_planned_as_it_is_described(tmp_path: Path) -> None:
    plan = planned(tmp_path, WASH + flash(more='colour = "#0000ff"\nlevel = 0.5\n'))
    assert plan.fixtures == (
        Fixture(
            name="wash",
            universe=2,
            start_slot=11,
            channels=("dimmer", "red", "green", "blue", 0, "shutter"),
            rest_level=0.2,
            rest_colour=(1.0, 128 / 255, 0.0),
        ),
    )
    (light,) = plan.lights
    assert (light.light, light.colour, light.steps[0].level) == ("fixture:wash", (0.0, 0.0, 1.0), 0.5)
    assert light.frame_wait_s == FRAME_S
    assert (
        "fixture:wash: a light on the network waits for the next DMX frame and comes up to 22.7 ms later "
        "than planned; nothing is taken off for that"
    ) in plan.remarks


@pytest.mark.parametrize(
    ("lamp", "more", "path_ms"),
    # 250 ms: an incandescent vehicle lamp to 90 % of its light (UMTRI-93-37)
    [
        ("", "", 0.0),
        ('lamp = "led"\n', "", 0.0),
        ('lamp = "incandescent"\n', "", 250.0),
        ("lamp_delay_ms = 40\n", "", 40.0),
        ('lamp = "incandescent"\n', "lamp_delay_ms = 10\n", 10.0),
        ('lamp = "incandescent"\n', "lamp_delay_ms = 0\n", 0.0),
    ],
)
def test_a_slow_lamp_is_sent_early(tmp_path: Path, lamp: str, more: str, path_ms: float) -> None:
    """The delay is 640 ms, and the flash is to be seen 100 ms after the pop."""
    fixture = '[fixture]\nname = "par"\nuniverse = 1\nstart_slot = 1\nchannels = ["dimmer"]\n'
    (light,) = planned(tmp_path, fixture + lamp + flash("fixture:par", more)).lights
    assert light.path_s == pytest.approx(path_ms / 1000.0)
    assert light.lands_s == pytest.approx(0.740)
    assert light.at_s == pytest.approx(0.740 - path_ms / 1000.0)


def test_eyes_on_a_slow_fixture_end_with_the_cue(tmp_path: Path) -> None:
    eyes = '[[eyes]]\nat_ms = 100\nlight = "fixture:par"\n'
    plan = planned(tmp_path, PAR + eyes)
    (light,) = plan.lights
    assert light.at_s == pytest.approx(0.490)
    # the clip of 1 s begins 0.4 s before its hit
    assert light.at_s + light.length_s == pytest.approx(0.640 - 0.4 + 1.0, abs=0.01)


def test_a_fade_on_a_fixture_has_a_step_a_frame(tmp_path: Path) -> None:
    fade = '[[fade]]\nat_ms = 0\nlength_ms = 1000\nfrom_level = 0\nto_level = 1\nlight = "fixture:wash"\n'
    (light,) = planned(tmp_path, WASH + fade).lights
    assert len(light.steps) == 44  # whole frames of 22.676 ms in a second
    assert light.steps[1].at_s == pytest.approx(1.0 / 44)


def test_the_light_is_what_channels_and_filter_let_through(tmp_path: Path) -> None:
    one = '[fixture]\nname = "one"\nuniverse = 1\nstart_slot = 1\nchannels = ["red"]\n'
    assert planned(tmp_path, one + flash("fixture:one")).lights[0].colour == (1.0, 0.0, 0.0)
    gel = '[fixture]\nname = "gel"\nuniverse = 1\nstart_slot = 1\nchannels = ["dimmer"]\n'
    gel += 'filter_colour = "#ff0000"\n'
    assert planned(tmp_path, gel + flash("fixture:gel")).lights[0].colour == (1.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            WASH + flash("fixture:wish"),
            "scene.toml:21: flash[1].light: the scene describes no fixture 'wish'. There are: wash.",
        ),
        (
            flash("fixture:wish"),
            "scene.toml:12: flash[1].light: the scene describes no fixture 'wish'. Describe it: [[fixture]] "
            "with its name, universe, start_slot and channels.",
        ),
        (
            PAR + flash("fixture:par", 'colour = "#ff0000"\n'),
            "scene.toml:20: flash[1].colour: the fixture 'par' has no channel for red, green or blue. Leave "
            "colour out, or say in [[fixture]] which channels they are; a filter in front of the lamp is "
            "filter_colour there.",
        ),
        (
            PAR.replace('"dimmer"', '"red", "red"').replace("17", "511") + flash("fixture:par"),
            None,
        ),
        (
            PAR.replace('"dimmer"', '"red"') + flash("fixture:par", 'colour = "#00ffff"\n'),
            "scene.toml:20: flash[1].colour: the fixture 'par' can show nothing of this colour. Take one "
            "that its channels have: red.",
        ),
        (
            WASH.replace("11", "508") + flash(),
            "scene.toml:13: fixture[1].start_slot: with 6 channels it would end at slot 513; a universe ends "
            "at 512. Start at 507 or before.",
        ),
        (WASH.replace("11", "507") + flash(), None),
        (
            WASH + PAR.replace("17", "16") + flash(),
            "scene.toml:22: fixture[2].start_slot: slots 16 to 16 of universe 2 overlap those of the fixture "
            "'wash' (slots 11 to 16 of universe 2). Give it other slots, as they are set on the fixture "
            "itself.",
        ),
        (WASH + PAR + flash(), None),
        (WASH + PAR.replace("17", "16").replace("universe = 2", "universe = 3") + flash(), None),
        (
            WASH + PAR.replace("par", "wash") + flash(),
            "scene.toml:20: fixture[2].name: two fixtures are called 'wash'. Give each its own name.",
        ),
        (
            WASH + flash("dmx:2:16"),
            "scene.toml:21: flash[1].light: dmx:2:16 is a slot of the fixture 'wash'. Write "
            '"fixture:wash", or give the fixture other slots.',
        ),
        (WASH + flash("dmx:2:17"), None),
        (WASH + flash("dmx:1:16"), None),
        (
            WASH + flash().replace("80", "20"),
            "scene.toml:18: flash[1]: a step of 20.0 ms is shorter than a DMX frame (22.7 ms), so "
            "fixture:wash may never show it. Make it longer, or lower the rate.",
        ),
    ],
)
def test_what_can_not_go_together_is_told_where_it_stands(
    tmp_path: Path, text: str, said: str | None
) -> None:
    if said is None:
        assert planned(tmp_path, text).fixtures
    else:
        assert problems_of(tmp_path, scene(flash=text)) == [said]


def in_fixture(old: str, new: str) -> str:
    assert old in WASH
    return WASH.replace(old, new) + flash()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            in_fixture('"green"', '"grin"'),
            "fixture[1].channels: 'grin' is no meaning of a channel (number 3 of the list). Write dimmer, "
            "red, green, blue, white, shutter, or a number from 0 to 255 at which it is held.",
        ),
        (in_fixture(" 0,", " 256,"), "256 is no meaning of a channel (number 5 of the list)"),
        (in_fixture(" 0,", " true,"), "True is no meaning of a channel (number 5 of the list)"),
        (in_fixture(" 0,", " 0.5,"), "0.5 is no meaning of a channel (number 5 of the list)"),
        (in_fixture(" 0,", ' ["red"],'), "['red'] is no meaning of a channel (number 5 of the list)"),
        (in_fixture('["dimmer", "red", "green", "blue", 0, "shutter"]', "[]"), "fixture[1].channels: "),
        (in_fixture('["dimmer", "red", "green", "blue", 0, "shutter"]', '"dimmer"'), "fixture[1].channels: "),
        (
            in_fixture('"dimmer", "red", "green", "blue", 0, ', ""),
            "fixture[1]: none of its channels gives light.",
        ),
        (in_fixture("shutter_open = 255\n", ""), "fixture[1]: a shutter among the channels and shutter_open"),
        (in_fixture(', "shutter"', ""), "fixture[1]: a shutter among the channels and shutter_open"),
        (in_fixture("start_slot = 11", "start_slot = 0"), "fixture[1].start_slot: 0 is out of range."),
        (in_fixture("universe = 2", "universe = 64000"), "fixture[1].universe: 64000 is out of range."),
        (in_fixture('"wash"', '" wash"'), 'fixture[1].name: "fixture: wash" names no fixture.'),
        (in_fixture('"wash"', '""'), 'fixture[1].name: "fixture:" names no fixture.'),
        (in_fixture('name = "wash"\n', ""), "fixture[1].name: this key is missing. Add name = …"),
        (in_fixture("rest_level = 0.2", "rest_level = 20"), "fixture[1].rest_level: 20 is out of range."),
        (in_fixture("rest_level", "rest_levle"), "Did you mean rest_level?"),
        (in_fixture("#ff8000", "orange"), 'fixture[1].rest_colour: "orange" is not a colour.'),
        (in_fixture("rest_level = 0.2", 'lamp = "neon"'), "fixture[1].lamp: 'neon' is not known."),
        (
            in_fixture("rest_level = 0.2", 'lamp = "led"\nlamp_delay_ms = 30'),
            "fixture[1]: both lamp and lamp_delay_ms are given.",
        ),
        (
            in_fixture("rest_level = 0.2", 'filter_colour = "#ff0000"'),
            "fixture[1]: filter_colour is for a lamp without colours of its own.",
        ),
        (
            PAR + 'rest_colour = "#ff0000"\n' + flash("fixture:par"),
            "fixture[1]: rest_colour asks for a colour, but none of its channels is red, green or blue.",
        ),
    ],
)
def test_a_table_that_makes_no_sense_is_told(tmp_path: Path, text: str, said: str) -> None:
    (told,) = problems_of(tmp_path, scene(flash=text))
    assert said in told


def test_a_broken_scene_tells_all_its_problems_at_once(tmp_path: Path) -> None:
    text = (
        WASH.replace("11", "509")
        + PAR.replace("17", "512")
        + flash("fixture:wash", 'colour = "#00ff00"\n')
        + flash("fixture:par", 'colour = "#00ff00"\n')
        + flash("fixture:lost")
        + flash("dmx:2:509")
    )
    told = problems_of(tmp_path, scene(flash=text))
    assert [said.split(": ")[1] for said in told] == [
        "fixture[1].start_slot",
        "fixture[2].start_slot",
        "flash[2].colour",
        "flash[3].light",
        "flash[4].light",
    ]


def scene_files(folder: Path, *texts: str) -> list[SceneFile]:
    files = []
    for number, text in enumerate(texts):
        path = folder / f"scene{number}.toml"
        path.write_text(scene(flash=text), encoding="utf-8")
        files.append(read_scene(path))
    return files


def test_scenes_of_one_night_share_a_fixture_only_if_they_describe_it_alike(tmp_path: Path) -> None:
    wash = WASH + flash()
    assert fixture_problems(scene_files(tmp_path, wash, WASH + PAR + flash("fixture:par"))) == ()
    for other, said in (
        (
            WASH.replace("0.2", "0.3") + flash(),
            f"{tmp_path}/scene1.toml:11: fixture[1].name: 'wash' is described otherwise in "
            f"{tmp_path}/scene0.toml. Describe it alike in every scene, or give one of them another name.",
        ),
        (
            WASH.replace("wash", "other") + flash("fixture:other"),
            f"{tmp_path}/scene1.toml:13: fixture[1].start_slot: slots 11 to 16 of universe 2 overlap those "
            f"of the fixture 'wash' in {tmp_path}/scene0.toml (slots 11 to 16 of universe 2). Give it other "
            "slots, as they are set on the fixture itself.",
        ),
        (
            flash("dmx:2:13"),
            f"{tmp_path}/scene1.toml:12: flash[1].light: dmx:2:13 is a slot of the fixture 'wash'. Write "
            '"fixture:wash", or give the fixture other slots.',
        ),
    ):
        files = scene_files(tmp_path, wash, other)
        assert [str(problem) for problem in fixture_problems(files)] == [said]
        assert len(fixture_problems(files[::-1])) == 1


def test_a_house_light_is_a_fixture_that_some_scene_describes(tmp_path: Path) -> None:
    plans = [planned(tmp_path, WASH + flash())]
    check_house_lights(["fixture:wash", "dmx:2:17", "midi:5"], plans)
    with pytest.raises(InputError, match=r'describes the house light "fixture:wish"\. There are: wash\.'):
        check_house_lights(["fixture:wish"], plans)
    with pytest.raises(
        InputError, match=r'"dmx:2:12" is a slot of the fixture \'wash\'\. Write "fixture:wash"'
    ):
        check_house_lights(["dmx:2:12"], plans)
