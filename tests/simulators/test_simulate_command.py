"""The command `axlewright simulate`: what cannot be done is said in one line, before anything is written."""

from __future__ import annotations

from pathlib import Path

import pytest

from axlewright_models.command_line import main


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--seeds", "2001", "-1"], "--seeds holds -1; use whole numbers, 0 or more"),
        (["--healthy", "1", "--scenarios", "lean"], "--healthy and --scenarios are both given"),
        (["--healthy", "1", "--days", "0"], "--days above 0"),
        (["--scenarios", "leen"], "there is no scenario 'leen' in the library"),
        (["--climates", "lunar"], "climates ['lunar']: unknown"),
        (["--lost-frames", "1.5"], "knob lost_frames is 1.5, must be 0 to 1"),
    ],
)
def test_wrong_words_are_told_and_write_nothing(
    words: list[str], message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["simulate", "--into", str(tmp_path / "weeks"), *words]) == 1
    assert message in capsys.readouterr().err
    assert not (tmp_path / "weeks").exists()


def test_a_file_in_the_folders_place_stays_as_it_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = tmp_path / "weeks"
    place.write_text("mine", encoding="utf-8")
    assert main(["simulate", "--into", str(place), "--healthy", "1", "--days", "1"]) == 1
    assert f"{place}: cannot be used as a folder (File exists); choose another with --into" in capsys.readouterr().err
    assert place.read_text(encoding="utf-8") == "mine"
