"""The head of causes.toml tells what loading demands; here each of those demands is broken once."""

from __future__ import annotations

import re
from importlib import resources

import pytest
from msgspec import inspect

from axlewright_server.diagnosis.facts import Likelihood
from axlewright_server.diagnosis.knowledge import KnowledgeError, parse_knowledge

TEXT = resources.files("axlewright_server.diagnosis").joinpath("causes.toml").read_text(encoding="utf-8")
HEAD = TEXT.partition("\n[")[0]


def test_the_head_tells_the_shortest_reason_that_is_accepted() -> None:
    (reason,) = [field.type for field in inspect.type_info(Likelihood).fields if field.name == "reason"]  # type: ignore[attr-defined]
    said = re.search(r"a `reason` of at least (\d+) characters", HEAD)
    assert said is not None and int(said[1]) == reason.min_length


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        (r'(\{ p = 0\.\d+), reason = "[^"]{10,}"', r'\1, reason = "too short"', "Expected `str` of length >= 10"),
        (r"\{ p = 0\.\d+", "{ p = 1.0", "Expected `float` < 1.0"),
        (r"prior = 0\.\d+", "prior = 0.0", "Expected `float` > 0.0"),
        (r"\nheight-low = 0\.\d+", "\nheight-low = 1", "must be a number between 0 and 1"),
        (r"\nheight-low = 0\.\d+", "", "has no number in \\[background\\]"),
        (r"\nderived = \"[a-z-]+\"", "", "give either symptoms or derived"),
        (r"\ntouched = \[.*\]", "", 'belongs to derived = "after-service", which needs it'),
        (r"\nbefore = \[.*\]", "", 'belongs to derived = "came-first", which needs it'),
        (r"\nmechanism = \"", '\nmechansim = "', "unknown field `mechansim`|missing required field `mechanism`"),
        (r"\nnormal = \"[a-z-]+\"", '\nnormal = "splendid"', "'splendid' is no outcome"),
    ],
)
def test_what_the_head_forbids_is_refused(old: str, new: str, text: str) -> None:
    head, broken = HEAD, TEXT.removeprefix(HEAD)
    changed, count = re.subn(old, new, broken, count=1)
    assert count == 1
    with pytest.raises(KnowledgeError, match=text):
        parse_knowledge(head + changed)
