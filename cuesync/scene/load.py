"""Reading a scene file."""

from __future__ import annotations

from pathlib import Path

from cuesync.scene.model import Scene
from cuesync.tomlfile import TomlFile, read_toml

SceneFile = TomlFile[Scene]


def read_scene(path: Path) -> SceneFile:
    """Read and check a scene.

    Raises:
        InputError: the file can't be read.
        FaultyFileError: everything that is wrong in it, with lines and keys.
    """
    return read_toml(path, Scene, "scene file")
