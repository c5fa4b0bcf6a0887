"""History goes through the same kernel as live frames and into the same store."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]  # pyarrow ships no types
import pyarrow.csv as pc  # type: ignore[import-untyped]  # pyarrow ships no types
import pyarrow.parquet as pq  # type: ignore[import-untyped]  # pyarrow ships no types
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from axlewright_models.signals import INDEX, NAMES
from axlewright_models.spec import parse_fleet
from axlewright_server.errors import HistoryError, StoreError
from axlewright_server.history import load_files, read_table
from axlewright_server.kernel import Kernel, Rows, Symptom
from axlewright_server.settings import Settings
from axlewright_server.store import Store, advisories, readings

FLEET = """
fleet = "yard"
name = "One yard"
[types.tractor]
title = "6x4 tractor"
[vehicles.t-1]
type = "tractor"
[vehicles.t-2]
type = "tractor"
"""
BEGIN_MS = 1_750_000_000_000
MINUTES = 600


def columns(minutes: int = MINUTES) -> dict[str, np.ndarray]:
    """Return ten hours of two trucks; the lube of t-1's forward axle heats beyond its limit."""
    time_ms, order = np.meshgrid(BEGIN_MS + 60_000 * np.arange(minutes), np.arange(6), indexing="ij")
    time_ms, order = time_ms.ravel(), order.ravel()
    vehicle, axle = np.array(["t-1", "t-2"])[order // 3], np.array([0, 2, 3])[order % 3]
    minute = (time_ms - BEGIN_MS) / 60_000
    hot = (vehicle == "t-1") & (axle == 2)
    lube = np.where(axle == 0, np.nan, np.where(hot, np.minimum(40.0 + 0.5 * minute, 170.0), 70.0))
    speed = np.where(axle == 0, 85.0, np.nan)
    return {"time_ms": time_ms, "vehicle": vehicle, "axle": axle, "speed": speed, "lube": lube}


def table(**changes: object) -> pa.Table:
    return pa.table({**columns(), **changes})


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    fleet = tmp_path / "fleet.toml"
    fleet.write_text(FLEET, encoding="utf-8")
    return Settings(fleet=str(fleet), data=str(tmp_path / "data"))


def write(path: Path, content: pa.Table) -> Path:
    (pq.write_table if path.suffix == ".parquet" else pc.write_csv)(content, path)
    return path


def expected() -> tuple[list[bytes], list[Symptom]]:
    """Return what a kernel makes of the rows when they are shown to it an hour at a time."""
    kernel, rows = Kernel(parse_fleet(FLEET)), columns()
    values = np.full((len(rows["axle"]), len(NAMES)), np.nan, np.float32)
    values[:, INDEX["speed"]], values[:, INDEX["lube"]] = rows["speed"], rows["lube"]
    vehicle = np.searchsorted(["t-1", "t-2"], rows["vehicle"])
    found = []
    for part in np.array_split(np.arange(len(vehicle)), MINUTES // 60):
        shown = Rows(vehicle[part], rows["time_ms"][part] / 1000.0, rows["axle"][part], values[part])
        found += kernel.run(shown).symptoms
    return [kernel.state_blob(row) for row in range(len(kernel.table))], found


def stored(settings: Settings) -> tuple[list[bytes], list[tuple[int, str, int]]]:
    from axlewright_server.commit import Committer

    store = Store(settings.data)
    kernel = Committer(parse_fleet(FLEET), store).kernel
    with store.reader() as connection:
        kept = advisories.symptoms(connection)
    store.close()
    memory = [kernel.state_blob(row) for row in range(len(kernel.table))]
    return memory, sorted((one.time_ms, one.code, one.level) for one in kept)


@pytest.mark.parametrize("name", ["h.parquet", "h.csv"])
def test_loading_comes_to_the_same_as_the_kernel_alone(tmp_path: Path, settings: Settings, name: str) -> None:
    loaded = load_files(settings, [write(tmp_path / name, table())], quiet=True)
    memory, symptoms = stored(settings)
    blobs, found = expected()
    assert found, "the heat was found"
    assert memory == blobs
    assert symptoms == sorted((round(one.time_s * 1000), one.code, one.level) for one in found)
    assert (loaded.rows, loaded.symptoms, loaded.known_rows) == (6 * MINUTES, len(found), 0)


def test_readings_come_back_as_they_were_written(tmp_path: Path, settings: Settings) -> None:
    load_files(settings, [write(tmp_path / "h.parquet", table())], quiet=True)
    rows = columns()
    chosen = (rows["vehicle"] == "t-1") & (rows["axle"] == 2)
    store = Store(settings.data)
    with store.reader() as connection:
        parts = list(readings.export(connection, "t-1", 0, 2 * BEGIN_MS))
        trend = readings.series(connection, "t-1", 2, "lube", BEGIN_MS, BEGIN_MS + 36_000_000, 5)
        newest = readings.latest(connection, "t-1")
    hot = store.cursor().execute("SELECT COUNT(*) FROM reading").fetchone()
    store.close()
    lube = np.concatenate([part.values[part.position == 2][:, part.names.index("lube")] for part in parts])
    assert_array_equal(lube, rows["lube"][chosen].astype(np.float32))
    assert_allclose((trend.mean * trend.n).sum() / trend.n.sum(), rows["lube"][chosen].mean(), rtol=1e-6)
    assert newest[1].time_ms == rows["time_ms"].max()
    assert hot == (0,), "history lies in sealed hours"


def test_loading_twice_changes_nothing(tmp_path: Path, settings: Settings) -> None:
    path = write(tmp_path / "h.parquet", table())
    load_files(settings, [path], quiet=True)
    once = stored(settings)
    again = load_files(settings, [path], quiet=True)
    assert stored(settings) == once
    assert (again.symptoms, again.advisories) == (0, set())
    assert "had been judged up to that time already" in again.text


def test_several_files_are_loaded_in_order_of_time(tmp_path: Path, settings: Settings) -> None:
    whole = table()
    half = len(whole) // 2
    paths = [write(tmp_path / "b.parquet", whole[half:]), write(tmp_path / "a.csv", whole[:half])]
    load_files(settings, paths, quiet=True)
    assert stored(settings)[0] == expected()[0]


def test_times_may_be_written_as_text(tmp_path: Path, settings: Settings) -> None:
    rows = columns(60)
    times = [f"{np.datetime64(int(time), 'ms')}Z" for time in rows.pop("time_ms")]
    write(tmp_path / "h.csv", pa.table({"time": times, **rows}))
    load_files(settings, [tmp_path / "h.csv"], quiet=True)
    store = Store(settings.data)
    with store.reader() as connection:
        assert readings.span(connection, "t-1") == (BEGIN_MS // 3_600_000 * 3_600_000, BEGIN_MS + 59 * 60_000)
    store.close()


def test_strangers_and_unknown_columns_are_left_out_and_named(tmp_path: Path, settings: Settings) -> None:
    vehicle = np.where(columns()["vehicle"] == "t-2", "t-9", "t-1")
    loaded = load_files(settings, [write(tmp_path / "h.parquet", table(vehicle=vehicle, colour=vehicle))], quiet=True)
    assert "not in the fleet file: t-9" in loaded.text
    assert "of no known channel, left out: colour" in loaded.text


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (table().drop_columns(["axle"]), "column axle is missing"),
        (table().drop_columns(["time_ms"]), "column time or time_ms is missing"),
        (table()[::-1], "row 2 is earlier|earlier than the row before it; sort the table by time"),
        (table(lube=["warm"] * 6 * MINUTES), "lube"),
        (table(axle=["front"] * 6 * MINUTES), "axles as whole numbers"),
        (table(vehicle=pa.nulls(6 * MINUTES, pa.string())), "column vehicle has 3600 empty cells"),
    ],
)
def test_a_table_of_another_form_is_refused_with_the_reason(
    tmp_path: Path, settings: Settings, content: pa.Table, text: str
) -> None:
    with pytest.raises(HistoryError, match=text):
        load_files(settings, [write(tmp_path / "h.parquet", content)], quiet=True)


def test_a_file_that_is_no_table_is_refused_by_name(tmp_path: Path, settings: Settings) -> None:
    path = tmp_path / "h.parquet"
    path.write_bytes(b"nothing")
    with pytest.raises(HistoryError, match=r"h\.parquet: cannot be read as a replay table"):
        load_files(settings, [path], quiet=True)


def test_a_missing_file_and_a_word_among_numbers_are_told_in_one_plain_line(tmp_path: Path) -> None:
    with pytest.raises(HistoryError, match=r"h\.parquet: cannot be read: No such file or directory$"):
        read_table(tmp_path / "h.parquet")
    wrong = tmp_path / "h.csv"
    wrong.write_text("time_ms,vehicle,axle,speed\n1780000000000,t-1,0,80\n1780000010000,t-1,0,fast\n", encoding="utf-8")
    with pytest.raises(HistoryError, match=r"column speed: invalid value 'fast'; write numbers with a point"):
        read_table(wrong)


def test_history_is_not_loaded_beside_a_running_office(tmp_path: Path, settings: Settings) -> None:
    path = write(tmp_path / "h.parquet", table())
    running = Store(settings.data)
    with pytest.raises(StoreError, match="is in use by another axlewright process"):
        load_files(settings, [path], quiet=True)
    running.close()
