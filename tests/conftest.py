"""What all tests share: the shipped samples, their true times, and the maker of more."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from hypothesis import settings

settings.register_profile("any computer", deadline=None)  # a busy one is no fault of what is tested
settings.load_profile("any computer")

ROOT = Path(__file__).resolve().parent.parent
if str(ROOT) not in sys.path:  # for `tests.outside` and `sample_audio.make`, however pytest was started
    sys.path.insert(0, str(ROOT))


@pytest.fixture(scope="session")
def sample_audio() -> Path:
    """The folder of shipped recordings and clips; read only."""
    return ROOT / "sample_audio"


@pytest.fixture(scope="session")
def scenes() -> Path:
    """The folder of shipped scenes; read only."""
    return ROOT / "scenes"


@pytest.fixture(scope="session")
def truth(sample_audio: Path) -> dict[str, Any]:
    """True times: `truth["recordings"][FILE]["trials"][i]["release_s"]`, `truth["clips"][FILE]["hit_s"]`."""
    with (sample_audio / "truth.json").open(encoding="utf-8") as file:
        loaded: dict[str, Any] = json.load(file)
    return loaded


@pytest.fixture(scope="session")
def maker() -> ModuleType:
    """sample_audio/make.py, to make other props, lengths and noise levels: `maker.make_recording(…)`."""
    from sample_audio import make  # needs the path set above

    return make
