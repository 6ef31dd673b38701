"""Set up a fresh checkout and do the first thing with it. Needs nothing but Python.

    python3 -m cuesync.firstrun demo      install cuesync into .venv here, and run `cuesync demo`
    python3 -m cuesync.firstrun test      the same with all that the tests need, and run every check

On Windows write `py` for `python3`. What is already in .venv is used again, without the network if
pyproject.toml has not changed. Exit code: that of the demo or the checks; 2 if the set-up itself fails.

This file keeps to what Python 3.6 understands, so that an old Python can say that it is too old.
"""

import hashlib
import importlib.util
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

OLDEST = (3, 11)
CHECKS = ("pytest", "hypothesis", "mypy", "ruff")
"""The tests can't do without these; all else that tests use may be missing, and its tests are skipped."""
PIP = ("-m", "pip", "--quiet", "--disable-pip-version-check", "--no-input")


class SetUpError(Exception):
    """The set-up can't go on; the message says what to do."""


def main(arguments: "list[str]") -> int:
    if arguments not in (["demo"], ["test"]):
        print("Usage: python3 -m cuesync.firstrun demo|test", file=sys.stderr)
        return 2
    root = Path(__file__).resolve().parent.parent
    try:
        check_python(sys.version_info[:2])
        check_checkout(root)
        python = prepare(root / ".venv")
        if arguments == ["demo"]:
            install(python, root, [])
            return run_demo(python)
        install(python, root, test_requirements(root))
        return run_checks(python, root)
    except SetUpError as problem:
        print(f"cuesync is not set up: {problem}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("Stopped. Run the same command again to go on.", file=sys.stderr)
        return 130


def check_python(version: "tuple[int, ...]") -> None:
    if version < OLDEST:
        raise SetUpError(
            f"it needs Python {OLDEST[0]}.{OLDEST[1]} or newer, and this is {version[0]}.{version[1]} "
            f"({sys.executable}). Install a newer one from your system's packages or python.org, and name it "
            "in the command, for instance: python3.12 -m cuesync.firstrun demo"
        )


def check_checkout(root: Path) -> None:
    if not (root / "pyproject.toml").is_file():
        raise SetUpError(
            f"{root} is not a checkout of cuesync (there is no pyproject.toml). If cuesync is installed "
            "already, write: cuesync demo"
        )


# --- the environment ------------------------------------------------------------------------------


def prepare(environment: Path) -> Path:
    """The Python of .venv, which is made if there is none."""
    python = environment / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    again = f"Delete the folder {environment} and run this command again."
    if environment.exists():
        if not python.exists():
            raise SetUpError(f"{environment} is there, but there is no Python in it. {again}")
        if run(python, "-c", f"import sys; sys.exit(sys.version_info < {OLDEST})") != 0:
            raise SetUpError(f"the Python in {environment} does not run, or is older than 3.11. {again}")
        if run(python, "-c", "import pip") != 0:
            raise SetUpError(f"there is no pip in {environment}. {again}")
        return python
    missing = [name for name in ("venv", "ensurepip") if importlib.util.find_spec(name) is None]
    if missing:
        short = f"{sys.version_info[0]}.{sys.version_info[1]}"
        raise SetUpError(
            f"this Python lacks its own module {missing[0]}. Debian and Ubuntu keep it in a package: "
            f"sudo apt-get install python{short}-venv (or python3-venv); then run this command again."
        )
    say(f"Making {environment}")
    whole = False
    try:
        whole = run(Path(sys.executable), "-m", "venv", environment) == 0
    finally:
        if not whole:
            shutil.rmtree(environment, ignore_errors=True)  # half made, and nobody's yet
    if not whole:
        raise SetUpError(f"{sys.executable} -m venv failed; its own message is above.")
    return python


# --- the packages ---------------------------------------------------------------------------------


def test_requirements(root: Path) -> "list[str]":
    """Everything in the optional groups of pyproject.toml, once each."""
    import tomllib

    with (root / "pyproject.toml").open("rb") as file:
        groups = tomllib.load(file)["project"]["optional-dependencies"]
    return sorted({requirement for group in groups.values() for requirement in group})


def install(python: Path, root: Path, extras: "list[str]") -> None:
    """Install cuesync in place, and of `extras` whatever has a ready-made package for this computer."""
    wishes = f"{root} {extras} {(root / 'pyproject.toml').read_text(encoding='utf-8')}"
    asked = hashlib.sha256(wishes.encode("utf-8")).hexdigest()
    stamp = python.parent.parent / ("cuesync-tests-installed" if extras else "cuesync-installed")
    if stamp.is_file() and stamp.read_text(encoding="utf-8") == asked:
        return
    say("Installing cuesync and what it needs (a few minutes the first time)")
    if run(python, *PIP, "install", "--editable", root) != 0:
        raise SetUpError("pip could not install it; its own message is above. Is the network there?")
    if extras and run(python, *PIP, "install", "--only-binary", ":all:", *extras, quiet=True) != 0:
        install_one_by_one(python, extras)
    stamp.write_text(asked, encoding="utf-8")


def install_one_by_one(python: Path, extras: "list[str]") -> None:
    say("Not everything has a ready-made package for this Python; installing one at a time")
    for requirement in extras:
        if run(python, *PIP, "install", "--only-binary", ":all:", requirement, quiet=True) == 0:
            continue
        if re.split(r"[^\w.-]", requirement)[0].lower() in CHECKS:
            raise SetUpError(
                f"pip could not install {requirement}, which the checks need. Is the network there?"
            )
        say(f"  left out: {requirement}; tests that need it will be skipped, and say so")


# --- what the user came for -----------------------------------------------------------------------


def run_demo(python: Path) -> int:
    code = run(python, "-m", "cuesync", "demo")
    if code == 0:
        tool = python.with_name("cuesync" + python.suffix)
        say(f"cuesync is ready. Call it as {tool}")
    return code


def run_checks(python: Path, root: Path) -> int:
    """Every check, also after one has failed; the tests come last."""
    failed = []
    for check in (("ruff", "format", "--check", "."), ("ruff", "check", "."), ("mypy",)):
        say("Checking: " + " ".join(check))
        if run(python, "-m", *check, folder=root) != 0:
            failed.append(" ".join(check))
    say("Testing: pytest")
    code = run(python, "-m", "pytest", folder=root)
    if failed:
        print("Failed before the tests: " + ", ".join(failed), file=sys.stderr)
    return code or (1 if failed else 0)


def run(python: Path, *arguments: "str | Path", folder: "Path | None" = None, quiet: bool = False) -> int:
    """Run one command of a Python and return its exit code; it talks to our own output unless `quiet`."""
    silent = subprocess.DEVNULL if quiet else None
    return subprocess.run(
        [str(python), *(str(argument) for argument in arguments)],
        cwd=None if folder is None else str(folder),
        env={**os.environ, "PYTHONUTF8": "1"},
        stderr=silent,
        check=False,
    ).returncode


def say(sentence: str) -> None:
    print(sentence, flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
