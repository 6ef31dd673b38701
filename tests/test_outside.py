"""The outside recordings are what tests take them for."""

from __future__ import annotations

import numpy as np
import pytest

from tests import outside


@pytest.mark.outside_data
def test_spring_clicks_are_171_mono_clips() -> None:
    clips = outside.names("bucklespring-data", "*.wav")
    assert len(clips) == 171
    samples, rate_hz = outside.sound("bucklespring-data", "03-1.wav")
    assert rate_hz == 44100
    assert samples.ndim == 1


@pytest.mark.outside_data
@pytest.mark.parametrize(
    ("package", "name", "rate_hz", "length_s"),
    [
        ("freedink-data", "wscream.wav", 22050, 0.69),
        ("freegish-data", "blockbreak.wav", 44100, 0.173),
        ("sonic-pi-samples", "elec_wood.flac", 44100, 0.478),
    ],
)
def test_files_decode(package: str, name: str, rate_hz: int, length_s: float) -> None:
    samples, found_hz = outside.sound(package, name)
    assert found_hz == rate_hz
    assert len(samples) / rate_hz == pytest.approx(length_s, rel=0.05)


@pytest.mark.outside_data
def test_a_lump_is_a_sound_around_zero() -> None:
    samples, rate_hz = outside.lump("DSPLPAIN")
    assert rate_hz in (11025, 22050, 44100)
    assert 0.1 < len(samples) / rate_hz < 3.0
    assert abs(float(np.mean(samples))) < 0.05
    assert 0.2 < float(np.max(np.abs(samples))) <= 1.0


@pytest.mark.outside_data
def test_seismograms_are_there() -> None:
    assert outside.seismogram("manz_waldk.a01.gz").is_file()
    assert outside.seismogram("loc_RJOB20050801145719850.z").is_file()


def test_a_missing_package_skips_with_the_line_that_installs_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CUESYNC_OUTSIDE_DATA", raising=False)
    with pytest.raises(pytest.skip.Exception, match=r"install it with: sudo apt-get install x"):
        outside.without("x", "sudo apt-get install x")


def test_a_missing_package_fails_where_it_is_compulsory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CUESYNC_OUTSIDE_DATA", "required")
    with pytest.raises(pytest.fail.Exception, match=r"CUESYNC_OUTSIDE_DATA=required"):
        outside.without("x", "sudo apt-get install x")
