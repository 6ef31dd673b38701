"""Reading a scene file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from cuesync.errors import FaultyFileError, Problem
from cuesync.profile import looks_like_profile
from cuesync.scene.model import Scene
from cuesync.storage import nearest_file
from cuesync.tomlfile import TomlFile, raw_toml, read_toml, read_toml_text
from cuesync.tomllines import key_lines

SceneFile = TomlFile[Scene]

_KIND = "scene file"


def read_scene(path: Path) -> SceneFile:
    """Read and check a scene.

    Raises:
        InputError: the file can't be read.
        FaultyFileError: everything that is wrong in it, with lines and keys.
    """
    try:
        return read_toml(path, Scene, _KIND, lambda other: not looks_like_profile(other))
    except FaultyFileError as error:
        if looks_like_profile(path):
            what = "this is the profile of a prop, not a scene."
            todo = f'Name a scene instead; under its [prop] it may say profile = "{path.name}".'
            problem = Problem(file=str(path), line=None, key="", what=what, todo=todo)
            raise FaultyFileError([problem]) from None
        problems = [*error.problems, *_missing_clips(path)]
        raise FaultyFileError(sorted(problems, key=lambda problem: problem.line or 0)) from None


def looks_like_scene(path: Path) -> bool:
    """Whether the file is meant as a scene, right or wrong; False where it can't be read as TOML."""
    return isinstance(raw_toml(path).get("prop"), dict)


def _missing_clips(path: Path) -> list[Problem]:
    """Clips that are not there, which only a scene without other mistakes would be asked for."""
    raw = raw_toml(path)
    if not raw:
        return []
    text = read_toml_text(path, _KIND)
    file: TomlFile[Any] = TomlFile(path, text, raw, key_lines(text))
    missing = []
    for table in ("sound", "background"):
        entries = raw.get(table)
        for place, entry in enumerate(entries if isinstance(entries, list) else [entries]):
            name = entry.get("clip") if isinstance(entry, dict) else None
            if isinstance(name, str) and not (clip := file.beside(name)).exists():
                what = f"{clip}: there is no such file. {nearest_file(clip)}"
                missing.append(file.problem((table, place, "clip"), what, ""))
    return missing
