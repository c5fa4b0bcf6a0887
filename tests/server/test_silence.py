"""What has not had the time to show is neither for nor against a cause; it is once it has."""

from __future__ import annotations

import dataclasses
import math

import pytest
from known_truth import BEGIN_S as FIRST_S
from known_truth import Faults, Journey, chunk, fleet, rows, signals
from test_diagnosis import EVERYTHING, KNOWLEDGE, TABLE, USUAL, packaged_text, symptom, view

from axlewright_server.detectors.ride_height import RideHeight
from axlewright_server.diagnosis.decide import LEAST_FAULTY, decide
from axlewright_server.diagnosis.facts import KnowledgeError
from axlewright_server.diagnosis.knowledge import parse_knowledge
from axlewright_server.diagnosis.picture import Standing, due, onset_s, seen, silence_tells_s
from axlewright_server.diagnosis.posterior import NONE, posterior
from axlewright_server.kernel import Kernel

HOUR = 3600.0
BEGUN_S = 1000.0
RISE = symptom("lube-rise", "lube", 12.0, level=2, since_s=BEGUN_S, time_s=BEGUN_S + 120.0)
LOUD = symptom("order-high", "vib/order/mesh-1", 3.0, since_s=BEGUN_S, time_s=BEGUN_S + 600.0)
LOW = symptom("height-low", "height/left,height/right", -12.0, since_s=BEGUN_S - 90 * HOUR)


def at(hours, *symptoms):
    return dataclasses.replace(view(*symptoms), time_s=BEGUN_S + hours * HOUR)


def known(hours, *symptoms):
    own = at(hours, *symptoms)
    return due(KNOWLEDGE, own, seen(KNOWLEDGE, own, view()))


def ranked(hours, *symptoms):
    return [*posterior(KNOWLEDGE, known(hours, *symptoms))]


def told(own):
    return [advisory for advisory, _ in decide(KNOWLEDGE, TABLE, 0, own.time_s, own, view(), []).changes]


def test_silence_counts_once_it_has_had_its_time():
    for name in ("mesh-orders", "hotter-than-partner", "lube-sensor", "warms-fast"):
        takes_h = KNOWLEDGE.evidence[name].takes_h
        assert takes_h > 0.0
        assert name not in known(takes_h - 0.1, RISE)
        assert known(takes_h + 0.1, RISE)[name] is False


def test_what_says_nothing_of_its_time_tells_at_once():
    assert known(0.05, RISE)["leak-down"] is False


def test_what_began_long_ago_has_had_its_time_whatever_came_since():
    old = symptom("order-rising", "vib/order/driveshaft-1", 1.6, since_s=BEGUN_S - 90 * HOUR)
    assert known(0.05, RISE, old)["mesh-orders"] is False
    # A height out of set or a sensor's own trouble are no begin of what the axle shows now.
    bias = symptom("sensor-bias", "height/left", 9.0, since_s=BEGUN_S - 90 * HOUR)
    assert onset_s(KNOWLEDGE, view(RISE, LOW, bias).standing) == BEGUN_S
    assert onset_s(KNOWLEDGE, view(LOW, bias).standing) is None
    assert silence_tells_s(KNOWLEDGE, view(LOW, bias).standing) == []


def test_a_sudden_loss_is_among_the_first_three_before_its_noise_and_its_heat_have_come():
    # Common practice, no published source: lube that rises suddenly without more load is a stop-and-check, a loss of
    # lube among the first things to look for; gears grow loud and the housing hot only some minutes after.
    for first in (RISE, LOUD):
        assert "sudden-lube-loss" in ranked(0.1, first)[:3]
        assert "sudden-lube-loss" not in ranked(90.0, first)[:3]


def test_whether_anything_is_wrong_is_asked_as_if_all_silence_told():
    # Shaking without a line alone is nothing yet: that the rest is silent counts against any fault from the start.
    shaking = symptom("vibration-high", "vib/kurtosis", 4.0, since_s=BEGUN_S, time_s=BEGUN_S + 600.0)
    probabilities = posterior(KNOWLEDGE, known(0.2, shaking))
    assert 1.0 - probabilities[NONE] > LEAST_FAULTY
    assert told(at(0.2, shaking)) == []
    # Grave ones are told at once; by then the silence has no say in what is likeliest.
    (grave,) = told(at(0.05, RISE))
    assert grave.message.urgency == "stop-safely-now"
    assert "sudden-lube-loss" in [cause.id for cause in grave.message.causes][:3]


def test_an_axle_is_judged_again_when_silence_begins_to_tell():
    kernel = Kernel(fleet(1))
    kernel._standing[0] = {RISE.key: Standing(RISE, RISE.time_s, "lube-rise")}
    kernel._source_of = {"lube-rise": "lube-rise"}
    kernel._last_s[:] = BEGUN_S + 120.0
    kernel._set_deadline(0)
    waits_s = [BEGUN_S + wait_s for wait_s in KNOWLEDGE.waits_s]
    assert kernel._deadline_s[0] == min(waits_s)
    kernel._last_s[:] = BEGUN_S + 3 * HOUR
    kernel._set_deadline(0)
    assert kernel._deadline_s[0] == min(when_s for when_s in waits_s if when_s > BEGUN_S + 3 * HOUR)
    kernel._last_s[:] = max(waits_s)
    kernel._set_deadline(0)
    assert math.isinf(kernel._deadline_s[0])


def test_a_time_to_show_is_no_less_than_none():
    text = packaged_text().replace("takes_h = 0.25", "takes_h = -1.0")
    with pytest.raises(KnowledgeError, match=r"evidence.lube-rise.takes_h"):
        parse_knowledge(text)


def test_every_evidence_of_the_driveline_says_its_time():
    driveline = {
        name
        for key in EVERYTHING
        if key.startswith(("lube-", "heat-", "warms-", "order-", "envelope-", "source-", "hotter", "colder"))
        and not (name := KNOWLEDGE.evidence_of(key)).startswith("lube-level-fell")
    }
    assert {name for name in driveline if KNOWLEDGE.evidence[name].takes_h == 0.0} == set()


def test_the_first_three_follow_when_silence_begins_to_tell_though_no_symptom_changes(monkeypatch):
    readings = rows([signals(Journey((("drive", 6.0),)), 3, Faults())], 600.0)
    begun_s = FIRST_S + HOUR
    rise = symptom("lube-rise", "lube", 12.0, level=2, since_s=begun_s, time_s=begun_s + 120.0)
    kernel = Kernel(fleet(1), [RideHeight()])
    monkeypatch.setattr(kernel, "observable", lambda _: {"all": USUAL})
    kernel.run(chunk(readings, FIRST_S, begun_s + 60.0))
    kernel._standing[0] = {rise.key: Standing(rise, rise.time_s, "lube-rise")}
    kernel._source_of["lube-rise"] = "lube-rise"
    ((first, _),) = kernel._judge(0, rise.time_s)
    assert "sudden-lube-loss" in [cause.id for cause in first.message.causes][:3]
    changes = kernel.run(chunk(readings, begun_s + 60.0, begun_s + 3 * HOUR)).changes
    assert {record.action for _, record in changes} == {"updated"}
    waits_s = [begun_s + wait_s for wait_s in KNOWLEDGE.waits_s if wait_s < 3 * HOUR]
    # Each falls due with the first window after it, ten minutes long.
    for record in (record for _, record in changes):
        assert any(0.0 <= record.time_s - when_s < 600.0 for when_s in waits_s)
    assert "sudden-lube-loss" not in [cause.id for cause in changes[-1][0].message.causes][:3]
