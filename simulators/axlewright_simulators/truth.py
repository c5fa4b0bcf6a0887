"""The known truth beside the readings: what went wrong, where, from when. For evaluation; never on the wire."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from axlewright_simulators.faults import SEVERITY_MEANING, Fault

COLUMNS = (
    "vehicle",
    "axle",
    "kind",
    "onset",
    "end",
    "severity",
    "severity_meaning",
    "development_s",
    "side",
    "mode",
    "harmless",
)


class TruthRecord(msgspec.Struct, frozen=True):
    """One fault in words and numbers; times in ISO 8601, UTC."""

    vehicle: str
    axle: int
    kind: str
    onset: str
    end: str
    severity: float
    severity_meaning: str
    development_s: float
    side: str
    mode: str
    harmless: bool


def truth_records(faults: Iterable[Fault]) -> list[TruthRecord]:
    """Return the records of faults, by onset."""
    return [_record(fault) for fault in sorted(faults, key=lambda fault: (fault.onset_s, fault.vehicle))]


def write_truth(directory: Path, faults: Iterable[Fault]) -> tuple[Path, Path]:
    """Write ``truth.json`` and ``truth.csv`` into a directory and return their paths."""
    records = truth_records(faults)
    directory.mkdir(parents=True, exist_ok=True)
    as_json, as_csv = directory / "truth.json", directory / "truth.csv"
    as_json.write_bytes(msgspec.json.format(msgspec.json.encode(records), indent=2))
    with as_csv.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        writer.writerows([getattr(record, name) for name in COLUMNS] for record in records)
    return as_json, as_csv


def _record(fault: Fault) -> TruthRecord:
    return TruthRecord(
        fault.vehicle,
        fault.axle,
        fault.kind,
        _iso(fault.onset_s),
        "" if fault.end_s is None else _iso(fault.end_s),
        fault.severity,
        SEVERITY_MEANING[fault.kind],
        fault.development_s,
        fault.side if fault.kind in ("air-leak", "height-sensor") else "",
        fault.mode if fault.kind.endswith("-sensor") else "",
        fault.harmless,
    )


def _iso(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).isoformat(timespec="seconds")
