"""The truth file: what it may say, and what is refused with which words."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from axlewright_server.diagnosis.knowledge import load_knowledge
from axlewright_server.errors import EvaluationError
from axlewright_server.evaluation.truth import check_against, parse_truth, read_truth, service_events

ROOT = Path(__file__).parents[2]
EVENT = {"vehicle": "t-1", "onset": "2026-03-04T06:00:00Z", "causes": ["dragging-brake"]}


def document(*events, **more):
    return json.dumps({"format": "axlewright-truth-1", "events": list(events)} | more).encode()


def test_the_example_of_the_readme_is_read():
    text = (ROOT / "server" / "README.md").read_text(encoding="utf-8")
    examples = re.findall(r"```json\n(.*?)```", text, flags=re.DOTALL)
    example = next(one for one in examples if "axlewright-truth-1" in one)
    truth = parse_truth(example.encode())
    check_against(truth, {"hv-101", "hv-102"}, load_knowledge().causes)
    assert [event.harmless for event in truth.events] == [False, True]
    assert service_events(truth)[0].touched == {"lube"}


def test_the_readme_tells_every_member_of_an_event():
    text = (ROOT / "server" / "README.md").read_text(encoding="utf-8")
    for name in parse_truth(document(EVENT)).events[0].__struct_fields__:
        assert f"`{name}`" in text


def test_a_time_without_a_zone_is_utc():
    (event,) = parse_truth(document(EVENT | {"onset": "2026-03-04T06:00:00"})).events
    assert event.onset_s == parse_truth(document(EVENT)).events[0].onset_s == 1_772_604_000.0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"{", "truth: .*form is described in server/README.md"),
        (document(EVENT, format="truth-9"), "format: is 'truth-9'; use one of 'axlewright-truth-1'"),
        (document(EVENT | {"onset": "soon"}), r"truth: events\[0\].onset: Invalid RFC3339"),
        (document(EVENT | {"axel": 2}), r"events\[0\]: .*unknown field `axel`; did you mean axle\?"),
        (document(EVENT | {"causes": []}), r"events\[0\] of 't-1': causes is empty"),
        (document(EVENT | {"failure": "2026-03-01T00:00:00Z"}), "failure is not after onset"),
        (document(EVENT | {"end": "2026-03-04T06:00:00Z"}), "end is not after onset"),
        (document(EVENT | {"detectable": False}), "reason is empty; say why"),
        (
            document(EVENT | {"brought_about": [{"source": "bearing", "axle": 2, "since": "2026-03-01T00:00:00Z"}]}),
            r"events\[0\] of 't-1': brought_about holds a source from before the onset",
        ),
        (
            document(EVENT | {"brought_about": [{"source": "bearing", "axle": 0, "since": "2026-03-09T00:00:00Z"}]}),
            ">= 1",
        ),
        (document(EVENT | {"axle": 120}), "<= 99"),
        (
            document(EVENT, services=[{"vehicle": "t-1", "time": "2026-03-05T00:00:00Z", "touched": ["paint"]}]),
            r"services\[0\].*unknown: paint; use one or more of",
        ),
    ],
)
def test_a_truth_of_another_form_is_refused_with_the_place(text, words):
    with pytest.raises(EvaluationError, match=words):
        parse_truth(text)


def test_trucks_and_causes_must_exist():
    truth = parse_truth(document(EVENT))
    with pytest.raises(EvaluationError, match=r"events\[0\]: vehicle 't-1' is not in the fleet file"):
        check_against(truth, {"t-2"}, {"dragging-brake"})
    with pytest.raises(EvaluationError, match="no cause 'dragging-brake' in the knowledge base; allowed are hard-duty"):
        check_against(truth, {"t-1"}, {"hard-duty"})
    with pytest.raises(EvaluationError, match="did you mean dragging-brakes"):
        check_against(truth, {"t-1"}, {"hard-duty", "dragging-brakes"})


@pytest.mark.parametrize(
    "member",
    [
        {"source": "gear-mash"},
        {"brought_about": [{"source": "gear-mash", "axle": 2, "since": "2026-03-09T00:00:00Z"}]},
    ],
)
def test_a_vibration_source_that_does_not_exist_is_named(member):
    truth = parse_truth(document(EVENT | member))
    with pytest.raises(EvaluationError, match=r"events\[0\]: no vibration source 'gear-mash'; did you mean gear-mesh"):
        check_against(truth, {"t-1"}, {"dragging-brake"})


def test_a_file_that_is_not_there_is_told(tmp_path):
    with pytest.raises(EvaluationError, match="cannot be read: No such file"):
        read_truth(tmp_path / "truth.json")
