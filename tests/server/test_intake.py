"""The intake: what is judged before a frame may be committed."""

from __future__ import annotations

import json

import pytest

from axlewright_server.ingest import Message
from axlewright_server.intake import Intake, Taken

NOW_S = 1_750_000_000.0


def pack(channel: str, offset_s: float) -> bytes:
    """Return a frame whose own channel is timely and whose last record lies `offset_s` from it."""
    records = [
        {"bn": "yard/t-1/", "bt": NOW_S, "n": "stream", "vs": "s1"},
        {"n": "seq", "v": 1},
        {"n": "speed", "u": "m/s", "v": 20.0},
        {"n": channel, "v": 1.0, "t": offset_s},
    ]
    return json.dumps(records).encode()


@pytest.mark.parametrize("channel", ["seat-heater", "axle/2/strain"])
@pytest.mark.parametrize(
    ("offset_s", "reason"), [(1e9, "in the future"), (1e17, "in the future"), (-401 * 86400.0, "in the past")]
)
def test_the_time_of_an_unknown_channel_is_judged_like_any_other(channel: str, offset_s: float, reason: str) -> None:
    taken = Taken()
    Intake("yard", {"t-1"}).take(
        Message("axlewright/1/yard/t-1/readings", pack(channel, offset_s), NOW_S), NOW_S, taken
    )
    (item,) = taken.items
    assert item.decoded is None
    assert item.quarantined is not None
    assert item.quarantined.kind == "time"
    assert reason in item.quarantined.reason


def test_an_unknown_channel_at_a_timely_moment_is_taken() -> None:
    taken = Taken()
    message = Message("axlewright/1/yard/t-1/readings", pack("seat-heater", -10.0), NOW_S)
    Intake("yard", {"t-1"}).take(message, NOW_S, taken)
    (item,) = taken.items
    assert item.decoded is not None
    assert item.decoded.extras == {(NOW_S - 10.0, 0, "seat-heater"): 1.0}
