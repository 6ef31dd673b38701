"""`cuesync measure` and what becomes of its profile, as a tired person at the prop meets it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cuesync.cli import cuesync
from cuesync.errors import CuesyncError, InputError, StorageError


def call(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cuesync, [str(each) for each in arguments])


@pytest.fixture
def crone(tmp_path: Path, scenes: Path) -> Path:
    """A profile of the attic crone: 11 pops, 687 ms in the median."""
    path = tmp_path / "crone.toml"
    shutil.copy(scenes / "attic-crone-profile.toml", path)
    return path


def test_another_prop_s_trials_are_asked_about_and_can_be_insisted_on(
    crone: Path, sample_audio: Path
) -> None:
    rat = sample_audio / "barrel-rat-contact-ac.flac"
    done = call("measure", rat, "--save", crone)
    assert isinstance(done.exception, InputError)
    said = str(done.exception)
    assert "says 687 ms from trigger to pop (11 pops), these say 283 ms (6 pops): another prop, or" in said
    assert "Delay: median 283.2 ms" in done.stdout  # to judge by
    assert call("check", crone).stdout == f"{crone}: prop profile, can be used\n"

    done = call("measure", rat, "--save", crone, "--same-prop")
    assert done.exit_code == 0
    assert f"6 trials added to {crone}" in done.stderr
    assert f"Note: {crone}: its sessions fall into two groups" in done.stderr
    checked = call("check", crone)
    assert checked.exit_code == 0
    assert "  caution: its sessions fall into two groups, 283 ms (6 pops: " in checked.stdout
    assert "another prop, or very different conditions? The delay is the median of them all" in checked.stdout


def test_a_tired_battery_is_noted_and_a_scene_says_so_too(
    crone: Path, sample_audio: Path, tmp_path: Path
) -> None:
    done = call(
        "measure", sample_audio / "attic-crone-tired-click.flac", "--save", crone, "--supply-v", "5.1"
    )
    assert done.exit_code == 0
    assert "a tired battery or cold does that" in done.stderr
    assert "  note: its sessions fall into two groups, 687 ms" in call("check", crone).stdout
    scene = tmp_path / "attic.toml"
    scene.write_text(
        'title = "Attic"\n[prop]\nprofile = "crone.toml"\n[trigger]\ncontact = "key:space"\n'
        '[[flash]]\nat_ms = 0\nlength_ms = 20\nlight = "midi:36"\n',
        encoding="utf-8",
    )
    assert "  note: crone.toml: its sessions fall into two groups, 687 ms" in call("check", scene).stdout


@pytest.mark.parametrize(
    ("arguments", "error", "said"),
    [
        (
            ["--save", "new.toml"],
            InputError,
            "new.toml will be a new profile: give the prop's name with --prop",
        ),
        (["--save", "scene.toml"], InputError, "scene.toml is a scene, not a prop profile"),
        (["--save", "scene.toml", "--new-profile", "--prop", "x"], InputError, "scene.toml is a scene"),
        (["--save", "no/new.toml", "--prop", "x"], StorageError, "There is no folder"),
        (["--picture", "foo.gif"], InputError, "foo.gif: ends in '.gif'"),
        (["--picture", "scene.svg"], StorageError, "this file is there already and stays as it is"),
        (["--picture", "no/foo.png"], StorageError, "There is no folder"),
    ],
)
def test_what_can_t_be_kept_is_said_before_the_work_begins(
    arguments: list[str],
    error: type[CuesyncError],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The recording is not even there, so the work would have ended with that."""
    monkeypatch.chdir(tmp_path)
    Path("scene.toml").write_text('title = "Attic"\n[prop]\ntrigger_to_pop_ms = 640\n', encoding="utf-8")
    Path("scene.svg").write_text("mine", encoding="utf-8")
    done = call("measure", "rec.wav", *arguments)
    assert isinstance(done.exception, error)
    assert said in str(done.exception)
    assert done.stdout == ""
