"""Readings come back as they went in, whether hot, sealed, late or repeated."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from axlewright_models.signals import INDEX, NAMES
from axlewright_server.errors import StoreError
from axlewright_server.store import Store, readings, rows, sealing
from axlewright_server.store.blocks import DAY_MS, HOUR_MS, Block, merge, pack, roll_up, unpack

BEGIN = 1_700_000_000_000 // DAY_MS * DAY_MS


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    store = Store(tmp_path)
    yield store
    store.close()


def put(store: Store, vehicle: str, position: int, time_ms: np.ndarray, **channels: np.ndarray) -> None:
    values = np.full((len(time_ms), len(NAMES)), np.nan, np.float32)
    for name, column in channels.items():
        values[:, INDEX[name]] = column
    with store.transaction():
        axle = store.axle_id(vehicle, position)
        rows.write_rows(store, np.full(len(time_ms), axle), time_ms, values)


def seal_all(store: Store) -> int:
    return sum(sealing.seal(store, BEGIN + 1000 * DAY_MS))


def test_a_block_survives_packing_bit_for_bit() -> None:
    rng = np.random.default_rng(1)
    values = rng.normal(size=(360, 5)).astype(np.float32)
    values[rng.random(values.shape) < 0.2] = np.nan
    block = Block(BEGIN + np.cumsum(rng.integers(1, 20_000, 360)), np.array([0, 3, 11, 30, 200]), values)
    again = unpack(pack(block))
    assert_array_equal(again.time_ms, block.time_ms)
    assert_array_equal(again.channels, block.channels)
    assert_array_equal(again.values.view(np.uint32), block.values.view(np.uint32))


def test_merging_keeps_the_first_of_two_rows_at_the_same_time() -> None:
    kept = Block(np.array([10, 30]), np.array([0]), np.array([[1.0], [3.0]], np.float32))
    added = Block(np.array([30, 20]), np.array([0, 2]), np.array([[9.0, 9.0], [2.0, 7.0]], np.float32))
    merged = merge(kept, added)
    assert merged.time_ms.tolist() == [10, 20, 30]
    assert_array_equal(merged.values, np.array([[1, np.nan], [2, 7], [3, np.nan]], np.float32))


def test_a_roll_up_agrees_with_numpy() -> None:
    rng = np.random.default_rng(2)
    values = rng.normal(50, 20, size=(100, 3)).astype(np.float32)
    values[rng.random(values.shape) < 0.3] = np.nan
    sums = roll_up(Block(np.arange(100), np.arange(3), values))
    assert_array_equal(sums.low, np.nanmin(values, axis=0))
    assert_array_equal(sums.high, np.nanmax(values, axis=0))
    assert_allclose(sums.total / sums.n, np.nanmean(values.astype(float), axis=0), rtol=1e-12)


@pytest.mark.parametrize("sealed", [False, True])
def test_export_gives_every_reading_back_in_order(store: Store, sealed: bool) -> None:
    time_ms = BEGIN + np.arange(0, 3 * HOUR_MS, 10_000)
    lube = 60 + np.sin(time_ms / 1e6)
    put(store, "t-1", 2, time_ms, lube=lube)
    put(store, "t-1", 0, time_ms, speed=np.full(len(time_ms), 80.0))
    put(store, "t-2", 2, time_ms, lube=np.zeros(len(time_ms)))
    if sealed:
        assert seal_all(store) == 3 * len(time_ms)
    with store.reader() as connection:
        parts = list(readings.export(connection, "t-1", BEGIN + 60_000, BEGIN + 2 * HOUR_MS))
    got = np.concatenate([part.time_ms for part in parts])
    position = np.concatenate([part.position for part in parts])
    values = np.concatenate([part.values for part in parts])
    expected = time_ms[(time_ms >= BEGIN + 60_000) & (time_ms < BEGIN + 2 * HOUR_MS)]
    assert_array_equal(got, np.repeat(expected, 2))
    assert position[:4].tolist() == [0, 2, 0, 2]
    assert_array_equal(
        values[position == 2][:, parts[0].names.index("lube")],
        lube[np.isin(time_ms, expected)].astype(np.float32),
    )


@pytest.mark.parametrize("points", [100_000, 400, 24, 3])
@pytest.mark.parametrize("hours_sealed", [0, 20, 72])
def test_a_trend_keeps_every_peak_and_the_mean(store: Store, points: int, hours_sealed: int) -> None:
    rng = np.random.default_rng(3)
    time_ms = BEGIN + np.arange(0, 72 * HOUR_MS, 60_000)
    lube = rng.normal(80, 5, len(time_ms)).astype(np.float32)
    put(store, "t-1", 2, time_ms, lube=lube)
    sum(sealing.seal(store, BEGIN + hours_sealed * HOUR_MS))
    with store.reader() as connection:
        trend = readings.series(connection, "t-1", 2, "lube", BEGIN, BEGIN + 72 * HOUR_MS, points)
    assert len(trend.time_ms) <= points
    assert trend.n.sum() == len(lube)
    assert trend.low.min() == lube.min()
    assert trend.high.max() == lube.max()
    assert_allclose((trend.mean * trend.n).sum() / trend.n.sum(), lube.astype(float).mean(), rtol=1e-9)
    assert (np.diff(trend.time_ms) > 0).all()


def test_late_and_repeated_rows_are_counted_once_in_the_roll_ups(store: Store) -> None:
    time_ms = BEGIN + np.arange(0, HOUR_MS, 60_000)
    put(store, "t-1", 2, time_ms[::2], lube=np.full(30, 80.0))
    seal_all(store)
    put(store, "t-1", 2, time_ms, lube=np.full(60, 90.0))  # the even rows again, the odd ones late
    seal_all(store)
    with store.reader() as connection:
        hourly = connection.exec_driver_sql("SELECT span_ms, n, low, high, sum FROM rollup ORDER BY span_ms").all()
    total = 30 * 80.0 + 30 * 90.0
    assert [tuple(row) for row in hourly] == [(HOUR_MS, 60, 80.0, 90.0, total), (DAY_MS, 60, 80.0, 90.0, total)]


def test_the_newest_row_of_each_axle_is_at_hand_even_when_an_older_one_comes_later(store: Store) -> None:
    put(store, "t-1", 2, np.array([BEGIN + 20_000]), lube=np.array([81.0]))
    put(store, "t-1", 2, np.array([BEGIN + 10_000]), lube=np.array([70.0]))
    with store.reader() as connection:
        (row,) = readings.latest(connection, "t-1")
    assert (row.time_ms, row.values) == (BEGIN + 20_000, {"lube": 81.0})


def test_an_unknown_channel_is_kept_under_its_own_name(store: Store) -> None:
    values = np.full((1, len(NAMES)), np.nan, np.float32)
    with store.transaction():
        axle = np.array([store.axle_id("t-1", 2)])
        rows.write_rows(store, axle, np.array([BEGIN]), values, {0: {"hub/left": 44.0}})
    for _ in range(2):
        with store.reader() as connection:
            (row,) = readings.latest(connection)
            trend = readings.series(connection, "t-1", 2, "hub/left", BEGIN, BEGIN + HOUR_MS)
        assert row.values == {"hub/left": 44.0}
        assert trend.mean.tolist() == [44.0]
        seal_all(store)


def test_the_number_of_invented_channels_is_bounded(store: Store) -> None:
    with store.transaction():
        numbers = [store.channel_id(f"invented/{number}") for number in range(200)]
    assert numbers.count(None) == 72
    assert len(store.channel_ids) == len(NAMES) + 128


def test_retention_deletes_readings_but_keeps_daily_roll_ups(store: Store) -> None:
    time_ms = BEGIN + np.arange(0, 10 * DAY_MS, HOUR_MS // 2)
    put(store, "t-1", 2, time_ms, lube=np.full(len(time_ms), 80.0))
    seal_all(store)
    rule = sealing.Retention(readings_days=2, hourly_days=5, daily_days=100)
    with store.transaction():
        sealing.retain(store, rule, BEGIN + 10 * DAY_MS)
    counts = "SELECT (SELECT SUM(n) FROM block), (SELECT SUM(n) FROM rollup WHERE span_ms = ?), "
    counts += "(SELECT SUM(n) FROM rollup WHERE span_ms = ?)"
    with store.reader() as connection:
        row = connection.exec_driver_sql(counts, (HOUR_MS, DAY_MS)).one()
    assert tuple(row) == (2 * 48, 5 * 48, 10 * 48)


def test_a_second_writer_is_refused_by_name_of_the_folder(store: Store) -> None:
    with pytest.raises(StoreError, match="is in use by another axlewright process"):
        Store(store.folder)


def test_a_sealed_hour_that_cannot_be_read_does_not_hold_up_other_axles(store: Store) -> None:
    times = BEGIN + 10_000 * np.arange(6)
    for position in (2, 3):
        put(store, "t-1", position, times, lube=np.full(6, 80.0))
    seal_all(store)
    bad = store.axle_ids["t-1", 2]
    with store.transaction():
        store.cursor().execute("UPDATE block SET data = ? WHERE axle_id = ?", (b"torn", bad))
    for position in (2, 3):
        put(store, "t-1", position, times + 60_000, lube=np.full(6, 81.0))
    assert seal_all(store) == 6
    left = store.cursor().execute("SELECT axle_id, count(*) FROM reading GROUP BY 1").fetchall()
    assert left == [(bad, 6)], "the rows of the axle with the torn hour stay where they can be read"
