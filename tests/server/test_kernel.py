"""The kernel: the same verdict live or offline, however its rows are batched; and the whole chain to an advisory."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from known_truth import BEGIN_S, HOUR, Faults, Journey, after, fleet, hours, pick, rows, signals, watch

from axlewright_models.signals import CHANNELS, INDEX
from axlewright_models.wire.messages import AdvisoryMessage, decode_message, encode_message
from axlewright_server.advisories import AdvisoryError, acknowledge, close, decode_advisory, encode_advisory, shelve
from axlewright_server.detectors.suite import default_detectors
from axlewright_server.detectors.vibration import Vibration
from axlewright_server.kernel import Batch, Kernel, Rows, rounds

pytestmark = pytest.mark.usefixtures("told_at_once")

SHORT = Journey((("drive", 1.5), ("park", 2.5), ("drive", 1.0)))
TRUTHS = (
    Faults(height_mm=after(0.7, -25.0)),
    Faults(axle=1, sink_mm_per_h=15.0),
    Faults(read_lube=lambda t, x: np.where(t > HOUR, -40.0, x)),
    Faults(axle=1, lean_mm=after(0.3, 30.0), lost={"lube": after(0.5, 1.0)}),
    Faults(),
)


@pytest.fixture(scope="module")
def readings():
    return rows([signals(SHORT, seed, truth) for seed, truth in enumerate(TRUTHS)])


@pytest.fixture(scope="module")
def undisturbed(readings):
    return digest(Kernel(fleet(len(TRUTHS))), [readings])


def digest(kernel, chunks):
    """Return what must not hang on batching: symptoms and changes per axle, and the final state, as bytes."""
    symptoms, changes = [], []
    for part in chunks:
        result = kernel.run(part)
        symptoms += result.symptoms
        changes += result.changes
    per_axle = [[symptom for symptom in symptoms if symptom.axle == row] for row in range(len(kernel.table))]
    advisories = [
        [(encode_advisory(advisory), record) for advisory, record in changes if advisory.row == row]
        for row in range(len(kernel.table))
    ]
    blobs = [kernel.state_blob(row) for row in range(len(kernel.table))]
    return repr(per_axle), repr(advisories), blobs


def windows(all_rows):
    """Return the row numbers of each window (vehicle and time), in the order of the rows."""
    keys = {}
    for number, key in enumerate(zip(all_rows.vehicle, all_rows.time_s, strict=True)):
        keys.setdefault(key, []).append(number)
    return list(keys.values())


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10_000), mean_size=st.sampled_from([3, 20, 200]))
def test_random_chunkings_and_orders_of_vehicles_give_the_same_bytes(readings, undisturbed, seed, mean_size):
    rng = np.random.default_rng(seed)
    queues = {vehicle: [] for vehicle in range(len(TRUTHS))}
    for window in windows(readings):
        queues[int(readings.vehicle[window[0]])].append(window)
    chunks, current = [], []
    while any(queues.values()):
        vehicle = rng.choice([vehicle for vehicle, left in queues.items() if left])
        for _ in range(rng.geometric(0.3)):
            if queues[vehicle]:
                window = queues[vehicle].pop(0)
                current += list(rng.permutation(window))
        if len(current) >= rng.integers(1, 2 * mean_size) * 3:
            # Within a chunk a vehicle's frames may even come out of order.
            chunks.append(pick(readings, np.array(rng.permutation(current), dtype=np.int64)))
            current = []
    if current:
        chunks.append(pick(readings, np.array(current, dtype=np.int64)))
    assert digest(Kernel(fleet(len(TRUTHS))), chunks) == undisturbed


def test_the_truths_of_this_fleet_are_found(readings):
    kernel = Kernel(fleet(len(TRUTHS)))
    kernel.run(readings)
    found = {(a.message.vehicle, a.message.axle, a.message.cause) for a in kernel.advisories.values()}
    assert {
        ("t-0", 2, "height-valve-out-of-set"),
        ("t-1", 3, "air-spring-leak"),
        ("t-2", 2, "failed-temperature-sensor"),
        ("t-3", 3, "failed-temperature-sensor"),
    } <= found
    assert not [vehicle for vehicle, _, _ in found if vehicle == "t-4"]


def test_a_restart_in_the_middle_changes_nothing(readings, undisturbed):
    half = BEGIN_S + 2.2 * HOUR
    first, second = readings.time_s <= half, readings.time_s > half
    before = Kernel(fleet(len(TRUTHS)))
    early = before.run(pick(readings, np.flatnonzero(first)))
    after_restart = Kernel(fleet(len(TRUTHS)))
    for row in range(len(before.table)):
        after_restart.load_state(row, before.state_blob(row))
    stored = [encode_advisory(advisory) for advisory in before.advisories.values()]
    after_restart.load_advisories(decode_advisory(document) for document in stored)
    late = after_restart.run(pick(readings, np.flatnonzero(second)))
    assert [after_restart.state_blob(row) for row in range(len(before.table))] == undisturbed[2]
    whole = Kernel(fleet(len(TRUTHS)))
    result = whole.run(readings)
    key = lambda symptom: (symptom.axle, symptom.time_s, symptom.key)  # noqa: E731
    assert repr(sorted(early.symptoms + late.symptoms, key=key)) == repr(sorted(result.symptoms, key=key))
    assert dict(after_restart.advisories) == dict(whole.advisories)


def test_rows_that_come_again_are_counted_and_change_nothing(readings):
    kernel = Kernel(fleet(len(TRUTHS)))
    kernel.run(readings)
    before = [kernel.state_blob(row) for row in range(len(kernel.table))]
    again = kernel.run(readings)
    assert again.late == 2 * len(windows(readings))
    assert not again.symptoms
    assert [kernel.state_blob(row) for row in range(len(kernel.table))] == before


def test_verdicts_at_ten_seconds_and_a_minute_agree():
    made = [signals(SHORT, seed, truth) for seed, truth in enumerate(TRUTHS)]
    fast, slow = (
        {(symptom.axle, symptom.key) for symptom in watch(made, window_s=window_s).symptoms}
        for window_s in (10.0, 60.0)
    )
    assert fast == slow


def test_every_axle_of_a_window_gets_a_row_and_the_vehicles_own_channels():
    table = Kernel(fleet(2)).table
    values = np.full((3, len(CHANNELS)), np.nan, dtype=np.float32)
    values[0, INDEX["speed"]], values[1, INDEX["lube"]] = 50.0, 80.0
    values[2, INDEX["lube"]] = 999.0
    given_rows = Rows(np.array([0, 0, 0]), np.array([10.0, 10.0, 10.0]), np.array([0, 2, 3]), values)
    (batch,) = rounds(table, given_rows)
    assert batch.axles.tolist() == [0, 1]
    assert batch.values[:, INDEX["speed"]].tolist() == [50.0, 50.0]
    assert batch.values[0, INDEX["lube"]] == 80.0
    # Implausible: kept raw, hidden from detectors.
    assert batch.raw[1, INDEX["lube"]] == 999.0
    assert np.isnan(batch.values[1, INDEX["lube"]])


def test_no_axle_is_twice_in_a_batch_and_times_ascend(readings):
    table = Kernel(fleet(len(TRUTHS))).table
    shuffled = pick(readings, np.random.default_rng(1).permutation(len(readings.time_s)))
    last = np.full(len(table), -np.inf)
    count = 0
    for batch in rounds(table, shuffled):
        assert len(np.unique(batch.axles)) == len(batch)
        assert (batch.time_s > last[batch.axles]).all()
        last[batch.axles] = batch.time_s
        count += len(batch)
    assert count == 2 * len(windows(readings))


def test_steer_axles_and_derived_channels_of_a_frame_are_left_out():
    table = Kernel(fleet(1)).table
    values = np.full((2, len(CHANNELS)), 100.0, dtype=np.float32)
    (batch,) = rounds(table, Rows(np.array([0, 0]), np.array([10.0, 10.0]), np.array([1, 2]), values))
    assert np.isnan(batch.raw[1, INDEX["lube"]])
    assert np.isnan(batch.raw[0, INDEX["lube/expected"]])


DAYS = Journey((("drive", 10.0), ("park", 1.0), ("drive", 10.0), ("park", 1.0), ("drive", 8.0)))


@pytest.fixture(scope="module")
def scenarios():
    """Five trucks that have driven 25 healthy hours, then each its own story.

    Vibration may learn in one day what it otherwise spreads over four.
    """
    stories = [
        Faults(axle=1, heat_kw=after(27.0, 2.5)),
        Faults(axle=0, gains={"vib/order/driveshaft-1": after(27.0, 2.0)}),
        Faults(axle=0, heat_kw=after(27.0, 2.5), read_lube=lambda t, x: np.where(t > 28.5 * HOUR, 210.0, x)),
        Faults(),
    ]
    made = [signals(DAYS, seed, story) for seed, story in enumerate(stories, start=20)]
    made.append(signals(Journey((*DAYS.parts[:-1], ("drive", 5.0), ("mountain", 1.4), ("drive", 1.6))), 30))
    hurried = (Vibration(lessons_a_day=1000) if one.name == "vibration" else one for one in default_detectors())
    kernel = Kernel(fleet(5), tuple(hurried))
    return kernel, kernel.run(rows(made))


def of_vehicle(kernel, vehicle):
    return [advisory for advisory in kernel.advisories.values() if advisory.message.vehicle == vehicle]


def test_a_dragging_brake_becomes_one_advisory_with_evidence_and_first_checks(scenarios):
    kernel, result = scenarios
    (advisory,) = of_vehicle(kernel, "t-0")
    message = advisory.message
    assert (message.cause, message.axle) == ("dragging-brake", 3)
    assert message.causes[0].id == "dragging-brake"
    assert message.confidence > 0.5
    assert message.urgency in {"within-a-day", "stop-safely-now"}
    assert abs(message.since_s - (BEGIN_S + 27.0 * HOUR)) < HOUR
    assert message.checks[0].id == "brake-drag"
    assert any("hot" in caution for caution in message.cautions)
    assert {piece.channel for piece in message.evidence} == {"lube"}
    raised = [record for advisory, record in result.changes if record.action == "raised" and advisory.row == 1]
    assert len(raised) == 1
    assert raised[0].who == "kernel"


def test_a_driveshaft_out_of_balance_is_told_from_every_other_shake(scenarios):
    kernel, _ = scenarios
    (advisory,) = of_vehicle(kernel, "t-1")
    assert advisory.message.cause == "driveshaft-unbalance"
    assert "pinion seal" in advisory.message.causes[0].leak_path
    assert kernel.precursor(2)["pinion-seal"] > 0.2


def test_an_advisory_that_rests_on_a_sensor_alone_is_suppressed_when_the_sensor_fails(scenarios):
    kernel, _ = scenarios
    states = {advisory.message.cause: advisory.state for advisory in of_vehicle(kernel, "t-2")}
    assert states == {"dragging-brake": "suppressed", "failed-temperature-sensor": "unacknowledged"}


def test_a_healthy_truck_and_a_hot_but_legitimate_pull_give_no_advisory(scenarios):
    _, result = scenarios
    assert not [advisory for advisory, _ in result.changes if advisory.message.vehicle in {"t-3", "t-4"}]
    hot = [symptom for symptom in result.symptoms if symptom.axle in {8, 9}]
    assert {symptom.code for symptom in hot} <= {"lube-hot"}


def test_published_messages_survive_the_wire(scenarios):
    kernel, _ = scenarios
    for advisory in kernel.advisories.values():
        assert decode_message(encode_message(advisory.message), AdvisoryMessage) == advisory.message
        assert decode_advisory(encode_advisory(advisory)) == advisory


def test_a_person_acts_and_the_kernel_keeps_it():
    kernel = Kernel(fleet(1))
    made = signals(Journey((("drive", 3.0),)), 1, Faults(height_mm=after(0.5, -25.0)))
    kernel.run(rows([made[:720]]))
    (identifier,) = kernel.advisories
    advisory, record = kernel.act(identifier, lambda a: acknowledge(a, "planner", BEGIN_S + 7300.0, "seen"))
    assert (advisory.state, record.who) == ("acknowledged", "planner")
    kernel.act(identifier, lambda a: shelve(a, "planner", BEGIN_S + 7300.0, BEGIN_S + 9000.0, "workshop is full"))
    changes = kernel.run(rows([made])).changes
    assert [(record.action, record.to_state, record.time_s) for _, record in changes] == [
        ("unshelved", "acknowledged", BEGIN_S + 9000.0)
    ]
    kernel.act(identifier, lambda a: close(a, "planner", BEGIN_S + 11000.0, "valve set"))
    assert not kernel.advisories
    with pytest.raises(AdvisoryError, match="no open advisory"):
        kernel.act(identifier, lambda a: acknowledge(a, "planner", BEGIN_S, ""))


def test_the_shelf_also_ends_by_the_clock_when_the_truck_says_nothing():
    kernel = Kernel(fleet(1))
    kernel.run(rows([signals(Journey((("drive", 1.5),)), 1, Faults(height_mm=after(0.5, -25.0)))]))
    (identifier,) = kernel.advisories
    now_s = BEGIN_S + 2.0 * HOUR
    kernel.act(identifier, lambda a: shelve(a, "planner", now_s, now_s + 600.0, "workshop is full"))
    assert not kernel.expire(now_s + 599.0)
    ((advisory, record),) = kernel.expire(now_s + 601.0)
    assert (advisory.state, record.time_s) == ("unacknowledged", now_s + 600.0)


def test_the_clock_alone_closes_nothing_that_has_returned_a_backlog_may_still_speak():
    journey = Journey((("drive", 2.0),))
    faults = Faults(height_mm=lambda t: np.where((t > 0.4 * HOUR) & (t < 1.0 * HOUR), -25.0, 0.0))
    kernel = Kernel(fleet(1))
    kernel.run(rows([signals(journey, 2, faults)]))
    (identifier,) = kernel.advisories
    kernel.act(identifier, lambda a: acknowledge(a, "planner", BEGIN_S + 7300.0))
    assert kernel.advisories[identifier].state == "returned-to-normal"
    assert not kernel.expire(BEGIN_S + 60.0 * 24.0 * HOUR)


def test_what_has_returned_and_been_seen_closes_after_two_days_at_the_same_event_time_however_reported():
    journey = Journey((("drive", 2.0), ("park", 49.0), ("drive", 0.5)))
    faults = Faults(height_mm=lambda t: np.where((t > 0.4 * HOUR) & (t < 1.0 * HOUR), -25.0, 0.0))
    made = signals(journey, 2, faults)
    closing = []
    for window_s in (60.0, 600.0):
        kernel = Kernel(fleet(1))
        kernel.run(rows([made[:360]], 60.0))
        (identifier,) = kernel.advisories
        kernel.act(identifier, lambda a: acknowledge(a, "planner", BEGIN_S + 3700.0))
        kernel.run(rows([made[:720]], 60.0))
        changes = kernel.run(rows([made], window_s)).changes
        assert [record.action for _, record in changes] == ["closed"]
        closing.append(changes[0][1].time_s)
        assert not kernel.advisories
    assert closing[0] == closing[1]


def test_state_of_another_version_starts_afresh(readings):
    kernel = Kernel(fleet(len(TRUTHS)))
    kernel.run(readings)
    blob = kernel.state_blob(0)
    other = Kernel(fleet(len(TRUTHS)))
    for detector in other._detectors:
        detector.version = 99
    other.load_state(0, blob)
    assert kernel._states[1][0]["count"] > 0
    assert other._states[1][0]["count"] == 0
    assert other._last_s[0] == kernel._last_s[0]


def test_a_batch_of_the_whole_fleet_and_one_axle_at_a_time_agree(readings):
    one, many = Kernel(fleet(len(TRUTHS))), Kernel(fleet(len(TRUTHS)))
    for batch in rounds(one.table, readings):
        many.step(batch)
        for place in range(0, len(batch), 2):
            # Both axles of a truck stay together: they are one window.
            one.step(Batch(*(getattr(batch, name)[place : place + 2] for name in Batch.__dataclass_fields__)))
    for row in range(len(one.table)):
        assert one.state_blob(row) == many.state_blob(row)


def test_times_of_advisories_are_event_times(readings):
    kernel = Kernel(fleet(len(TRUTHS)))
    result = kernel.run(readings)
    assert all(0.0 < hours(symptom) <= 5.0 for symptom in result.symptoms)
    assert all(BEGIN_S < record.time_s <= BEGIN_S + 5.0 * HOUR for _, record in result.changes)


def test_a_symptom_of_a_detector_that_began_afresh_ends_and_its_advisory_returns_to_normal():
    journey = Journey((("drive", 3.0),))
    old = Kernel(fleet(1))
    old.run(rows([signals(journey, 0, Faults(height_mm=after(0.3, -25.0)))]))
    row = next(number for number in range(len(old.table)) if any(s.code == "height-low" for s in old.standing(number)))
    renewed = Kernel(fleet(1))
    for detector in renewed._detectors:
        detector.version += detector.name == "ride-height"
    for number in range(len(old.table)):
        renewed.load_state(number, old.state_blob(number))
    renewed.load_advisories(old.advisories.values())
    mended = signals(journey, 0, Faults())
    later = rows([mended])
    later = Rows(later.vehicle, later.time_s + 4 * HOUR, later.position, later.values)
    result = renewed.run(later)
    assert "height-low" not in {symptom.code for symptom in renewed.standing(row)}
    assert [s.level for s in result.symptoms if s.axle == row and s.code == "height-low"] == [0]
    assert {a.state for a in renewed.advisories.values() if a.row == row} == {"returned-unacknowledged"}
