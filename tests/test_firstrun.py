"""The set-up commands, driven with a scripted stand-in for the commands they call."""

from __future__ import annotations

import ast
import importlib.util
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from cuesync import firstrun

ROOT = Path(firstrun.__file__).parent.parent
PYPROJECT = """
[project]
name = "cuesync"
[project.optional-dependencies]
midi = ["rarely-built>=1"]
test = ["pytest>=8", "mypy", "judge>=2", "rarely-built>=1"]
"""


class Commands:
    """Answers commands with 0, or with the code of the first rule whose text is in the command."""

    def __init__(self, rules: dict[str, int]) -> None:
        self.rules = rules
        self.asked: list[str] = []

    def __call__(self, _python: Path, *arguments: str | Path, **_: Any) -> int:
        command = " ".join(str(argument) for argument in arguments)
        self.asked.append(command)
        if "-m venv" in command:
            fake_python(Path(arguments[-1]))
        return next((code for text, code in self.rules.items() if text in command), 0)


def fake_python(environment: Path) -> None:
    for name in ("bin/python", "Scripts/python.exe"):
        (environment / name).parent.mkdir(parents=True, exist_ok=True)
        (environment / name).touch()


@pytest.fixture
def checkout(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "cuesync").mkdir()
    (tmp_path / "pyproject.toml").write_text(PYPROJECT, encoding="utf-8")
    monkeypatch.setattr(firstrun, "__file__", str(tmp_path / "cuesync" / "firstrun.py"))
    return tmp_path


@pytest.fixture
def scripted(monkeypatch: pytest.MonkeyPatch) -> Callable[[dict[str, int]], Commands]:
    def script(rules: dict[str, int]) -> Commands:
        commands = Commands(rules)
        monkeypatch.setattr(firstrun, "run", commands)
        return commands

    return script


def test_an_old_python_can_read_the_file() -> None:
    """Grammar of 3.6 (`feature_version` of the standard library's parser)."""
    ast.parse(Path(firstrun.__file__).read_text(encoding="utf-8"), feature_version=(3, 6))


def test_it_needs_nothing_but_the_standard_library() -> None:
    code = f"import sys; sys.path.insert(0, {str(ROOT)!r}); import cuesync.firstrun"
    subprocess.run([sys.executable, "-I", "-S", "-c", code], check=True, timeout=60)


@pytest.mark.parametrize("arguments", [[], ["dmeo"], ["demo", "test"]])
def test_wrong_usage(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert firstrun.main(arguments) == 2
    assert "Usage: python3 -m cuesync.firstrun demo|test" in capsys.readouterr().err


def test_an_old_python_is_told_so(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "version_info", (3, 9, 2))
    assert firstrun.main(["demo"]) == 2
    said = capsys.readouterr().err
    assert "it needs Python 3.11 or newer, and this is 3.9" in said
    assert "python3.12 -m cuesync.firstrun demo" in said


def test_not_a_checkout(tmp_path: Path) -> None:
    with pytest.raises(firstrun.SetUpError, match=r"is not a checkout of cuesync .* write: cuesync demo"):
        firstrun.check_checkout(tmp_path)


def test_the_demo_from_nothing(checkout: Path, scripted: Any, capsys: pytest.CaptureFixture[str]) -> None:
    commands = scripted({})
    assert firstrun.main(["demo"]) == 0
    made, installed, demo = commands.asked
    assert made == f"-m venv {checkout / '.venv'}"
    assert installed.endswith(f"install --editable {checkout}")
    assert demo == "-m cuesync demo"
    assert f"Call it as {checkout / '.venv'}" in capsys.readouterr().out


def test_the_second_time_installs_nothing(checkout: Path, scripted: Any) -> None:
    scripted({})
    assert firstrun.main(["demo"]) == 0
    again = scripted({})
    assert firstrun.main(["demo"]) == 0
    assert not [command for command in again.asked if "install" in command]
    (checkout / "pyproject.toml").write_text(PYPROJECT + "# changed\n", encoding="utf-8")
    changed = scripted({})
    assert firstrun.main(["demo"]) == 0
    assert [command for command in changed.asked if "install" in command]


@pytest.mark.usefixtures("checkout")
@pytest.mark.parametrize(
    ("rules", "code"),
    [({"cuesync demo": 2}, 2), ({"cuesync demo": 1}, 1)],
)
def test_the_exit_code_of_the_demo_passes_through(scripted: Any, rules: dict[str, int], code: int) -> None:
    scripted(rules)
    assert firstrun.main(["demo"]) == code


@pytest.mark.usefixtures("checkout")
@pytest.mark.parametrize(
    ("rules", "code"),
    [({}, 0), ({"-m pytest": 5}, 5), ({"-m mypy": 1}, 1), ({"-m ruff check": 1, "-m pytest": 3}, 3)],
)
def test_every_check_runs_and_any_can_fail(
    scripted: Any, rules: dict[str, int], code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    commands = scripted(rules)
    assert firstrun.main(["test"]) == code
    assert commands.asked[-4:] == ["-m ruff format --check .", "-m ruff check .", "-m mypy", "-m pytest"]
    assert ("Failed before the tests" in capsys.readouterr().err) == (set(rules) - {"-m pytest"} != set())


@pytest.mark.usefixtures("checkout")
def test_what_has_no_ready_made_package_is_left_out(
    scripted: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    commands = scripted({"rarely-built": 1})
    assert firstrun.main(["test"]) == 0
    one_by_one = [command.split()[-1] for command in commands.asked if ":all:" in command][1:]
    assert one_by_one == ["judge>=2", "mypy", "pytest>=8", "rarely-built>=1"]
    assert "left out: rarely-built>=1; tests that need it will be skipped" in capsys.readouterr().out


@pytest.mark.usefixtures("checkout")
def test_the_checks_need_their_tools(scripted: Any, capsys: pytest.CaptureFixture[str]) -> None:
    scripted({"pytest>=8": 1})
    assert firstrun.main(["test"]) == 2
    assert "pip could not install pytest>=8, which the checks need" in capsys.readouterr().err


@pytest.mark.usefixtures("checkout")
def test_pip_fails(scripted: Any, capsys: pytest.CaptureFixture[str]) -> None:
    commands = scripted({"--editable": 1})
    assert firstrun.main(["demo"]) == 2
    assert "-m cuesync demo" not in commands.asked
    assert "Is the network there?" in capsys.readouterr().err


@pytest.mark.usefixtures("checkout")
@pytest.mark.parametrize("missing", ["venv", "ensurepip"])
def test_a_python_in_parts(
    missing: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Debian's python3 comes without these unless python3-venv is installed."""
    find = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == missing else find(name))
    assert firstrun.main(["demo"]) == 2
    said = capsys.readouterr().err
    assert f"this Python lacks its own module {missing}" in said
    assert f"sudo apt-get install python{sys.version_info[0]}.{sys.version_info[1]}-venv" in said


def test_a_half_made_environment_is_taken_away_again(
    checkout: Path, scripted: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    scripted({"-m venv": 1})
    assert firstrun.main(["demo"]) == 2
    assert "-m venv failed" in capsys.readouterr().err
    assert not (checkout / ".venv").exists()


def test_stopping_half_way_leaves_nothing_half_made(
    checkout: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def stopped(*command: str | Path) -> int:
        fake_python(Path(command[-1]))
        raise KeyboardInterrupt

    monkeypatch.setattr(firstrun, "run", stopped)
    assert firstrun.main(["demo"]) == 130
    assert "Run the same command again" in capsys.readouterr().err
    assert not (checkout / ".venv").exists()


def test_an_environment_that_is_none(checkout: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (checkout / ".venv").mkdir()
    (checkout / ".venv" / "mine.txt").touch()
    assert firstrun.main(["demo"]) == 2
    said = capsys.readouterr().err
    assert "there is no Python in it. Delete the folder" in said
    assert (checkout / ".venv" / "mine.txt").exists()


@pytest.mark.parametrize(
    ("rule", "message"),
    [
        ("sys.exit(sys.version_info", "does not run, or is older than 3.11"),
        ("import pip", "there is no pip in"),
    ],
)
def test_an_environment_that_is_broken(
    checkout: Path, scripted: Any, capsys: pytest.CaptureFixture[str], rule: str, message: str
) -> None:
    fake_python(checkout / ".venv")
    scripted({rule: 1})
    assert firstrun.main(["demo"]) == 2
    said = capsys.readouterr().err
    assert message in said
    assert "Delete the folder" in said


def test_run_gives_the_exit_code() -> None:
    assert firstrun.run(Path(sys.executable), "-c", "import sys; sys.exit(7)") == 7
    assert firstrun.run(Path(sys.executable), "-c", "import sys; sys.exit(not sys.flags.utf8_mode)") == 0
