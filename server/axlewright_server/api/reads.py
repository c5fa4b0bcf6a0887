"""Fetch from the store what an answer needs; every function keeps its read transaction short."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from axlewright_models.shop import CAUTIONS, CHECKS
from axlewright_models.signals import CHANNELS, INDEX, ORDER_CHANNELS, Scope
from axlewright_models.spec import FleetSpec, VehicleSpec
from axlewright_models.wire.messages import AdvisoryMessage, CheckToDo, Status
from axlewright_server.api.records import (
    AdvisoryRecord,
    CauseRecord,
    ChangeRecord,
    CheckRecord,
    Evidence,
    GatewaySource,
    Intake,
    OrderAmplitude,
    Orders,
    Quarantine,
    QuarantineEntry,
    StreamIntake,
    Trend,
    VehicleIntake,
    Watched,
)
from axlewright_server.api.shop_records import AssessmentRecord, FindingRecord
from axlewright_server.api.states import AxleReading, Material, brief, link_of
from axlewright_server.diagnosis.casebook import Found
from axlewright_server.diagnosis.patience import WAIT_S
from axlewright_server.diagnosis.wording import symptom_text
from axlewright_server.page.texts import ACTION_TEXTS
from axlewright_server.store import advisories as stored_advisories
from axlewright_server.store import readings, records, shop
from axlewright_server.store.readings import Series

# Rows further apart than this (and than three points) are a gap: nothing is drawn across it.
GAP_S = 1500.0
BASELINE_DAYS = 7.0
DAY_S = 86400.0
SHOWN_BYTES = 256
# Events looked at: hundreds of trucks tell of a handful of things in a shift, if of anything.
MOST_WATCHED = 5000


def material(connection: Connection, vehicle: str | None = None) -> Material:
    """Return what a vehicle's or the whole fleet's state is made of."""
    newest = {
        (row.vehicle, row.position): AxleReading(
            row.time_ms / 1000.0,
            row.values,
            expected_lube_cel=row.values.get("lube/expected"),
            static_height_mm=row.values.get("height/static"),
        )
        for row in readings.latest(connection, vehicle)
    }
    said = {name: item.status for name, item in records.statuses(connection).items()}
    standing = stored_advisories.advisories(connection, vehicle=vehicle)
    newest_s = max((reading.time_s for reading in newest.values()), default=0.0)
    told = {(one.vehicle, one.axle) for one in standing if one.state != "closed"}
    return Material(newest, standing, said, _watched(connection, vehicle, newest_s - WAIT_S, told))


def _watched(
    connection: Connection, vehicle: str | None, begin_s: float, told: Collection[tuple[str, int]]
) -> dict[str, list[Watched]]:
    """Return by vehicle what stands since then on axles without an advisory, the latest first."""
    found: dict[str, list[Watched]] = {}
    seen: set[tuple[str, int, str, str]] = set()
    since_ms = math.floor(1000.0 * begin_s)
    for event in stored_advisories.symptoms(connection, vehicle, since_ms, limit=MOST_WATCHED, among_last=MOST_WATCHED):
        key = (event.vehicle, event.position, event.code, event.channel)
        if event.active and key not in seen and key[:2] not in told:
            one = Watched(axle=event.position, text=symptom_text(event.symptom), told_s=event.time_ms / 1000.0)
            listed = found.setdefault(event.vehicle, [])
            # Two detectors may say the same.
            if all((one.axle, one.text) != (other.axle, other.text) for other in listed):
                listed.append(one)
        seen.add(key)
    return found


def channel_names(connection: Connection) -> frozenset[str]:
    """Return every channel of the store, also those that only came as unknown names."""
    return frozenset(readings.channel_names(connection).values())


def trend(
    connection: Connection, vehicle: str, axle: int, channel: str, begin_s: float, end_s: float, points: int
) -> Trend:
    """Return a channel's trend in columns, with a null wherever rows are missing."""
    begin_ms, end_ms = round(begin_s * 1000.0), round(end_s * 1000.0)
    series = readings.series(connection, vehicle, axle, channel, begin_ms, end_ms, points)
    times, columns = with_gaps(series, max(GAP_S, 3.0 * (end_s - begin_s) / points))
    known = CHANNELS[INDEX[channel]] if channel in INDEX else None
    return Trend(
        vehicle=vehicle,
        axle=axle,
        channel=channel,
        unit=known.unit if known else "",
        title=known.title if known else channel,
        begin_s=begin_s,
        end_s=end_s,
        time_s=times,
        minimum=columns[0],
        mean=columns[1],
        maximum=columns[2],
    )


def with_gaps(series: Series, gap_s: float) -> tuple[list[float], list[list[float | None]]]:
    """Return times and the columns low, mean, high; one row of nulls stands in each gap."""
    time_s = series.time_ms / 1000.0
    breaks = np.flatnonzero(np.diff(time_s) > gap_s) + 1
    middles = (time_s[breaks - 1] + time_s[breaks]) / 2.0 if len(breaks) else np.empty(0)
    times: list[float] = np.insert(time_s, breaks, middles).tolist()
    return times, [_column(column, breaks) for column in (series.low, series.mean, series.high)]


def _column(values: NDArray[np.float64], breaks: NDArray[np.intp]) -> list[float | None]:
    filled = np.insert(values, breaks, np.nan)
    # Readings are float32: more digits would only be noise.
    return [None if math.isnan(number) else float(f"{number:.7g}") for number in filled.tolist()]


def orders(connection: Connection, spec: VehicleSpec, axle: int, now_s: float) -> Orders:
    """Return each order's mean amplitude over the last hour of readings against that of the week before it."""
    span = readings.span(connection, spec.id)
    last_s = min(now_s, span[1] / 1000.0) if span else now_s
    limit = spec.limit("order_ratio_limit")
    rows = []
    for channel in ORDER_CHANNELS:
        now = _mean(connection, spec.id, axle, channel, last_s - 3600.0, last_s + 1.0)
        before = _mean(connection, spec.id, axle, channel, last_s - BASELINE_DAYS * DAY_S, last_s - DAY_S)
        ratio = now / before if now is not None and before else None
        rows.append(
            OrderAmplitude(
                channel=channel,
                title=CHANNELS[INDEX[channel]].title,
                amplitude_m_s2=now,
                baseline_m_s2=before,
                ratio=ratio,
                ratio_limit=limit,
                above=ratio is not None and ratio > limit,
            )
        )
    return Orders(
        vehicle=spec.id,
        axle=axle,
        amplitude_text="mean of the last hour with readings",
        baseline_text=f"this axle's mean from {BASELINE_DAYS:.0f} days before to 1 day before",
        orders=rows,
    )


def _mean(connection: Connection, vehicle: str, axle: int, channel: str, begin_s: float, end_s: float) -> float | None:
    points = max(1, round((end_s - begin_s) / 3600.0))
    found = readings.series(connection, vehicle, axle, channel, round(begin_s * 1e3), round(end_s * 1e3), points)
    return float(np.average(found.mean, weights=found.n)) if len(found.mean) else None


def advisory_record(connection: Connection, advisory_id: str) -> AdvisoryRecord | None:
    """Return an advisory with its changes, oldest change first."""
    kept = stored_advisories.kept(connection, advisory_id)
    if kept is None:
        return None
    message = kept.message
    changes = [
        ChangeRecord(
            time_s=one.time_ms / 1000.0,
            who="Axlewright" if one.who == "kernel" else one.who,
            action=one.action,
            action_text=ACTION_TEXTS.get(one.action, one.action),
            state_before=one.state_before,
            state_after=one.state_after,
            reason=one.reason or None,
        )
        for one in reversed(stored_advisories.changes(connection, advisory_id))
    ]
    record = record_of(message, changes)
    dated = [item.model_copy(update={"as_of_s": _as_of_s(connection, message, item)}) for item in record.evidence]
    said = kept.assessment
    assessment = None if said is None else AssessmentRecord.model_validate(msgspec.to_builtins(said))
    titles = {(one.check, one.outcome): one.title for one in said.found} if said is not None else {}
    found = [_finding(one, titles) for one in shop.open_findings(connection, [kept])]
    return record.model_copy(update={"evidence": dated, "assessment": assessment, "findings": found})


def _finding(one: Found, titles: Mapping[tuple[str, str], str]) -> FindingRecord:
    check = CHECKS.get(one.check)
    return FindingRecord(
        time_s=one.time_s,
        who=one.who,
        check=one.check,
        check_title=one.check if check is None else check.title,
        outcome=one.outcome,
        outcome_title=titles.get((one.check, one.outcome), one.outcome.replace("-", " ")),
        value=one.value,
        unit=one.unit,
        note=one.note,
    )


def _as_of_s(connection: Connection, message: AdvisoryMessage, item: Evidence) -> float | None:
    """Return when a piece of evidence was so: the time of the symptom event whose number it repeats."""
    begin_ms, end_ms = math.floor(item.begin_s * 1000.0), math.ceil(item.end_s * 1000.0) + 1
    for event in stored_advisories.symptoms(connection, message.vehicle, begin_ms, end_ms):
        value = event.value if math.isfinite(event.value) else None
        same_place = event.position == message.axle and event.channel.split(",")[0] == item.channel
        if event.active and same_place and value == item.value:
            return event.time_ms / 1000.0
    return None


def record_of(message: AdvisoryMessage, changes: list[ChangeRecord]) -> AdvisoryRecord:
    """Return an advisory message in the interface's form, checks and cautions in full."""
    return AdvisoryRecord(
        **brief(message).model_dump(),
        fleet=message.fleet,
        summary=message.summary,
        evidence=[
            Evidence(
                channel=one.channel,
                channel_title=CHANNELS[INDEX[one.channel]].title if one.channel in INDEX else one.channel,
                text=one.text,
                begin_s=one.begin_s,
                end_s=one.end_s,
                value=one.value,
                limit=one.limit,
                unit=one.unit,
                plot_axle=_plot_axle(one.channel, message.axle),
            )
            for one in message.evidence
        ],
        causes=[
            CauseRecord(
                id=one.id, title=one.title, probability=one.probability, why=one.why, leak_path=one.leak_path or None
            )
            for one in message.causes
        ],
        checks=[_check(one) for one in message.checks],
        cautions=[CAUTIONS.get(one, one) for one in message.cautions],
        closed_reason=message.closed_reason,
        supersedes=message.supersedes,
        changes=changes,
        actions=allowed_actions(message.state),
    )


def allowed_actions(state: str) -> list[str]:
    """Return what a person may do with an advisory in this state.

    Examples
    --------
    >>> allowed_actions("shelved"), allowed_actions("closed")
    (['unshelve', 'close'], [])
    """
    if state == "closed":
        return []
    if state == "shelved":
        return ["unshelve", "close"]
    if state == "suppressed":
        return ["unsuppress", "close"]
    first = ["acknowledge"] if state in ("unacknowledged", "returned-unacknowledged") else []
    return [*first, "shelve", "suppress", "close"]


def _plot_axle(channel: str, axle: int) -> int:
    vehicle_wide = channel in INDEX and CHANNELS[INDEX[channel]].scope is Scope.VEHICLE
    return 0 if vehicle_wide else axle


def _check(todo: CheckToDo) -> CheckRecord:
    known = CHECKS.get(todo.id)
    if known is None:
        return CheckRecord(id=todo.id, title=todo.text, how="", tool="", limit_text=todo.limit, source="")
    return CheckRecord(
        id=todo.id,
        title=known.title,
        how=known.how,
        tool=known.tool,
        limit_text=todo.limit or known.limit_text,
        source=known.source,
        cautions=list(known.caution_texts()),
        caution_names=[name.replace("-", " ") for name in known.cautions],
    )


def quarantine(connection: Connection, limit: int, before: int | None) -> Quarantine:
    """Return the newest payloads in quarantine."""
    found = records.quarantine(connection, limit, before)
    return Quarantine(
        total=sum(records.quarantine_counts(connection).values()),
        entries=[
            QuarantineEntry(
                id=one.number,
                received_s=one.received_ms / 1000.0,
                topic=one.topic,
                kind=one.kind,
                reason=one.reason,
                size_bytes=one.size,
                payload_hex=one.payload[:SHOWN_BYTES].hex(" "),
                payload_text="".join(chr(b) if 32 <= b < 127 else "." for b in one.payload[:SHOWN_BYTES]),
            )
            for one in found
        ],
    )


def intake(connection: Connection, spec: FleetSpec, figures: dict[str, float]) -> Intake:
    """Return each vehicle's place in its stream, and the server's counters."""
    marks: dict[str, list[records.HighWater]] = {}
    for mark in records.high_waters(connection):
        marks.setdefault(mark.vehicle, []).append(mark)
    said = records.statuses(connection)
    return Intake(
        figures=figures,
        vehicles=[_vehicle_intake(name, marks.get(name, []), said.get(name)) for name in sorted(spec.vehicles)],
    )


def _gateway(status: Status | None) -> dict[str, Any]:
    # Any: the members have each a type of their own.
    if status is None:
        return {}
    sources = [GatewaySource(name=one.name, state=one.state, note=one.note) for one in status.sources]
    names = ("oldest_unsent_s", "cpu_share", "memory_bytes", "gateway_cel")
    return {"sources": sources, **{name: getattr(status, name) for name in names}}


def _vehicle_intake(name: str, marks: list[records.HighWater], said: records.TruckStatus | None) -> VehicleIntake:
    mark = marks[0] if marks else None
    status = said.status if said else None
    return VehicleIntake(
        vehicle=name,
        link=link_of(status),
        stream=mark.stream if mark else None,
        committed_seq=mark.seq if mark else None,
        missing_frames=mark.gaps if mark else None,
        thinned_windows=max(mark.thinned if mark else 0, status.thinned if status else 0) if mark or status else None,
        queued_frames=status.queued if status else None,
        set_aside_frames=status.set_aside if status else None,
        agent_version=status.version if status else None,
        clock=status.clock if status else None,
        note=status.note if status else "",
        status_s=said.received_ms / 1000.0 if said else None,
        **_gateway(status),
        streams=[
            StreamIntake(
                stream=one.stream,
                committed_seq=one.seq,
                committed_s=one.committed_ms / 1000.0,
                missing_frames=one.gaps,
                thinned_windows=one.thinned,
            )
            for one in marks
        ],
    )
