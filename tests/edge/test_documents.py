"""The README, the sample configuration and the service unit say what the code does."""

from __future__ import annotations

import configparser
import re
from pathlib import Path

import pytest

from axlewright_edge import config
from axlewright_edge.commands import AGENT, CHECK, REPLAY
from axlewright_edge.config import parse_agent
from axlewright_edge.sources.replay import read_table

EDGE = Path(__file__).parents[2] / "edge"
README = (EDGE / "README.md").read_text(encoding="utf-8")
SAMPLE = (EDGE / "agent.toml").read_text(encoding="utf-8")


def test_the_sample_is_a_valid_agent_file() -> None:
    agent = parse_agent(SAMPLE)
    assert agent.broker.address.tls
    assert agent.outbox.bounds == config.Bounds(), "the sample's bounds are not the defaults that it shows"


def uncommented(block: str) -> str:
    """Return a part of the sample that stands in comments, without the sentences above it."""
    lines = [line.removeprefix("#").removeprefix(" ") for line in block.splitlines()]
    return "\n".join(line for line in lines if re.match(r"[\w\[{]+.*[=\]]", line))


@pytest.mark.parametrize(
    ("heading", "kind"),
    [("# Recorded readings instead", config.ReplaySettings), ("# The truck's own sensors", config.SensorsSettings)],
)
def test_the_samples_other_sources_are_valid_too(heading: str, kind: type) -> None:
    block = SAMPLE.split(heading)[1].split("\n\n")[0]
    # Of what shows each key once not all goes together: a recorded bus and a live one, four ways to know the shaft.
    text = SAMPLE[: SAMPLE.index("[source]")] + uncommented(block).split("[[source.recording]]")[0]
    text = re.sub(r"(?m)^(file|speed) = .*(recorded bus|of the recording).*$", "", text)
    assert isinstance(parse_agent(text).source, kind)


@pytest.mark.parametrize(
    "struct",
    [
        config.AgentSettings,
        config.BrokerSettings,
        config.OutboxSettings,
        config.SimulatedSettings,
        config.ReplaySettings,
    ],
    ids=lambda struct: struct.__name__,
)
def test_the_sample_shows_every_key(struct: type) -> None:
    for key in struct.__struct_fields__:  # type: ignore[attr-defined]
        # A password in the file itself is possible and not recommended; the sample shows the better way.
        if key not in ("source", "outbox", "broker", "guard", "bursts", "password"):
            assert re.search(rf"^(# )?{key} = ", SAMPLE, re.MULTILINE), f"{key} is not in agent.toml"


@pytest.mark.parametrize("table", ["outbox", "broker", "guard", "source", "bursts"])
def test_the_sample_shows_every_table(table: str) -> None:
    assert re.search(rf"^(# )?\[{table}\]", SAMPLE, re.MULTILINE)


def test_the_readmes_table_is_read(tmp_path: Path) -> None:
    block = re.search(r"```csv\n(.*?)```", README, re.DOTALL)
    assert block is not None
    path = tmp_path / "day.csv"
    path.write_text(block.group(1), encoding="utf-8")
    windows = list(read_table(path))
    assert [(vehicle, sorted(window.axles)) for vehicle, window in windows] == [("hv-101", [2, 3]), ("hv-101", [2])]


@pytest.mark.parametrize("command", [AGENT, CHECK, REPLAY], ids=lambda command: command.name)
def test_the_readmes_command_lines_are_understood(command: object) -> None:
    assert isinstance(command, type(AGENT))
    lines = re.findall(rf"^axlewright {command.name} (.*?)(?:   .*|  end .*)?$", README, re.MULTILINE)
    assert lines
    for line in lines:
        command.parser().parse_args(line.split())


def test_the_unit_starts_the_command_that_there_is() -> None:
    unit = configparser.ConfigParser(interpolation=None, strict=False)
    unit.read_string((EDGE / "axlewright-agent@.service").read_text(encoding="utf-8"))
    words = unit["Service"]["ExecStart"].split()
    assert words[1] == AGENT.name
    AGENT.parser().parse_args(words[2:])
    checked = unit["Service"]["ExecStartPre"].split()
    assert checked[1] == CHECK.name
