"""`cuesync check` and what `run` refuses: what can hurt people, in words, exit codes and JSON."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from cuesync.cli import cuesync
from cuesync.cli import main as program
from cuesync.plan.plan import Plan


def scene(folder: Path, name: str, flashes_ms: list[int], care: str = "", reset_s: float = 5) -> Path:
    lines = [f'title = "{name}"', "[prop]", "trigger_to_pop_ms = 500", f"reset_s = {reset_s}"]
    for at_ms in flashes_ms:
        lines += ["[[flash]]", f"at_ms = {at_ms}", "length_ms = 20", 'light = "midi:36"']
    path = folder / f"{name}.toml"
    path.write_text("\n".join([*lines, "[care]", care]) + "\n", encoding="utf-8")
    return path


def check(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cuesync, ["check", *(str(argument) for argument in arguments)])


FOUR = [0, 200, 400, 600]


def test_four_flashes_in_a_second_are_a_problem(tmp_path: Path) -> None:
    path = scene(tmp_path, "strobe", FOUR)
    done = check(path)
    assert done.exit_code == 1
    assert f"problem: {path}:5: flash: 4 flashes within one second; more than 3 can trigger" in done.stdout
    assert "Put a notice at the entrance" in done.stderr


def test_scenes_that_can_play_together_add_up_unless_their_views_differ(tmp_path: Path) -> None:
    one, other = scene(tmp_path, "one", [0, 200]), scene(tmp_path, "other", [0, 200])
    assert check(one).exit_code == check(other).exit_code == 0
    done = check(one, other)
    assert done.exit_code == 1
    assert done.stdout.count("up to 4 flashes within one second if scenes fall together") == 2
    other = scene(tmp_path, "other", [0, 200], 'view = "cellar"')
    assert check(one, other).exit_code == 0


def test_the_sum_of_flashes_is_told_where_it_is_within_the_limit_too(tmp_path: Path) -> None:
    one, other = scene(tmp_path, "one", [0, 200]), scene(tmp_path, "other", [0], 'view = "cellar"')
    assert "note: flashes of one scene: at most 2 within one second, none of them red; the limit is 3" in (
        check(one).stdout
    )
    done = check(one, scene(tmp_path, "third", [0]), other)
    assert [line for line in done.stdout.splitlines() if line.startswith("note: flashes")] == [
        "note: flashes of 2 scenes added up: at most 3 within one second, none of them red; the limit is 3 "
        "(WCAG 2.3.1)",
        "note: flashes of one scene: at most 1 within one second in the view 'cellar', none of them red; the "
        "limit is 3 (WCAG 2.3.1)",
    ]
    small = scene(tmp_path, "small", [0], "flash_area_sr = 0.001")
    assert "note: flashes: all lights together are too small to count" in check(small).stdout


def test_scenes_that_one_contact_starts_together_are_noted(tmp_path: Path) -> None:
    """Allowed on purpose, and worth a word: the contact that is not given is the same in every scene."""
    one, other = scene(tmp_path, "one", [0]), scene(tmp_path, "other", [0])
    assert "together" not in check(one).stdout
    done = check(one, other)
    assert done.exit_code == 0
    assert "note: key:space starts 2 scenes together: one, other\n" in done.stdout
    assert json.loads(check("--json", one, other).stdout)["started_together"] == [
        {"contact": "key:space", "scenes": [str(one), str(other)]}
    ]


@pytest.mark.parametrize("what", ["nothing", "folder", "sound"])
def test_a_file_that_can_not_be_read_is_wrong_input_and_the_others_are_told(
    tmp_path: Path, what: str
) -> None:
    good, bad = scene(tmp_path, "good", [0]), scene(tmp_path, "bad", FOUR, 'view = "cellar"')
    other = tmp_path / "other"
    if what == "folder":
        other.mkdir()
    elif what == "sound":
        other.write_bytes(b"RIFF\xff\xfe\x00\x00WAVE")
    done = check(good, other, bad)
    assert done.exit_code == 2
    assert f"{good}: can be played" in done.stdout
    assert f"problem: {other}: " in done.stdout
    assert f"{bad}: 1 problem, can't be played" in done.stdout
    assert check(good, bad).exit_code == 1


def test_the_users_own_reason_sets_the_limit_aside_and_is_told(tmp_path: Path) -> None:
    path = scene(tmp_path, "strobe", FOUR, 'flash_reason = "tested with the crew, doors shut"')
    done = check(path)
    assert done.exit_code == 0
    assert "note: 4 flashes within one second, over the limit of 3; your reason: tested with" in done.stdout
    blank = scene(tmp_path, "blank", FOUR, 'flash_reason = " "')
    assert "the reason is blank" in check(blank).stdout


def test_json_tells_the_flashes_of_each_view(tmp_path: Path) -> None:
    path = scene(tmp_path, "strobe", FOUR, 'view = "hall"')
    done = check("--json", tmp_path / "none.toml", path)
    assert done.exit_code == 2
    (view,) = json.loads(done.stdout)["flashes"]
    assert (view["view"], view["per_second"], view["over_limit"]) == ("hall", 4, True)
    assert view["scenes"] == [
        {
            "scene": str(path),
            "title": "strobe",
            "per_second": 4,
            "red_per_second": 0,
            "train_s": pytest.approx(0.6),
            "counts": True,
            "reason": "",
        }
    ]


def test_run_refuses_too_many_flashes_before_it_arms(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = scene(tmp_path, "strobe", FOUR)
    nights = tmp_path / "nights"
    monkeypatch.setattr("sys.argv", ["cuesync", "run", str(path), "--log-folder", str(nights)])
    with pytest.raises(SystemExit) as left:
        program()
    assert left.value.code == 2
    assert "4 flashes within one second; more than 3 can trigger seizures" in capsys.readouterr().err
    assert not nights.exists()


@pytest.fixture
def played(monkeypatch: pytest.MonkeyPatch) -> list[Plan]:
    """What `run` would have played; nothing is opened."""
    plans: list[Plan] = []

    def run_show(given: list[Plan], **_: object) -> SimpleNamespace:
        plans.extend(given)
        return SimpleNamespace(scares=0, refusals=0, faults=0, path="night", log_trouble="")

    monkeypatch.setattr("cuesync.show.live.run_show", run_show)
    return plans


def test_run_takes_the_users_reason_into_the_nights_notes(tmp_path: Path, played: list[Plan]) -> None:
    path = scene(tmp_path, "strobe", FOUR, 'flash_reason = "tested with the crew"')
    done = CliRunner().invoke(cuesync, ["run", str(path)])
    assert done.exit_code == 0, done.output
    assert "Flashing light can trigger seizures." in done.stderr
    (plan,) = played
    assert plan.remarks[-1].endswith("over the limit of 3; your reason: tested with the crew")


def test_run_without_lights_has_no_flashes_to_refuse(tmp_path: Path, played: list[Plan]) -> None:
    done = CliRunner().invoke(cuesync, ["run", "--without-lights", str(scene(tmp_path, "strobe", FOUR))])
    assert done.exit_code == 0, done.output
    assert "seizures" not in done.stderr
    assert played[0].lights == ()


NOISE = """\
level_dba = 105
level_distance_m = 2
operator_distance_m = 2
guest_distance_m = 3
scares_per_hour = 60
hours = 5
"""


def with_clip(folder: Path, name: str, care: str) -> Path:
    at_s = np.arange(96_000) / 48_000
    soundfile.write(folder / "scream.wav", 0.5 * np.sin(2000 * np.pi * at_s), 48_000)
    path = scene(folder, name, [0], care, reset_s=30)
    text = path.read_text(encoding="utf-8")
    path.write_text(
        text.replace("[care]", '[sound]\nclip = "scream.wav"\nhit_s = 0.1\n[care]'), encoding="utf-8"
    )
    return path


def test_noise_over_the_night_is_told_with_what_helps(tmp_path: Path) -> None:
    # computed by hand from NIOSH's formula: 300 screams of 2 s at 105 dBA are 211.65 %
    done = check(with_clip(tmp_path, "cellar", NOISE))
    assert done.exit_code == 0
    assert "caution: noise for the operator (300 scares at 2 m, 105 dBA): NIOSH dose 212 %" in done.stdout
    assert "note: noise for the guest (one scare at 3 m, 101 dBA): NIOSH dose 0.3" in done.stdout
    assert "note: 60 groups an hour that come at random meet the prop while it resets 33.3 %" in done.stdout


def test_json_carries_noise_and_pace_and_their_sum(tmp_path: Path) -> None:
    one, other = (with_clip(tmp_path, name, NOISE) for name in ("one", "other"))
    report = json.loads(check("--json", one, other).stdout)
    guest, operator = report["scenes"][0]["noise"]["listeners"]
    assert (guest["who"], operator["who"]) == ("guest", "operator")
    assert operator["niosh_percent"] == pytest.approx(211.65, abs=0.05)
    assert report["scenes"][0]["pace"]["lost_share"] == pytest.approx(1 / 3)
    assert [night["who"] for night in report["noise"]] == ["guest", "operator"]
    assert report["noise"][1]["niosh_percent"] == pytest.approx(423.3, abs=0.1)


def test_without_a_level_check_says_how_to_measure_one(tmp_path: Path) -> None:
    done = check(with_clip(tmp_path, "cellar", ""))
    assert "note: how loud it is can't be told from files. Hold a sound level meter" in done.stdout
    done = check(with_clip(tmp_path, "half", "level_dba = 100"))
    assert done.exit_code == 1
    assert "level_dba and level_distance_m belong together" in done.stdout


def test_a_strobe_that_is_too_fast_is_found_in_its_table(tmp_path: Path) -> None:
    path = scene(tmp_path, "storm", [0])
    text = path.read_text(encoding="utf-8")
    strobe = '[[strobe]]\nat_ms = 500\nlength_ms = 2000\nrate_hz = 8\nlight = "midi:37"\ncolour = "#ff0000"\n'
    path.write_text(text.replace("[care]", f"{strobe}[care]"), encoding="utf-8")
    done = check(path)
    assert done.exit_code == 1
    assert f"{path}:9: strobe: " in done.stdout
    assert "8 flashes within one second, 8 of them red; more than 3" in done.stdout


def test_what_run_would_refuse_to_play_together_is_a_problem_of_its_scene(tmp_path: Path) -> None:
    """Two props on one output, two scenes of one name, and a contact that steers the whole show."""
    paths = []
    for file, title, key, output in (
        ("one", "Attic", "a", "gpio:22"),
        ("two", "Attic", "b", "gpio:22 low"),
        ("three", "Cellar", "1", "gpio:5"),
    ):
        paths.append(tmp_path / f"{file}.toml")
        paths[-1].write_text(
            f'title = "{title}"\n[prop]\ntrigger_to_pop_ms = 700\nreset_s = 9\n'
            f'[trigger]\ncontact = "key:{key}"\n[drive]\noutput = "{output}"\nmax_on_s = 2\n'
            '[[show_control]]\nat_ms = 0\ncommand = "go"\n',
            encoding="utf-8",
        )
    assert check(paths[0]).exit_code == 0
    result = check(*paths)
    assert result.exit_code == 1
    problems = [line.strip() for line in result.stdout.splitlines() if "problem:" in line]
    beside = 'drive.output: what starts the prop of the scene "Attic" can\'t be beside gpio:22'
    assert problems == [
        f"problem: {paths[0]}:8: {beside} low, which starts another prop. "
        "Give the prop a wire, or an adapter, of its own.",
        f'problem: {paths[1]}:1: title: two scenes are called "Attic". Give each its own title.',
        f"problem: {paths[1]}:8: {beside}, which starts another prop. "
        "Give the prop a wire, or an adapter, of its own.",
        f'problem: {paths[2]}:6: trigger.contact: the scene "Cellar" is triggered by key:1, which steers the '
        "whole show. Give the scene another contact.",
    ]


def test_more_backgrounds_than_can_run_at_once_are_a_problem(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "wind.wav", np.zeros(48000), 48000)
    paths = []
    for number in range(3):
        paths.append(tmp_path / f"{number}.toml")
        paths[-1].write_text(
            f'title = "{number}"\n[prop]\ntrigger_to_pop_ms = 700\nreset_s = 9\n'
            + '[[background]]\nclip = "wind.wav"\n' * 8
            + '[[flash]]\nat_ms = 0\nlength_ms = 50\nlight = "midi:36"\n',
            encoding="utf-8",
        )
    assert check(*paths[:2]).exit_code == 0
    result = check(*paths)
    assert result.exit_code == 1
    problems = [line.strip() for line in result.stdout.splitlines() if "problem:" in line]
    assert problems == [
        f"problem: {paths[2]}:5: background: with those of the scenes before it, that makes 24 backgrounds; "
        "at most 16 can run at once. Mix some of them into one clip, or leave some out."
    ]


def with_contacts(folder: Path, name: str, trigger: str, prop: str, output: str) -> Path:
    path = folder / f"{name}.toml"
    path.write_text(
        f'title = "{name}"\n[trigger]\n{trigger}\n[prop]\ntrigger_to_pop_ms = 700\nreset_s = 9\n'
        f'{prop}\n[drive]\noutput = "{output}"\nmax_on_s = 2\n[[show_control]]\nat_ms = 0\ncommand = "go"\n',
        encoding="utf-8",
    )
    return path


@pytest.mark.parametrize(
    ("trigger", "prop", "uses"),
    [
        ('contact = "key:b"', 'limit_contact = "gpio:5"', "sees its reset by gpio:5"),
        ('contact = "key:b"', 'limit_contact = "gpio:5 nc"', "sees its reset by gpio:5 nc"),
        ('contact = "gpio:5"', "", "is triggered by gpio:5"),
        ('contact = "key:b"', 'pop_contact = "gpio:5"', "sees its pop by gpio:5"),
        ('contact = "key:b"\nenable_contact = "gpio:5"', "", "is enabled by gpio:5"),
    ],
)
def test_a_limit_switch_belongs_to_one_scene_alone(
    tmp_path: Path, trigger: str, prop: str, uses: str
) -> None:
    one = with_contacts(tmp_path, "one", 'contact = "key:a"', 'limit_contact = "gpio:5"', "gpio:22")
    two = with_contacts(tmp_path, "two", trigger, prop, "gpio:23")
    assert check(one).exit_code == 0
    result = check(one, two)
    assert result.exit_code == 1
    problems = [line.strip() for line in result.stdout.splitlines() if "problem:" in line]
    assert problems[0] == (
        f'problem: {one}:7: prop.limit_contact: the scene "one" sees its reset by gpio:5, and the scene '
        f'"two" {uses}. A limit switch tells of its own prop alone. Give each scene a contact of its own.'
    )
    if prop.startswith("limit"):
        assert problems[1].startswith(
            f'problem: {two}:7: prop.limit_contact: the scene "two" {uses}, and the'
        )
    assert len(problems) == (2 if prop.startswith("limit") else 1)


def test_scenes_may_share_their_trigger_and_their_dead_man_contact(tmp_path: Path) -> None:
    trigger = 'contact = "key:a"\nenable_contact = "gpio:7"'
    one = with_contacts(tmp_path, "one", trigger, 'limit_contact = "gpio:5"', "gpio:22")
    two = with_contacts(tmp_path, "two", trigger, 'limit_contact = "gpio:6"', "gpio:23")
    assert check(one, two).exit_code == 0


@pytest.mark.parametrize(
    "outputs",
    [
        ("gpio:22", "gpio:22 low"),
        ("board:COM3:prop", "board:COM3:prop"),
        ("serial:COM3:rts", "serial:COM3:dtr"),
    ],
)
def test_no_output_starts_two_props(tmp_path: Path, outputs: tuple[str, str]) -> None:
    files = [
        with_contacts(tmp_path, key, f'contact = "key:{key}"', "", output)
        for key, output in zip("ab", outputs, strict=True)
    ]
    result = check(*files)
    assert result.exit_code == 1
    problems = [line.strip() for line in result.stdout.splitlines() if "problem:" in line]
    assert problems == [
        f'problem: {file}:9: drive.output: what starts the prop of the scene "{file.stem}" can\'t be beside '
        f"{other}, which starts another prop. Give the prop a wire, or an adapter, of its own."
        for file, other in zip(files, reversed(outputs), strict=True)
    ]
