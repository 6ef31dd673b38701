from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.report.words import (
    from_pop_text,
    is_for_the_pop,
    length_text,
    light_sentence,
    message_sentence,
    ms_text,
    shorten,
)
from cuesync.wrapping import columns, wrapped
from tests.report.building import DELAY_S, all_shapes, light, sound, to_other_gear


@pytest.mark.parametrize(
    ("time_s", "text"),
    [(0.6423, "642.3"), (0.0, "0.0"), (-0.00001, "0.0"), (-0.0125, "−12.5"), (12.3456, "12345.6")],
)
def test_milliseconds_have_one_digit_and_zero_has_no_sign(time_s: float, text: str) -> None:
    assert ms_text(time_s) == text


def test_a_signed_time_shows_plus_but_not_at_zero() -> None:
    assert ms_text(0.012, sign=True) == "+12.0"
    assert ms_text(0.00001, sign=True) == "0.0"


def test_long_times_are_told_in_seconds() -> None:
    assert length_text(9.9) == "9900.0 ms"
    assert length_text(30.0) == "30.00 s"


def test_side_of_the_pop_is_told_in_words() -> None:
    assert from_pop_text(0.7, 0.6423) == "57.7 ms after the pop"
    assert from_pop_text(0.6, 0.6423) == "42.3 ms before the pop"
    assert from_pop_text(0.6423, 0.6423) == "with the pop"


@pytest.mark.parametrize(
    ("at_ms", "meant"),
    [(-91, False), (-90, True), (0, True), (185, True), (186, False)],
)
def test_a_sound_is_for_the_pop_within_the_acceptability_window(at_ms: int, meant: bool) -> None:
    """ITU-R BT.1359-1, considering g: acceptable up to 90 ms early and 185 ms late."""
    assert is_for_the_pop(sound(at_s=at_ms / 1000.0), DELAY_S) is meant


@given(st.text(st.characters(exclude_categories=("Cs", "Cc"))), st.integers(3, 40))
def test_shortened_text_fits_and_keeps_what_fits_already(text: str, width: int) -> None:
    shortened = shorten(text, width)
    assert columns(shortened) <= width
    assert "\n" not in shortened
    whole = " ".join(text.split())
    if columns(whole) <= width:
        assert shortened == whole


def test_both_ends_of_a_name_survive() -> None:
    assert shorten("build-up drone, take 17.flac", 17) == "build-up… 17.flac"


def test_columns_agree_with_unicode_east_asian_width() -> None:
    """UAX #11: wide and fullwidth letters take two columns, combining marks none."""
    assert columns("悲鳴") == 4
    assert columns("e\u0301") == 1
    assert unicodedata.east_asian_width("悲") == "W"


def test_a_line_is_broken_between_words_and_keeps_what_stands_before_it() -> None:
    text = "  note: the scream lands 12 ms late"
    assert wrapped(text, 20, 4) == "  note: the scream\n    lands 12 ms late"
    assert wrapped(text, 80, 4) == text
    assert wrapped("12:00:00      0.1 s  fault", 80, 10) == "12:00:00      0.1 s  fault"
    assert wrapped("\nBefore people come", 10, 2) == "\nBefore\n  people\n  come"


def test_a_path_is_never_broken() -> None:
    assert wrapped("at /a/very/long/path/to/copy now", 12, 2) == "at\n  /a/very/long/path/to/copy\n  now"


@given(st.lists(st.text("abc悲", min_size=1, max_size=9), min_size=1), st.integers(22, 40))
def test_no_wrapped_line_is_too_wide_and_no_word_is_lost(words: list[str], width: int) -> None:
    """A word of nine wide letters and a hang of four take 22 columns."""
    text = wrapped(" ".join(words), width, 4)
    assert text.split() == words
    assert max(columns(line) for line in text.splitlines()) <= width


def test_what_goes_to_other_gear_is_told_in_a_sentence() -> None:
    go, code = to_other_gear()
    assert message_sentence(go, DELAY_S) == "Other gear is sent go 12 lighting 1, for the pop."
    told = message_sentence(code, DELAY_S)
    assert told == "Other gear is sent time code 25 for 1500.0 ms, beginning 642.3 ms before the pop."


def test_every_shape_of_light_is_told_in_a_sentence() -> None:
    assert [light_sentence(shape, DELAY_S) for shape in (light(), *all_shapes())] == [
        "Light midi:36 comes on with the pop for 80.0 ms.",
        "Light midi:36 comes on with the pop for 80.0 ms, at 50 %.",
        "Light midi:36 gives 2 flashes within 400.0 ms, the first 200.0 ms after the pop.",
        "Light midi:37 goes dark 300.0 ms before the pop for 200.0 ms.",
        "Light midi:38 fades from 100 % to 25 % over 400.0 ms, beginning with the pop.",
        "Light midi:39 flickers between 25 % and 75 % for 400.0 ms, beginning 100.0 ms after the pop.",
        "Light midi:37 comes on 300.0 ms after the pop for 800.0 ms.",
    ]
