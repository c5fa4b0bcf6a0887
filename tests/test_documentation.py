"""The READMEs tell everything that a user can set, call or type, and what they tell is so."""

from __future__ import annotations

import re
import shlex
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast, get_args

import msgspec
import pytest

from axlewright_edge.config import AgentSettings
from axlewright_models.command_line import SUMMARIES, load_command
from axlewright_models.wire.topics import TopicKind
from axlewright_server.api.application import create_app
from axlewright_server.settings import Settings

ROOT = Path(__file__).parents[1]
READMES = sorted(
    path
    for pattern in ("*.md", "edge/**/*.md", "server/**/*.md", "models/**/*.md", "simulators/**/*.md", "tests/**/*.md")
    for path in ROOT.glob(pattern)
)
TEXTS = {path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8") for path in READMES}
TEXT = "\n".join(TEXTS.values())
HIDDEN_ROUTES = {"/openapi.json"}  # the framework's own


def examples() -> Iterator[tuple[str, str]]:
    """Yield each `axlewright ...` line of fenced or indented blocks, with the file that it stands in."""
    for name, text in TEXTS.items():
        fenced = False
        lines = iter(text.replace("\\\n", " ").splitlines())
        for line in lines:
            if line.lstrip().startswith("```"):
                fenced = not fenced
            elif (fenced or line.startswith("    ")) and re.match(r"\s*(\$ )?axlewright \S", line):
                yield name, line.strip().removeprefix("$ ")


EXAMPLES = sorted(set(examples()))


def test_there_are_readmes_and_examples_to_hold_to_their_word() -> None:
    assert "README.md" in TEXTS
    assert len(EXAMPLES) >= 8


@pytest.mark.parametrize("name", sorted(SUMMARIES))
def test_every_command_is_told(name: str) -> None:
    assert re.search(rf"axlewright {re.escape(name)}\b", TEXT), f"no README shows `axlewright {name}`"


@pytest.mark.parametrize("kind", list(TopicKind))
def test_every_kind_of_topic_is_told(kind: TopicKind) -> None:
    assert re.search(rf"\b{re.escape(kind.value)}\b", TEXT)
    assert re.search(rf"axlewright/1/\S*/{re.escape(kind.value)}|`[^`]*\b{re.escape(kind.value)}\b[^`]*`", TEXT)


def keys_of(structure: type[Any], prefix: str = "") -> Iterator[str]:
    """Yield the dotted keys of a settings structure and of those in it."""
    for field in msgspec.structs.fields(structure):
        kinds = [kind for kind in (field.type, *get_args(field.type)) if isinstance(kind, type)]
        inner = [kind for kind in kinds if issubclass(kind, msgspec.Struct)]
        for kind in inner:
            yield from keys_of(kind, f"{prefix}{field.encode_name}.")
        if not inner:
            yield prefix + field.encode_name


SAMPLES = {"edge/agent.toml": AgentSettings, "server/office.toml": Settings}
UNTOLD = {"broker.password"}  # a password in the file itself is possible, and not recommended
KEYS = sorted(
    {(sample, key) for sample, structure in SAMPLES.items() for key in keys_of(structure) if key not in UNTOLD}
)


@pytest.mark.parametrize(("sample", "key"), KEYS)
def test_every_key_of_the_agent_and_the_office_is_told(sample: str, key: str) -> None:
    # The README of the room sends its readers to the annotated sample.
    assert f"`{Path(sample).name}`" in TEXTS[f"{Path(sample).parent}/README.md"]
    told = (ROOT / sample).read_text(encoding="utf-8") + TEXT
    last = key.rsplit(".", 1)[-1]
    assert re.search(rf"(?m)^(# ?)?{re.escape(last)} = |`{re.escape(key)}`", told), (
        f"no README, nor {sample}, tells {key}"
    )


def test_every_key_of_a_sample_is_one_that_exists() -> None:
    for sample, structure in SAMPLES.items():
        msgspec.convert(tomllib.loads((ROOT / sample).read_text(encoding="utf-8")), structure)


def test_every_route_of_the_interface_is_told() -> None:
    # Routes are made without asking the office anything; only its clock is looked at.
    paths = create_app(cast("Any", SimpleNamespace(clock=lambda: 0.0))).openapi()["paths"]
    missing = [
        f"{method.upper()} {path}"
        for path, methods in paths.items()
        for method in methods
        if (path.startswith("/api/") or path in {"/healthz", "/readyz", "/metrics"})
        and f"{method.upper()} {path}`" not in TEXT
        and path not in HIDDEN_ROUTES
    ]
    assert len(paths) > 10
    assert missing == []


@pytest.mark.parametrize(("name", "line"), EXAMPLES)
def test_every_example_of_a_readme_is_understood_by_its_command(name: str, line: str) -> None:
    words = shlex.split(re.split(r"\s{2,}", line)[0], comments=True)[1:]
    words = [word for word in words if word not in {"&"}]
    if words[0].startswith("-") or words[0] == "COMMAND":
        return
    load_command(words[0]).parser().parse_args([word for word in words[1:] if word != "--help"])


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_no_readme_names_a_place_of_this_machine(name: str) -> None:
    text = TEXTS[name]
    assert str(ROOT) not in text
    assert not re.findall(r"(?<![\w/.])/(?:home|root|work|Users|tmp)/\S*", text)


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_every_relative_link_leads_somewhere(name: str) -> None:
    links = re.findall(r"\]\(([^)\s]+)\)", re.sub(r"```.*?```", "", TEXTS[name], flags=re.DOTALL))
    local = [link.split("#")[0] for link in links if not re.match(r"[a-z]+:|#", link)]
    assert [link for link in local if not ((ROOT / name).parent / link).exists()] == []
