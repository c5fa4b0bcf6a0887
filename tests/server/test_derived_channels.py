"""What the kernel computes beside the readings is stored in the row that it was computed from."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from axlewright_models.spec import parse_fleet
from axlewright_models.wire.decoder import Decoder
from axlewright_models.wire.frames import Frame, Window, encode_frame
from axlewright_models.wire.topics import Topic, TopicKind
from axlewright_server.commit import Bundle, Committer
from axlewright_server.store import Store, readings

FLEET = 'fleet = "yard"\nname = "y"\n[types.t]\n[vehicles.t-1]\ntype = "t"\n[vehicles.t-2]\ntype = "t"\n'


def _frames(count: int, begin_s: float, height_mm: float):  # type: ignore[no-untyped-def]
    decoder = Decoder()
    topic = Topic("yard", "t-2", TopicKind.READINGS)
    vehicle = {"speed": 80.0, "height-mode": 0.0, "parked": 0.0}
    for seq in range(1, count + 1):
        # A truck that sends a derived channel itself is not believed.
        axles = {3: {"height/left": height_mm, "height/right": height_mm, "lube": 70.0, "height/static": 1.0}}
        frame = Frame("yard", "t-2", "s", seq, (Window(begin_s + 60.0 * seq, vehicle, axles),))
        yield decoder.decode(encode_frame(frame), topic)


def test_the_static_height_of_a_steady_truck_is_its_reading_and_only_its_row_has_it(tmp_path: Path) -> None:
    store = Store(tmp_path)
    committer = Committer(parse_fleet(FLEET), store)
    begin_s = np.floor(time.time() / 60.0) * 60.0 - 7200.0
    committer.commit(committer.gather(list(_frames(30, begin_s, 231.0))), Bundle())
    with store.reader() as connection:
        rows = {row.position: row for row in readings.latest(connection, "t-2")}
    store.close()
    assert rows[3].values["height/static"] == pytest.approx(231.0, abs=1e-3)  # float32 of 231
    assert set(rows) == {0, 3}, "axle 2 sent nothing and has no row"
    assert "height/static" not in rows[0].values


def test_a_derived_value_sent_by_a_truck_is_not_kept(tmp_path: Path) -> None:
    store = Store(tmp_path)
    committer = Committer(parse_fleet(FLEET), store)
    gathered = committer.gather(list(_frames(1, time.time() - 600.0, 240.0)))
    committer.commit(gathered, Bundle())
    with store.reader() as connection:
        rows = readings.latest(connection, "t-2")
    store.close()
    # One window is too little to know the static height: nothing is stored, least of all the truck's 1 mm.
    assert all("height/static" not in row.values for row in rows)
