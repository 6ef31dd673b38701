"""The command line as a program: exit codes, what goes where, and that it starts quickly."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from cuesync.cli import COMMANDS, cuesync, measure_live
from cuesync.devices.opening import PortSettings
from cuesync.errors import DeviceError
from cuesync.measuring.trial import Measurement

HEAVY = ("numpy", "matplotlib", "sounddevice", "soundfile", "soxr", "pydantic", "mido", "scipy")


def run(*arguments: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "cuesync", *arguments],
        capture_output=True,
        text=True,
        check=False,
        cwd=cwd,
        timeout=120,
        encoding="utf-8",
    )


def test_help_names_every_command_and_loads_nothing_heavy() -> None:
    code = (
        "import sys\nfrom cuesync.cli import cuesync\n"
        "try:\n    cuesync(['--help'])\nexcept SystemExit:\n    pass\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    for name in COMMANDS:
        assert f"\n  {name} " in done.stdout
    assert done.stderr.strip() == "[]"


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself(name: str) -> None:
    done = CliRunner().invoke(cuesync, [name, "--help"])
    assert done.exit_code == 0
    assert done.output.startswith(f"Usage: cuesync {name}")
    command = cuesync.get_command(None, name)  # type: ignore[arg-type]
    assert command is not None
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, f"{name} {parameter.name} has no help"


def test_a_missing_scene_is_wrong_input_and_one_sentence(tmp_path: Path) -> None:
    done = run("align", str(tmp_path / "none.toml"))
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith(f"cuesync: {tmp_path / 'none.toml'}: there is no such scene file.")
    assert "Traceback" not in done.stderr


def test_an_unknown_command_is_wrong_usage() -> None:
    assert run("alig").returncode == 2


def test_check_tells_problems_with_exit_code_1(tmp_path: Path) -> None:
    scene = tmp_path / "s.toml"
    scene.write_text(
        'title = "t"\n[prop]\ntrigger_to_pop_ms = 500\nreset_s = 5\n[[flash]]\nat_ms = 0\n'
        'lenght_ms = 20\nlight = "midi:36"\n',
        encoding="utf-8",
    )
    done = run("check", str(scene))
    assert done.returncode == 1
    assert f"{scene}:7: flash[1].lenght_ms: this key is not known. Did you mean length_ms?" in done.stdout
    assert "no emergency stop" in done.stderr
    scene.write_text(scene.read_text(encoding="utf-8").replace("lenght", "length"), encoding="utf-8")
    done = run("check", "--json", str(scene))
    assert done.returncode == 0
    report = json.loads(done.stdout)
    assert report["scenes"][0]["problems"] == []
    assert any("seizures" in caution for caution in report["standing_cautions"])


def test_schema_is_json() -> None:
    done = run("schema")
    assert done.returncode == 0
    assert json.loads(done.stdout)["title"] == "Scene"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["rec.wav", "--trials", "3"], "--trials has an effect only with --live."),
        (["rec.wav", "--mqtt-broker", "127.0.0.1:1883"], "--mqtt-broker has an effect only with --live."),
        (["rec.wav", "--osc-allow", "10.0.0.7"], "--osc-allow has an effect only with --live."),
        (["rec.wav", "--note", "wet"], "--note has an effect only with --save FILE."),
        (["--live", "--save", "p.toml", "--way", "click"], "--way has an effect only without --live."),
        (["--live", "--prop", "x"], "--live needs a profile to keep the trials in: add --save FILE."),
        (["--live", "rec.wav", "--save", "p.toml"], "leave out RECORDING."),
        ([], "Name the RECORDING, or measure at the prop with --live."),
        (["rec.wav", "--save", "p.toml", "--supply-v", "0"], "0.0 is not in the range x>0."),
    ],
)
def test_options_that_would_have_no_effect_are_refused(arguments: list[str], said: str) -> None:
    done = CliRunner().invoke(cuesync, ["measure", *arguments])
    assert done.exit_code == 2
    assert said in done.output


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["osc:/pad", "--osc-listen", "0.0.0.0:7770"], "with --osc-allow ADDRESS, or listen on 127.0.0.1."),
        (["mqtt:pad", "--mqtt-broker", "10.0.0.2:1883"], "give --mqtt-user and --mqtt-password-file."),
    ],
)
def test_measuring_lets_nobody_else_press_the_button_either(
    tmp_path: Path, arguments: list[str], said: str
) -> None:
    done = run(
        "measure", "--live", "--prop", "x", "--save", str(tmp_path / "p.toml"), "--contact", *arguments
    )
    assert done.returncode == 2
    assert said in done.stderr


def test_measure_live_hands_the_options_of_the_contact_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: list[object] = []

    def no_contacts(contacts: list[str], settings: PortSettings, _clock: object) -> None:
        given.extend([contacts, settings])
        raise DeviceError("that is enough.")

    monkeypatch.setattr(measure_live, "contact_sources", no_contacts)
    words = (
        "--contact mqtt:hall/pad --mqtt-broker 10.0.0.2:1883 --mqtt-user props --mqtt-password-file secret "
    )
    words += "--osc-listen 10.0.0.1:7770 --osc-allow 10.0.0.7 --osc-allow 10.0.0.8 --microphone Stage"
    done = CliRunner().invoke(
        cuesync, ["measure", "--live", "--prop", "x", "--save", str(tmp_path / "p.toml"), *words.split()]
    )
    assert "that is enough." in str(done.exception or done.output)
    assert given == [
        ["mqtt:hall/pad"],
        PortSettings(
            mqtt_broker="10.0.0.2:1883",
            mqtt_user="props",
            mqtt_password_file=Path("secret"),
            osc_listen="10.0.0.1:7770",
            osc_allow=("10.0.0.7", "10.0.0.8"),
            sound_input="Stage",
        ),
    ]


def test_a_live_session_without_a_trial_is_a_problem_and_says_what_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    nothing = Measurement(
        recording="live.wav",
        rate_hz=48000,
        length_s=9.0,
        way="chirp",
        way_reason="it was played",
        trials=(),
        warnings=("1 press did not count: the sound card lost sound meanwhile. Close other programs.",),
    )
    monkeypatch.setattr(measure_live, "measure_at_prop", lambda *_arguments, **_options: nothing)
    profile = tmp_path / "p.toml"
    done = CliRunner().invoke(cuesync, ["measure", "--live", "--prop", "x", "--save", str(profile)])
    assert done.exit_code == 1
    assert f"No trial counted, so nothing went into {profile}. The sound is in live.wav." in done.stderr
    assert done.stdout == (
        "No trial counted, so there is no delay.\n"
        "1 press did not count: the sound card lost sound meanwhile. Close other programs.\n"
    )


def test_a_name_that_no_system_takes_is_one_sentence(tmp_path: Path) -> None:
    for arguments in (["measure", "x" * 300 + ".wav"], ["check", "y" * 300]):
        done = run(*arguments, cwd=tmp_path)
        assert done.returncode in (1, 2)
        assert "Traceback" not in done.stderr


def test_every_scene_is_checked_although_one_is_missing(tmp_path: Path) -> None:
    scene = tmp_path / "s.toml"
    scene.write_text('title = "t"\n', encoding="utf-8")
    done = run("check", str(tmp_path / "none.toml"), str(scene))
    assert done.returncode == 2
    assert f"problem: {tmp_path / 'none.toml'}: there is no such scene file." in done.stdout
    assert f"{scene}: prop: this table is missing. Write [prop] on a line of its own" in done.stdout


def test_profiles_among_the_scenes_are_checked_as_profiles(scenes: Path, tmp_path: Path) -> None:
    done = run("check", *(str(path) for path in sorted(scenes.glob("*.toml"))))
    assert done.returncode == 0, done.stdout
    assert "attic-crone-profile.toml: prop profile, can be used" in done.stdout
    broken = tmp_path / "p.toml"
    text = (scenes / "attic-crone-profile.toml").read_text(encoding="utf-8")
    broken.write_text(text.replace("supply_v = 6.0", "supply_v = 0.0"), encoding="utf-8")
    done = run("check", str(broken))
    assert done.returncode == 1
    assert "session[1].supply_v: 0.0 is out of range." in done.stdout


def test_a_value_in_place_of_a_table_is_told(tmp_path: Path) -> None:
    scene = tmp_path / "s.toml"
    scene.write_text('title = "t"\nprop = "crone"\n', encoding="utf-8")
    done = run("check", str(scene))
    assert f"{scene}:2: prop: 'crone' is not a table. Write [prop] on a line of its own" in done.stdout
