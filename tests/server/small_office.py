"""An office over a small store made by hand: no broker, three trucks, two hours of readings, two advisories."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from axlewright_models.signals import INDEX, NAMES
from axlewright_models.wire.messages import AdvisoryMessage, Cause, CheckToDo, Evidence, SourceHealth, Status
from axlewright_server import accounts
from axlewright_server.advisories import advisory_id, raise_advisory
from axlewright_server.office import Office
from axlewright_server.settings import Settings
from axlewright_server.store import Store, advisories, records, rows

FLEET = """
fleet = "small-yard"
name = "Small Yard"
[types.tractor]
title = "6x4 tractor"
[vehicles.sy-1]
type = "tractor"
[vehicles.sy-2]
type = "tractor"
[vehicles.sy-3]
type = "tractor"
"""
NOW_S = float(int(time.time()))
GAP_S = (NOW_S - 5400.0, NOW_S - 3600.0)


def put(store: Store, vehicle: str, position: int, time_s: np.ndarray, **channels: float | np.ndarray) -> None:
    """Write readings of one axle; "_" in a channel's keyword stands for "/"."""
    values = np.full((len(time_s), len(NAMES)), np.nan, np.float32)
    for name, column in channels.items():
        values[:, INDEX[name.replace("__", "-").replace("_", "/")]] = column
    with store.transaction():
        axle = store.axle_id(vehicle, position)
        rows.write_rows(store, np.full(len(time_s), axle), np.round(time_s * 1000).astype(np.int64), values)


def low_axle(vehicle: str = "sy-2", urgency: str = "within-a-day") -> AdvisoryMessage:
    """Return an advisory about an axle that stands low."""
    since_s = NOW_S - 3000.0
    return AdvisoryMessage(
        id=advisory_id("small-yard", vehicle, 2, "height-valve-out-of-set", since_s),
        fleet="small-yard",
        vehicle=vehicle,
        axle=2,
        cause="height-valve-out-of-set",
        title="Height valve out of set",
        state="unacknowledged",
        urgency=urgency,  # type: ignore[arg-type]  # tests also try others
        confidence=0.82,
        since_s=since_s,
        updated_s=since_s + 60.0,
        summary="Forward drive axle stands 14 mm low since this morning <script>alert(1)</script>.",
        evidence=[
            Evidence(
                channel="height/static",
                text="static height 14 mm below specification",
                begin_s=since_s,
                end_s=NOW_S,
                value=-14.0,
                limit=6.0,
                unit="mm",
            )
        ],
        causes=[
            Cause(id="height-valve-out-of-set", title="Height valve out of set", probability=0.82, why="sudden step"),
            Cause(id="slow-air-leak", title="Slow air leak", probability=0.1, why="level holds", leak_path="none"),
        ],
        checks=[CheckToDo(id="ride-height", text="Measure ride height", limit="within 6 mm")],
        cautions=["air-suspended-frame"],
    )


def fill(folder: Path) -> None:
    """Make the fleet file and the store."""
    (folder / "fleet.toml").write_text(FLEET, encoding="utf-8")
    store = Store(folder / "data")
    time_s = np.arange(NOW_S - 7200.0, NOW_S + 1.0, 10.0)
    time_s = time_s[(time_s < GAP_S[0]) | (time_s > GAP_S[1])]
    wave = np.sin(time_s / 300.0)
    for vehicle, low_mm, seen in (("sy-1", 0.0, time_s), ("sy-2", 14.0, time_s), ("sy-3", 0.0, time_s[:100])):
        n = len(seen)
        modes = {"speed": 80.0 + 3.0 * wave[:n], "ambient": 11.0, "parked": 0.0, "height__mode": 0.0}
        put(store, vehicle, 0, seen, **modes)
        for position in (2, 3):
            drop = low_mm if position == 2 else 0.0
            put(
                store,
                vehicle,
                position,
                seen,
                lube=84.0 + 5.0 * wave[:n],
                lube_expected=83.0,
                height_left=241.0 - drop + 4.0 * wave[:n],
                height_right=240.0 - drop - 4.0 * wave[:n],
                height_static=240.0 - drop,
                vib_order_driveshaft__1=0.4,
            )
    _write_records(store)
    store.close()


def _write_records(store: Store) -> None:
    status = Status(
        online=True,
        version="0.1.0",
        stream="s1",
        queued=3,
        clock="set",
        time_s=NOW_S,
        oldest_unsent_s=31.0,
        cpu_share=0.021,
        memory_bytes=61_000_000,
        gateway_cel=52.5,
        sources=[SourceHealth(name="j1939 can0", state="stale", note="speed silent for 8 s")],
    )
    with store.transaction():
        changes = [raise_advisory(message, 2, ("height-low",), ("height/static",)) for message in (low_axle(),)]
        changes.append(raise_advisory(low_axle("sy-1", "next-service"), 0, ("height-low",), ("height/static",)))
        advisories.write_changes(store, changes)
        bad = records.Quarantined(
            0, int(NOW_S * 1000), "axlewright/1/small-yard/sy-1/readings", "frame", "no seq", 3, b"{}\n"
        )
        records.write_quarantine(store, [bad])
        records.write_statuses(store, [records.TruckStatus("sy-2", int(NOW_S * 1000), status)])
        records.write_high_waters(store, [records.HighWater("sy-2", "s1", 42, int(NOW_S * 1000), 0, 0)])


@contextmanager
def small_office(folder: Path, account: tuple[str, str] | None = None) -> Iterator[Office]:
    """Run the office's writer over such a store (neither broker nor web server)."""
    fill(folder)
    settings = Settings(fleet=str(folder / "fleet.toml"), data=str(folder / "data"))
    # The office's clock begins where the readings end, however long ago this module was imported.
    begun = time.monotonic()
    office = Office(settings, clock=lambda: NOW_S + time.monotonic() - begun)
    if account is not None:
        with office.store.transaction():
            accounts.put_account(office.store, *account, NOW_S)
    office.pipeline.start()
    try:
        yield office
    finally:
        office.pipeline.stop()
        office.store.close()
