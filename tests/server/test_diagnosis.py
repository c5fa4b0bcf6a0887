"""The diagnosis: Bayes' rule done exactly, the right cause for typical pictures, words that a person can use."""

from __future__ import annotations

import itertools
import math
import re
from importlib import resources
from pathlib import Path

import pytest
from known_truth import fleet

from axlewright_models.shop import CHECKS
from axlewright_server.advisories import acknowledge
from axlewright_server.detectors.base import Symptom
from axlewright_server.detectors.suite import default_detectors
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.vibration import LINES, Vibration
from axlewright_server.diagnosis.consequence import height_consequence
from axlewright_server.diagnosis.decide import decide
from axlewright_server.diagnosis.knowledge import KnowledgeError, load_knowledge, parse_knowledge
from axlewright_server.diagnosis.picture import AxleView, Standing, faulty_channels, seen
from axlewright_server.diagnosis.posterior import NONE, diagnose, posterior
from axlewright_server.diagnosis.precursor import leak_precursor
from axlewright_server.diagnosis.wording import symptom_text

KNOWLEDGE = load_knowledge()
TABLE = AxleTable.of(fleet(2))
EVERYTHING = frozenset(symptom for kind in KNOWLEDGE.evidence.values() for symptom in kind.symptoms)
# Without the optional sensors for level and pressure, and where how its height came about is not known.
USUAL = EVERYTHING - {"lube-level-low", "lube-level-fell", "sump-pressure-high", "height-step"}


def packaged_text():
    return resources.files("axlewright_server.diagnosis").joinpath("causes.toml").read_text(encoding="utf-8")


def symptom(code, channel, value=10.0, level=1, since_s=1000.0, time_s=2000.0, axle=0):
    return Symptom(axle, time_s, code, channel, level, since_s, value, 5.0, "mm", 1.0)


def standing(*symptoms):
    return {each.key: Standing(each, each.time_s) for each in symptoms}


def view(*symptoms, observable=USUAL):
    entries = standing(*symptoms)
    return AxleView(entries, observable, faulty_channels(entries))


HOT = symptom("lube-above-model", "lube", 12.0)
HOTTER = symptom("hotter-than-partner", "lube", 12.0)
SLOWLY_HOT = symptom("lube-above-model", "lube", 12.0, since_s=1000.0, time_s=90_000.0)
SLOWLY_HOTTER = symptom("hotter-than-partner", "lube", 12.0, since_s=1000.0, time_s=90_000.0)
SLOW_ANGLES = symptom("order-high", "vib/order/driveshaft-2", 2.0, since_s=1000.0, time_s=90_000.0)
LOW = symptom("height-low", "height/left,height/right", -12.0)


def lead(*symptoms, partner=None):
    findings = diagnose(KNOWLEDGE, seen(KNOWLEDGE, view(*symptoms), view() if partner is None else partner))
    return [finding.cause for finding in findings]


@pytest.mark.parametrize(
    ("symptoms", "cause"),
    [
        ([LOW], "height-valve-out-of-set"),
        ([symptom("height-high", "height/left,height/right")], "height-valve-out-of-set"),
        ([LOW, symptom("order-high", "vib/order/driveshaft-2")], "height-valve-out-of-set"),
        ([symptom("leak-down", "height/left")], "air-spring-leak"),
        ([symptom("leak-down", "height/left"), LOW], "air-spring-leak"),
        ([symptom("order-high", "vib/order/driveshaft-2")], "phasing-error"),
        ([SLOW_ANGLES], "joint-angles-wrong"),
        ([symptom("order-high", "vib/order/driveshaft-1")], "driveshaft-unbalance"),
        ([symptom("order-high", "vib/order/wheel-1")], "tyre-or-wheel"),
        ([symptom("order-high", "vib/order/engine-0.5")], "engine-misfire"),
        ([symptom("envelope-high", "vib/envelope/outer-race"), HOT], "bearing-wear"),
        ([HOT, HOTTER], "dragging-brake"),
        ([HOTTER], "dragging-brake"),
        ([SLOWLY_HOT, SLOWLY_HOTTER], "low-lube-worn-pinion-seal"),
        ([SLOWLY_HOTTER], "low-lube-worn-pinion-seal"),
        ([symptom("sump-pressure-high", "sump-pressure")], "blocked-breather"),
        ([symptom("lube-level-low", "lube-level")], "low-lube-worn-pinion-seal"),
        ([symptom("sensor-range", "lube")], "failed-temperature-sensor"),
        ([symptom("sensor-stuck", "height/left")], "failed-height-sensor"),
        ([symptom("sensor-silent", "vib/rms")], "failed-vibration-sensor"),
        ([symptom("lube-hot", "lube", 118.0)], "hard-duty"),
        ([symptom("vibration-high", "vib/rms")], NONE),
    ],
)
def test_each_typical_picture_leads_to_its_cause(symptoms, cause):
    assert lead(*symptoms) == [cause]


def test_gears_that_grow_loud_within_hours_of_the_heat_tell_a_sudden_loss_from_a_slow_one():
    def mesh(line, since_s, time_s):
        return symptom("order-high", f"vib/order/mesh-{line}", 2.0, since_s=since_s, time_s=time_s)

    def noise(*lines):
        return seen(KNOWLEDGE, view(*lines), view()).get("abrupt-noise")

    at_once, slowly = mesh(1, 80_000.0, 82_000.0), mesh(1, 1000.0, 90_000.0)
    assert lead(HOTTER, at_once) == ["sudden-lube-loss"]
    assert lead(SLOWLY_HOTTER, at_once) == ["low-lube-worn-pinion-seal"]
    assert lead(SLOWLY_HOTTER, slowly) != ["sudden-lube-loss"]
    assert (noise(), noise(at_once), noise(slowly)) == (None, True, False)
    # A line that joins late may rise fast: the one that was heard first tells.
    assert noise(slowly, mesh(2, 88_000.0, 89_000.0)) is False


def test_both_axles_hot_point_to_the_tandem_and_not_to_one_axle():
    assert lead(SLOWLY_HOT, partner=view(SLOWLY_HOT)) == ["tandem-mismatch"]


def test_two_faults_at_once_are_told_apart():
    causes = lead(LOW, symptom("sensor-range", "lube"), symptom("order-high", "vib/order/driveshaft-1"))
    assert sorted(causes) == ["driveshaft-unbalance", "failed-temperature-sensor", "height-valve-out-of-set"]


def test_the_posterior_is_bayes_rule_summed_over_every_hypothesis():
    evidence = {"height-low": True, "leak-down": False, "driveshaft-2": True}
    joint = {}
    for cause in [NONE, *KNOWLEDGE.causes]:
        prior = KNOWLEDGE.none.prior if cause == NONE else KNOWLEDGE.causes[cause].prior
        for name, stands in evidence.items():
            background = KNOWLEDGE.background[name]
            p = background if cause == NONE else KNOWLEDGE.likelihood(cause, name)
            prior *= p if stands else 1.0 - p
        joint[cause] = prior
    total = sum(joint.values())
    ours = posterior(KNOWLEDGE, evidence)
    assert math.fsum(ours.values()) == pytest.approx(1.0)
    for cause, probability in ours.items():
        assert probability == pytest.approx(joint[cause] / total)
    assert list(ours.values()) == sorted(ours.values(), reverse=True)


def test_the_order_in_which_evidence_arrives_does_not_matter():
    names = ["height-low", "driveshaft-2", "leak-down"]
    results = [posterior(KNOWLEDGE, dict.fromkeys(order, True)) for order in itertools.permutations(names)]
    for result in results:
        assert result == pytest.approx(results[0])


def test_what_could_be_seen_and_is_not_speaks_against():
    unknown = posterior(KNOWLEDGE, {"height-low": True})
    absent = posterior(KNOWLEDGE, {"height-low": True, "leak-down": False})
    assert absent["air-spring-leak"] < unknown["air-spring-leak"]


def test_the_absence_of_what_cannot_be_seen_says_nothing():
    blind = view(LOW, observable=frozenset({"height-low"}))
    evidence = seen(KNOWLEDGE, blind, None)
    assert evidence == {"height-low": True}


def test_a_failed_sensor_hides_its_symptoms_and_their_absence():
    evidence = seen(KNOWLEDGE, view(HOT, symptom("sensor-range", "lube")), view())
    assert evidence["lube-sensor"] is True
    assert not {"lube-above-model", "lube-hot", "hotter-than-partner"} & set(evidence)
    assert evidence["height-low"] is False


def test_a_partners_failed_sensor_takes_away_the_difference_to_it():
    evidence = seen(KNOWLEDGE, view(HOTTER), view(symptom("sensor-stuck", "lube", axle=1)))
    assert "hotter-than-partner" not in evidence


def test_every_symptom_of_the_detectors_has_its_place_in_the_knowledge_base():
    known = {"sensor-erratic:lube"}
    vibration = Vibration()
    record = vibration.start(TABLE)[0]
    record["count"] = vibration.learning
    spoken = set(vibration.observable(record))
    spoken |= {"height-low", "height-high", "lean-left", "lean-right", "leak-down", "lube-hot", "lube-rise"}
    spoken |= {"lube-above-model", "lube-below-model", "hotter-than-partner", "sump-pressure-high", "lube-level-low"}
    assert len([name for name in spoken if "/" in name]) == len(LINES)
    spoken -= {"ambiguous", "lines-coincide"}  # they say that lines can't be told apart, not what is there
    assert [key for key in sorted(spoken | known) if KNOWLEDGE.evidence_of(key) is None] == []


def test_every_key_that_the_detectors_readme_lists_is_evidence_of_something():
    text = (Path(__file__).parents[2] / "server/axlewright_server/detectors/README.md").read_text(encoding="utf-8")
    cells = [line.split("|")[1] for line in text.splitlines() if line.startswith("| `")]
    keys = {key for cell in cells for key in re.findall("`([^`]+)`", cell)} - {"ambiguous", "lines-coincide"}
    assert len(keys) > 40
    concrete = set()
    for key in keys:
        if key.startswith("envelope"):
            concrete.add(key.replace("<line>", "cage"))
        elif key.endswith(":*"):
            sensor = "height/left" if key.startswith("sensor-disagreement") else "lube"
            concrete.add(key.replace("*", sensor))
        else:
            concrete |= {key.replace("<line>", line).replace("<side>", "right") for line in ("wheel-3", "engine-0.5")}
    assert sorted(key for key in concrete if KNOWLEDGE.evidence_of(key) is None) == []


def test_fresh_detectors_can_show_nothing_yet():
    for detector in default_detectors():
        assert detector.observable(detector.start(TABLE)[0]) == frozenset()


@pytest.mark.parametrize(
    ("old", "new", "path"),
    [
        ("[cause.dragging-brake]\n", "[cause.dragging-brake]\npriority = 1\n", "cause.dragging-brake"),
        ('checks = ["brake-drag", "wheel-end"]', 'checks = ["no-such-check"]', "cause.dragging-brake.checks"),
        ('cautions = ["hot-brake", "spring-brake-energy"]', 'cautions = ["none"]', "cause.dragging-brake.cautions"),
        ("leak_paths = { wheel-end-seal = 0.5,", "leak_paths = { roof = 0.5,", "cause.dragging-brake.leak_paths"),
        (
            "sump-pressure = { p = 0.97,",
            "sump-pressure = { p = 1.97,",
            "cause.blocked-breather.likelihood.sump-pressure.p",
        ),
        ("sump-pressure = { p = 0.97,", "sump-presure = { p = 0.97,", "cause.blocked-breather.likelihood"),
        ('symptoms = ["leak-down"]\n', "", "evidence.leak-down"),
        ('symptoms = ["leak-down"]', 'symptoms = ["height-low"]', "evidence.leak-down.symptoms"),
        ('urgency = "next-service"', 'urgency = "whenever"', "urgency"),
        ("[none]", "[nothing]", "nothing"),
        ("prior = 0.85", "", "none"),
        ("[none]", "[none", "not valid TOML"),
    ],
)
def test_a_wrong_knowledge_base_is_refused_with_the_path_of_the_key(old, new, path):
    text = packaged_text()
    assert old in text
    with pytest.raises(KnowledgeError) as caught:
        parse_knowledge(text.replace(old, new, 1), "causes.toml")
    assert "causes.toml: " in str(caught.value)
    assert path in str(caught.value)


def test_a_knowledge_base_that_is_not_there_is_said_so(tmp_path):
    with pytest.raises(KnowledgeError, match="cannot be read"):
        load_knowledge(tmp_path / "missing.toml")


def test_every_likelihood_gives_a_reason_and_every_cause_a_check_with_a_limit():
    for cause in KNOWLEDGE.causes.values():
        assert all(len(entry.reason) >= 10 for entry in cause.likelihood.values())
        assert all(CHECKS[name].limit_text for name in cause.checks)


def test_leak_paths_follow_the_causes():
    quiet = leak_precursor(KNOWLEDGE, [])
    assert set(quiet.values()) == {0.0}
    shaking = leak_precursor(KNOWLEDGE, diagnose(KNOWLEDGE, {"driveshaft-1": True}))
    assert max(shaking, key=shaking.__getitem__) == "pinion-seal"
    both = leak_precursor(KNOWLEDGE, diagnose(KNOWLEDGE, {"driveshaft-1": True, "sump-pressure": True}))
    assert shaking["pinion-seal"] < both["pinion-seal"] < 1.0


def test_a_wrong_height_is_translated_into_joint_angle_and_excitation():
    vehicle = TABLE.specs[0]
    specified, low = height_consequence(vehicle, 2, 0.0), height_consequence(vehicle, 2, -30.0)
    assert "90 km/h" in low
    assert "times the usual torsional limit" in low
    assert specified != low


def test_without_a_described_driveline_the_consequence_is_left_out():
    import msgspec

    vehicle = TABLE.specs[0]
    bare = msgspec.structs.replace(
        vehicle, driveline=msgspec.structs.replace(vehicle.driveline, shafts=vehicle.driveline.shafts[:1])
    )
    assert height_consequence(bare, 2, -30.0) == ""


@pytest.mark.parametrize(
    ("given", "text"),
    [
        (LOW, "stands 12 mm below specification (limit 5 mm)"),
        (
            symptom("lean-right", "height/left,height/right", 20.0),
            "leans: the right side stands 20 mm lower (limit 5 mm)",
        ),
        (symptom("leak-down", "height/left", 9.0), "left side sinks 9 mm/h while parked (limit 5 mm/h)"),
        (symptom("lube-below-model", "lube", -9.0), "lube 9 K below what load, speed and weather explain"),
        (
            symptom("order-high", "vib/order/wheel-1", 2.34),
            "Wheel, order 1: 2.3 times what is usual for it at this speed (limit 5.0)",
        ),
        (symptom("sensor-silent", "lube"), "Axle lube temperature: is silent while other sensors of the truck speak"),
    ],
)
def test_symptoms_are_said_in_words(given, text):
    assert symptom_text(given) == text


def judge(own, existing=(), partner=None, time_s=5000.0):
    return decide(KNOWLEDGE, TABLE, 0, time_s, own, view() if partner is None else partner, list(existing)).changes


def test_a_new_finding_is_raised_once_and_then_updated():
    ((advisory, record),) = judge(view(LOW))
    assert (record.action, advisory.message.cause, advisory.message.axle) == ("raised", "height-valve-out-of-set", 2)
    assert not judge(view(LOW), [advisory], time_s=6000.0)
    worse = symptom("height-low", "height/left,height/right", -60.0, level=2)
    ((updated, record),) = judge(view(worse), [advisory], time_s=7000.0)
    assert (record.action, updated.id, updated.message.urgency) == ("updated", advisory.id, "within-a-day")


def test_two_symptoms_that_read_alike_are_said_once():
    ((advisory, _),) = judge(view(HOTTER, symptom("rear-hotter", "lube", 12.0)))
    assert advisory.message.summary.count("than usual against the other drive axle") == 1
    assert len(advisory.message.evidence) == 1


def test_a_line_beyond_its_limit_is_not_said_to_be_below_it_too():
    line = "vib/order/driveshaft-1"
    rising = symptom("order-rising", line, 1.8)
    ((alone, _),) = judge(view(rising))
    assert "still below its limit" in alone.message.summary
    ((both, _),) = judge(view(symptom("order-high", line, 2.2), rising))
    assert ["2.2 times" in one.text for one in both.message.evidence] == [True]
    assert "still below its limit" not in both.message.summary


def test_explanations_name_evidence_for_and_against_with_the_reason():
    ((advisory, _),) = judge(view(LOW))
    by_id = {cause.id: cause.why for cause in advisory.message.causes}
    assert by_id["height-valve-out-of-set"].startswith("for: stands below its specified height (a valve out of set")
    assert "not seen: sinks while parked" in by_id["air-spring-leak"]


def test_the_leading_cause_must_lead_clearly_before_it_replaces_the_old_one():
    ((brake, _),) = judge(view(HOT, HOTTER))
    assert brake.message.cause == "dragging-brake"
    # A bearing line appears: the bearing leads by far, the brake is closed in its favour.
    envelope = symptom("envelope-high", "vib/envelope/outer-race", 3.0)
    (closed, first), (bearing, second) = judge(view(HOT, HOTTER, envelope), [brake])
    assert (closed.state, first.reason[:11]) == ("closed", "superseded:")
    assert (bearing.message.cause, bearing.message.supersedes) == ("bearing-wear", brake.id)
    assert second.action == "raised"


def test_a_rival_that_leads_by_a_little_does_not_replace():
    ((valve, _),) = judge(view(LOW, SLOW_ANGLES))
    assert valve.message.cause == "height-valve-out-of-set"
    # The height can't be seen any more, the joints still shake: wrong angles lead now, but less than two to one.
    blind = view(SLOW_ANGLES, observable=frozenset({"order-high/driveshaft-2"}))
    probabilities = diagnose(KNOWLEDGE, seen(KNOWLEDGE, blind, view()))[0].probabilities
    assert 1.0 < probabilities["joint-angles-wrong"] / probabilities["height-valve-out-of-set"] < 2.0
    ((kept, record),) = judge(blind, [valve])
    assert (kept.id, record.action) == (valve.id, "updated")


def test_cleared_symptoms_return_the_advisory_and_new_ones_bring_it_back():
    ((advisory, _),) = judge(view(LOW))
    seen_advisory, _ = acknowledge(advisory, "planner", 5100.0)
    ((returned, record),) = judge(view(), [seen_advisory], time_s=6000.0)
    assert (returned.state, record.action) == ("returned-to-normal", "returned")
    again = symptom("height-low", "height/left,height/right", -14.0, since_s=6900.0, time_s=7000.0)
    ((back, record),) = judge(view(again), [returned], time_s=7000.0)
    assert (back.id, back.state, record.action) == (advisory.id, "unacknowledged", "recurred")


def test_an_advisory_on_a_failed_sensor_is_suppressed_and_comes_back_with_the_sensor():
    ((brake, _),) = judge(view(HOT, HOTTER))
    broken = view(HOT, HOTTER, symptom("sensor-range", "lube"))
    changes = judge(broken, [brake], time_s=6000.0)
    assert [(a.message.cause, a.state) for a, _ in changes] == [
        ("failed-temperature-sensor", "unacknowledged"),
        ("dragging-brake", "suppressed"),
    ]
    assert len(judge(broken, [a for a, _ in changes], time_s=6100.0)) == 0
    healed = judge(view(HOT, HOTTER), [a for a, _ in changes], time_s=7000.0)
    assert healed[-1][0].message.cause in {"failed-temperature-sensor", "dragging-brake"}
    states = {a.message.cause: a.state for a, _ in healed}
    assert states == {"dragging-brake": "unacknowledged", "failed-temperature-sensor": "returned-unacknowledged"}


def test_heat_that_the_model_explains_is_advised_only_beyond_the_fixed_limit():
    assert not judge(view(symptom("lube-hot", "lube", 113.0, level=1)))
    ((advisory, _),) = judge(view(symptom("lube-hot", "lube", 124.0, level=2)))
    assert (advisory.message.cause, advisory.message.urgency) == ("hard-duty", "within-a-day")


def test_unexplained_symptoms_are_told_only_when_they_are_grave():
    assert not judge(view(symptom("vibration-high", "vib/rms", 2.0, level=1)))
    ((advisory, _),) = judge(view(symptom("vibration-high", "vib/rms", 6.0, level=2)))
    assert (advisory.message.cause, advisory.message.urgency) == ("unexplained", "within-a-day")


def test_a_message_names_checks_with_limits_and_the_usual_cautions():
    ((advisory, _),) = judge(view(LOW))
    message = advisory.message
    assert message.checks[0].id == "ride-height"
    assert all(check.limit for check in message.checks)
    assert any("maker" in caution for caution in message.cautions)
    assert any("never proves that it is safe underneath" in caution for caution in message.cautions)
    assert len(set(message.cautions)) == len(message.cautions)
    assert message.evidence[0].begin_s < LOW.since_s
    assert message.evidence[0].end_s >= LOW.time_s
