"""How many of what, in words."""

from __future__ import annotations

import pytest

from cuesync.counted import counted


@pytest.mark.parametrize(
    ("number", "words", "said"),
    [
        (1, ("scare",), "1 scare"),
        (0, ("scare",), "0 scares"),
        (1, ("press refused", "presses refused"), "1 press refused"),
        (2, ("press refused", "presses refused"), "2 presses refused"),
    ],
)
def test_counted(number: int, words: tuple[str, ...], said: str) -> None:
    assert counted(number, *words) == said
