"""Topics: what is built is parsed back, what is wrong is named."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from axlewright_models.errors import TopicError
from axlewright_models.wire.topics import Topic, TopicKind, subscription

identifiers = st.from_regex(r"[a-z0-9-]{1,64}", fullmatch=True)
topics = st.builds(Topic, identifiers, identifiers, st.sampled_from(TopicKind)) | st.builds(
    Topic, identifiers, identifiers, st.sampled_from([TopicKind.ADVISORY, TopicKind.BURST]), identifiers
)


@given(topics)
def test_any_topic_survives_as_text(topic):
    assert Topic.parse(topic.text) == topic


@pytest.mark.parametrize(
    ("topic", "text"),
    [
        (Topic("harrow-vale", "t07", TopicKind.READINGS), "axlewright/1/harrow-vale/t07/readings"),
        (Topic("harrow-vale", "t07", TopicKind.STATUS), "axlewright/1/harrow-vale/t07/status"),
        (Topic("harrow-vale", "t07", TopicKind.ADVISORY, "a-1"), "axlewright/1/harrow-vale/t07/advisory/a-1"),
    ],
)
def test_topics_read_as_the_contract_says(topic, text):
    assert topic.text == text


WRONG_TOPICS = [
    ("", "does not begin with 'axlewright/1/'"),
    ("axlewright/2/f/v/readings", "does not begin with 'axlewright/1/'"),
    ("axlewright/1/f/readings", "has 4 levels; use axlewright/1/<fleet>/<vehicle>/<kind>"),
    ("axlewright/1/f/v/advisory/a/b", "has 7 levels"),
    ("axlewright/1/F/v/readings", "topic fleet is 'F'; use 1 to 64 of a-z, 0-9 and \"-\""),
    ("axlewright/1/f//readings", "topic vehicle is ''"),
    ("axlewright/1/f/+/readings", "topic vehicle is '+'"),
    ("axlewright/1/f/v\n/readings", "topic vehicle is 'v\\n'"),
    (f"axlewright/1/{'f' * 65}/v/readings", "topic fleet is 'fff"),
    ("axlewright/1/f/v/speed", "ends in 'speed'; use one of readings, burst, status, ack, command, advisory"),
    ("axlewright/1/f/v/readings/x", "a topic of kind 'readings' ends there; 'x' may not follow"),
    ("axlewright/1/f/v/advisory/", "topic item is ''"),
]


@pytest.mark.parametrize(("text", "message"), WRONG_TOPICS)
def test_a_wrong_topic_is_refused_by_the_level_that_is_wrong(text, message):
    with pytest.raises(TopicError) as caught:
        Topic.parse(text)
    assert message in str(caught.value)


def matches(pattern: str, topic: str) -> bool:
    """MQTT 5.0 section 4.7: "+" is one level, "/#" the level above and everything below."""
    wanted, given_levels = pattern.split("/"), topic.split("/")
    if wanted[-1] == "#":
        return matches("/".join(wanted[:-1]), "/".join(given_levels[: len(wanted) - 1]))
    return len(wanted) == len(given_levels) and all(w in ("+", g) for w, g in zip(wanted, given_levels, strict=True))


@given(topics)
def test_the_subscription_of_a_kind_catches_every_topic_of_that_kind_and_no_other(topic):
    for kind in TopicKind:
        assert matches(subscription(kind), topic.text) == (kind is topic.kind)
        assert matches(subscription(kind, topic.fleet, topic.vehicle), topic.text) == (kind is topic.kind)


def test_a_subscription_to_a_wrong_fleet_is_refused():
    with pytest.raises(TopicError, match="subscription fleet is '#'"):
        subscription(TopicKind.READINGS, fleet="#")
