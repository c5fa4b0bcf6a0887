"""The command line finds what the rooms bring and says what is missing."""

from __future__ import annotations

import subprocess
import sys
from importlib.metadata import EntryPoint

import pytest

from axlewright_models import __version__
from axlewright_models.command_line import GROUP, SUMMARIES, load_command, main
from axlewright_models.errors import ModelError


def test_the_overview_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    text = capsys.readouterr().out
    assert all(name in text for name in SUMMARIES)


def test_the_version_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert __version__ in capsys.readouterr().out


def test_an_unknown_command_is_said_with_the_known_ones(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["drive"]) == 2
    assert "no command 'drive'; use one of" in capsys.readouterr().err


@pytest.mark.parametrize("name", sorted(SUMMARIES))
def test_every_command_loads_and_its_help_has_an_example(name: str) -> None:
    command = load_command(name)
    assert command.name == name
    assert "examples:" in command.parser().format_help()


def test_a_missing_library_is_named_with_its_remedy() -> None:
    point = EntryPoint("serve", "library_that_is_not_installed:COMMAND", GROUP)
    with pytest.raises(ModelError, match=r"pip install 'axlewright\[server\]'"):
        load_command("serve", {"serve": point})


def test_a_reader_that_has_seen_enough_causes_no_traceback():
    command = f"{sys.executable} -m axlewright_models.command_line schema fleet | head -c 10"
    ended = subprocess.run(command, shell=True, capture_output=True, text=True)
    assert len(ended.stdout) == 10
    assert ended.stderr == ""
