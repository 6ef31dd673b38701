"""Fixtures and flashes in what `check`, `run`, `align` and `rehearse` say."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cuesync.cli import cuesync
from cuesync.cli import main as program
from cuesync.plan.plan import Plan

WASH = """
[[fixture]]
name = "wash"
universe = 1
start_slot = 1
channels = ["dimmer", "red", "green", "blue"]
rest_level = 0.2
"""


def scene(folder: Path, name: str, text: str) -> Path:
    path = folder / f"{name}.toml"
    top = f'title = "{name}"\n[prop]\ntrigger_to_pop_ms = 500\nreset_s = 5\n'
    path.write_text(top + text, encoding="utf-8")
    return path


def flashes(count: int) -> str:
    one = '[[flash]]\nat_ms = {}\nlength_ms = 50\nlight = "fixture:wash"\ncolour = "#ff0000"\nlevel = 0.5\n'
    return "".join(one.format(200 * k) for k in range(count))


def call(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cuesync, [str(argument) for argument in arguments])


def test_scenes_that_describe_a_fixture_otherwise_are_a_problem(tmp_path: Path) -> None:
    one = scene(tmp_path, "one", WASH + flashes(1))
    other = scene(tmp_path, "other", WASH.replace("0.2", "0.4") + flashes(1))
    assert call("check", one).exit_code == call("check", other).exit_code == 0
    done = call("check", one, other)
    assert done.exit_code == 1
    said = f"{other}:7: fixture[1].name: 'wash' is described otherwise in {one}."
    assert f"problem: {said}" in done.stdout
    assert f"{one}: can be played" in done.stdout
    (problem,) = json.loads(call("check", "--json", one, other).stdout)["scenes"][1]["problems"]
    assert (problem["line"], problem["key"]) == (7, "fixture[1].name")


def test_run_refuses_what_check_finds(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    one = scene(tmp_path, "one", WASH + flashes(1))
    other = scene(tmp_path, "other", WASH.replace('"wash"', '"back"') + flashes(1).replace("wash", "back"))
    monkeypatch.setattr("sys.argv", ["cuesync", "run", str(one), str(other)])
    with pytest.raises(SystemExit) as ended:
        program()
    assert ended.value.code == 2
    assert "overlap those of the fixture 'wash'" in capsys.readouterr().err


def test_align_tells_the_whole_light_and_how_it_flashes(tmp_path: Path) -> None:
    path = scene(tmp_path, "one", WASH + flashes(2))
    told = json.loads(call("align", "--json", path).stdout)
    assert told["lights"][0] == {
        "light": "fixture:wash",
        "shape": "flash",
        "at_ms": 500.0,
        "length_ms": 50.0,
        "lands_ms": 500.0,
        "path_ms": 0.0,
        "frame_wait_ms": 22.676,
        "steps": [{"at_ms": 500.0, "level": 0.5}],
        "colour": "#ff0000",
        "priority": 100,
    }
    (view,) = told["flashes"]
    assert (view["per_second"], view["red_per_second"], view["over_limit"]) == (2, 2, False)
    text = call("align", path).stdout
    on = next(line for line in text.splitlines() if line.startswith("fixture:wash on"))
    assert on.split() == ["fixture:wash", "on", "500.0", "0.0", "at", "50", "%,", "#ff0000"]
    assert "Flashes: at most 2 within one second, 2 of them red." in text
    assert "comes up to 22.7 ms later than planned" in text


@pytest.mark.parametrize("command", ["align", "rehearse"])
def test_too_many_flashes_are_said_as_check_counts_them(tmp_path: Path, command: str) -> None:
    path = scene(tmp_path, "one", WASH + flashes(4))
    done = call(command, path)
    assert done.exit_code == 0
    assert (
        "Flashes: 4 flashes within one second, 4 of them red; more than 3 (WCAG 2.3.1) are not played "
        "without a written reason, see cuesync check." in done.stdout
    )
    checked = json.loads(call("check", "--json", path).stdout)["flashes"]
    assert json.loads(call(command, "--json", path).stdout)["flashes"] == checked
    reason = scene(tmp_path, "one", WASH + flashes(4) + '[care]\nflash_reason = "crew only"\n')
    assert "over the limit of 3; your reason: crew only." in call(command, reason).stdout


def test_a_rehearsal_tells_levels_and_colours_of_the_first_press(tmp_path: Path) -> None:
    path = scene(tmp_path, "one", WASH + flashes(1))
    text = call("rehearse", path).stdout
    rows = [line.split() for line in text.splitlines() if line.startswith("fixture:wash")]
    assert rows == [["fixture:wash", "50", "%,", "#ff0000", "500.0"], ["fixture:wash", "20", "%", "550.0"]]
    assert json.loads(call("rehearse", "--json", path).stdout)["lights"][0] == {
        "light": "fixture:wash",
        "on": True,
        "level": 0.5,
        "colour": "#ff0000",
        "at_ms": 500.0,
    }


def test_without_lights_only_a_fixture_that_is_a_house_light_is_left(tmp_path: Path) -> None:
    from cuesync.plan.resolve import resolve
    from cuesync.scene.load import read_scene

    plan: Plan = resolve(read_scene(scene(tmp_path, "one", WASH + flashes(1))))
    assert plan.light_addresses == ("fixture:wash",)
    assert plan.without_lights().light_addresses == ()
    assert plan.without_lights(["fixture:wash"]).fixtures == plan.fixtures
    assert plan.without_lights(["fixture:wash"]).lights == ()
