"""Lines of TOML keys."""

from __future__ import annotations

import tomllib
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from cuesync.tomllines import key_lines, line_of

TEXT = '''\
title = "a # no comment"   # a comment
text = """
[not.a.table]
x = 1
"""

[prop]
"quoted key" = 'b'
nested.key = [1, 2,
  3]

[[flash]]   # first
at_ms = 1
[[flash]]
at_ms = 2
light = "midi:36"

[[flash.part]]
deep = { a = 1, b = [ { c = 2 },
  { c = 3 } ] }
'''


def test_every_kind_of_place_has_its_line() -> None:
    lines = key_lines(TEXT)
    assert lines[("title",)] == 1
    assert lines[("text",)] == 2
    assert ("x",) not in lines
    assert lines[("prop",)] == 7
    assert lines[("prop", "quoted key")] == 8
    assert lines[("prop", "nested", "key", 2)] == 10
    assert lines[("flash", 0, "at_ms")] == 13
    assert lines[("flash", 1)] == 14
    assert lines[("flash", 1, "light")] == 16
    assert lines[("flash", 1, "part", 0, "deep", "b", 1, "c")] == 20


def test_a_missing_key_is_told_at_the_nearest_thing_around_it() -> None:
    lines = key_lines(TEXT)
    assert line_of(lines, ("flash", 1, "length_ms")) == 14
    assert line_of(lines, ("prop", "profile")) == 7
    assert line_of(lines, ("nowhere",)) is None


def test_a_single_table_answers_for_the_first_of_a_list() -> None:
    assert line_of(key_lines('[sound]\nclip = "x"\n'), ("sound", 0, "clip")) == 2


values = st.recursive(
    st.integers(-5, 5) | st.sampled_from(['"a]#"', "'{'", "true", '"""x\n]y"""', "1979-05-27", "2.5"]),
    lambda inner: st.lists(inner, max_size=3).map(lambda items: "[" + ",\n".join(map(str, items)) + "]"),
    max_leaves=5,
)


@given(st.dictionaries(st.sampled_from("abcdefg"), values, min_size=1), st.integers(0, 3))
def test_lines_point_at_the_key(content: dict[str, Any], blank: int) -> None:
    text = ("\n" * blank).join(f"{key} = {value}\n" for key, value in content.items())
    tomllib.loads(text)
    lines = key_lines(text)
    for key in content:
        assert text.split("\n")[lines[(key,)] - 1].startswith(f"{key} =")
