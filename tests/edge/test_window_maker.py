"""Windows out of what sensor sources sent: which values count, by which rule, and how the shaft turned meanwhile."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from axlewright_edge.features import waveform_features
from axlewright_edge.sources.blocks import Block, Piece, Sample
from axlewright_edge.sources.heard import Heard
from axlewright_edge.sources.pieces import Pieces
from axlewright_edge.sources.window_maker import WindowMaker
from axlewright_models.spec import TyreSpec, VehicleSpec
from axlewright_models.vibration.from_spec import ROAD_SPEED_TOLERANCE

TRUCK = VehicleSpec(id="t-1", type="tractor", tyre=TyreSpec(revolutions_per_km=360.0))


def heard(channel: str, pairs: list[tuple[float, float]], axle: int = 0, **stale_s: float) -> Heard:
    kept = Heard(stale_s)
    kept.add(0, [Sample(axle, channel, value, time_s) for time_s, value in pairs])
    return kept


def evenly(begin_s: float, end_s: float, step_s: float) -> Iterator[float]:
    yield from np.arange(begin_s, end_s - 1e-9, step_s).tolist()


@pytest.mark.parametrize(
    ("channel", "axle", "values", "expected"),
    [
        ("speed", 0, [80.0, 82.0, 90.0], 84.0),
        ("height/left", 2, [240.0, 241.0, 600.0], 241.0),
        ("gear", 0, [3.0, 2.0, 1.0], 1.0),
        ("odometer", 0, [100.0, 100.1, 100.2], 100.2),
        ("height-mode", 0, [0.0, 0.0, 2.0], 2.0),
        ("lube", 2, [90.0, 91.0, 92.0], 91.0),
    ],
)
def test_each_channel_follows_its_rule(channel: str, axle: int, values: list[float], expected: float) -> None:
    kept = heard(channel, [(1.0 + number, value) for number, value in enumerate(values)], axle)
    assert kept.window(0.0, 5.0)[axle][channel] == pytest.approx(expected)


def test_the_spread_of_a_height_is_the_standard_deviation_of_a_normal_one_and_no_outlier_moves_it() -> None:
    chance = np.random.default_rng(5)
    values = 240.0 + 4.0 * chance.standard_normal(4000)
    values[::20] = 700.0
    kept = heard("height/left", list(zip(evenly(0.0025, 10.0025, 0.0025), values.tolist(), strict=True)), 2)
    # One value in twenty is wild: that widens the median distance by about 5 %, and the noise of 4000 by 2 %.
    assert kept.window(0.0, 10.01)[2]["height/left-spread"] == pytest.approx(4.0, rel=0.1)


def test_the_share_of_a_flag_counts_time_and_not_messages() -> None:
    # Off until 7.5 s, then on; told ten times a second while on, once a second while off.
    pairs = [(time_s, 0.0) for time_s in evenly(-1.0, 7.5, 1.0)] + [(time_s, 1.0) for time_s in evenly(7.5, 10.0, 0.1)]
    assert heard("parked", pairs).window(0.0, 10.0)[0]["parked"] == pytest.approx(0.25)


def test_a_flag_that_is_told_only_when_it_changes_holds_until_then() -> None:
    kept = heard("parked", [(-3.0, 1.0), (4.0, 0.0)], parked=60.0)
    assert kept.window(0.0, 10.0)[0]["parked"] == pytest.approx(0.4)
    assert kept.window(10.0, 20.0)[0]["parked"] == 0.0


def test_a_channel_that_fell_silent_is_left_out_and_never_nought() -> None:
    kept = heard("speed", [(9.0, 80.0)])
    assert kept.window(0.0, 10.0) == {0: {"speed": 80.0}}
    assert kept.window(4.0, 14.0) == {0: {"speed": 80.0}}
    assert kept.window(10.0, 14.1) == {}


def test_a_set_parking_brake_stays_set_while_the_bus_sleeps_and_a_released_one_is_not_known() -> None:
    night_s = 10 * 3600.0
    assert heard("parked", [(9.0, 1.0)]).window(night_s, night_s + 10.0) == {0: {"parked": 1.0}}
    assert heard("parked", [(8.0, 1.0), (9.0, 0.0)]).window(10.0, 20.0) == {}
    assert heard("parked", [(9.0, 1.0)]).window(5 * 86400.0, 5 * 86400.0 + 10.0) == {}


def test_the_slope_of_the_lube_is_that_of_the_last_minute() -> None:
    warming = [(time_s, 60.0 + 1.5 * time_s / 60.0) for time_s in evenly(0.0, 60.5, 0.5)]
    assert heard("lube", warming, 2).window(50.0, 60.0)[2]["lube/slope"] == pytest.approx(1.5)
    young = heard("lube", [(time_s, value) for time_s, value in warming if time_s > 40.0], 2)
    assert "lube/slope" not in young.window(50.0, 60.0)[2]


def test_a_wild_value_is_passed_on_only_where_there_is_nothing_better() -> None:
    assert heard("lube", [(8.0, 90.0), (9.0, 500.0)], 2).window(0.0, 10.0)[2]["lube"] == 90.0
    # The office flags it: the truck does not decide that there was no reading.
    assert heard("lube", [(8.0, 500.0)], 2).window(0.0, 10.0)[2]["lube"] == 500.0


def test_of_two_sources_the_first_has_the_word_until_it_goes_stale() -> None:
    kept = Heard({})
    kept.add(1, [Sample(2, "lube", 80.0, time_s) for time_s in evenly(0.0, 60.0, 1.0)])
    kept.add(0, [Sample(2, "lube", 90.0, time_s) for time_s in evenly(0.0, 10.0, 1.0)])
    assert kept.window(0.0, 10.0)[2]["lube"] == 90.0
    assert kept.window(30.0, 39.0)[2]["lube"] == 90.0
    assert kept.window(31.0, 41.0)[2]["lube"] == 80.0


@given(st.lists(st.floats(-100.0, 300.0), min_size=1, max_size=30), st.floats(0.5, 9.5))
def test_no_rule_leaves_the_range_of_what_was_heard(values: list[float], end_s: float) -> None:
    for channel in ("lube", "height/left", "parked", "lube-level"):
        kept = heard(channel, [(end_s - 0.01 * number, value) for number, value in enumerate(values)], 2)
        told = kept.window(0.0, end_s)[2][channel]
        assert min(values) - 1e-9 <= told <= max(values) + 1e-9


def pieces(rate_hz: float, parts: list[tuple[float, int, int]]) -> Pieces:
    """Return pieces of (begin, size, missing before it) whose samples count up from 0."""
    kept, first = Pieces(), 0
    for begin_s, size, missing in parts:
        samples = np.arange(first, first + size, dtype=np.float32)
        kept.add([Piece("a", 2, "acceleration", begin_s, rate_hz, samples, missing)])
        first += size
    return kept


@given(st.lists(st.integers(1, 200), min_size=1, max_size=20), st.lists(st.floats(0.01, 3.0), min_size=1, max_size=6))
def test_windows_side_by_side_hold_every_sample_once(sizes: list[int], lengths: list[float]) -> None:
    rate_hz, begin_s = 100.0, 7.3
    starts = begin_s + np.concatenate([[0], np.cumsum(sizes)[:-1]]) / rate_hz
    kept = pieces(rate_hz, [(float(start), size, 0) for start, size in zip(starts, sizes, strict=True)])
    edges = np.concatenate([[begin_s - 1.0], begin_s + np.cumsum(lengths), [begin_s + 100.0]])
    cuts = [kept.cut("a", float(left), float(right)) for left, right in pairwise(edges)]
    found = np.concatenate([cut.samples for cut in cuts if cut is not None])
    assert_allclose(found, np.arange(sum(sizes)))


@pytest.mark.parametrize("counted", [50, 0], ids=["the source counted them", "only the times tell"])
def test_lost_samples_leave_a_hole_of_their_size(counted: int) -> None:
    cut = pieces(100.0, [(0.0, 100, 0), (1.5, 100, counted)]).cut("a", 0.0, 10.0)
    assert cut is not None
    assert (cut.samples.size, cut.missing, int(np.isnan(cut.samples).sum())) == (250, 50, 50)
    assert cut.times[150] == pytest.approx(1.5)


def test_jitter_of_the_stamps_is_no_loss() -> None:
    chance = np.random.default_rng(2)
    starts = 0.1 * np.arange(100) + 0.002 * chance.standard_normal(100)
    cut = pieces(1000.0, [(float(start), 100, 0) for start in starts]).cut("a", -1.0, 20.0)
    assert cut is not None and cut.missing == 0 and cut.rate_hz == 1000.0


def test_a_rate_that_the_stamps_do_not_bear_out_is_corrected() -> None:
    # The oscillator is 2 % fast: 102 samples fill what should hold 100.
    cut = pieces(1000.0, [(0.1 * number / 1.02, 100, 0) for number in range(100)]).cut("a", 0.0, 20.0)
    assert cut is not None and cut.rate_hz == pytest.approx(1020.0, rel=1e-6)


def drive(maker: WindowMaker, **channels: float) -> None:
    """Send two sensors of an axle at 640 Hz and channels of the vehicle, for 12 s."""
    for begin_s in evenly(0.0, 12.0, 0.5):
        samples = np.full(320, begin_s, dtype=np.float32)
        both = [Piece(name, 2, "acceleration", begin_s, 640.0, samples, clipped=3) for name in ("a", "b")]
        values = [Sample(0, name.replace("_", "-"), value, begin_s) for name, value in channels.items()]
        maker.add(0, Block(values, both))


def test_the_waveform_of_a_window_holds_all_sensors_of_the_axle_and_its_own_ten_seconds() -> None:
    maker = WindowMaker(TRUCK, {}, {"a": 160.0, "b": 160.0})
    drive(maker, speed=72.0, gear=1.5)
    (waveform,) = maker.make(1.0, 11.0).waveforms
    assert (waveform.axle, waveform.samples.shape, waveform.begin_elapsed_s) == (2, (2, 6400), 1.0)
    assert (waveform.samples[0, 0], waveform.samples[0, -1]) == (1.0, 10.5)
    assert (waveform.gear_ratio, waveform.full_scale, waveform.clipped) == (1.5, 160.0, 2 * 20 * 3)


@pytest.mark.parametrize(("until_s", "names", "size"), [(2.0, ("a",), 6400), (9.0, ("a", "b"), 5760)])
def test_a_sensor_that_falls_silent_early_does_not_cost_the_others_their_window(
    until_s: float, names: tuple[str, ...], size: int
) -> None:
    maker = WindowMaker(TRUCK, {}, {})
    for begin_s in evenly(0.0, 10.0, 0.5):
        both = [Piece(name, 2, "acceleration", begin_s, 640.0, np.ones(320, dtype=np.float32)) for name in ("a", "b")]
        maker.add(0, Block((), both if begin_s < until_s else both[:1]))
    (waveform,) = maker.make(0.0, 10.0).waveforms
    assert (waveform.sensors, waveform.samples.shape[1]) == (names, size)


def test_turns_come_from_road_speed_when_nothing_better_is_known() -> None:
    maker = WindowMaker(TRUCK, {}, {})
    drive(maker, speed=72.0)
    (waveform,) = maker.make(0.0, 10.0).waveforms
    # 72 km/h is 20 m/s: 7.2 wheel turns a second at 360 to the kilometre, 24.6 of the shaft at 41 / 12.
    assert waveform.turns[6399] - waveform.turns[0] == pytest.approx(24.6 * 6399 / 640.0)
    assert waveform.turns_tolerance == ROAD_SPEED_TOLERANCE


def test_turns_come_from_the_bus_before_road_speed_and_from_a_tacho_before_both() -> None:
    maker = WindowMaker(TRUCK, {}, {})
    drive(maker, speed=72.0, shaft_speed=1200.0)
    (waveform,) = maker.make(0.0, 10.0).waveforms
    assert waveform.turns[640] - waveform.turns[0] == pytest.approx(20.0)
    assert waveform.turns_tolerance == 0.0
    turns = 30.0 * np.arange(0.0, 12.0, 0.01)
    maker.add(1, Block(pieces=[Piece("tacho", 0, "tacho", 0.0, 100.0, turns.astype(np.float32))]))
    (waveform,) = maker.make(0.0, 10.0).waveforms
    assert waveform.turns[640] - waveform.turns[0] == pytest.approx(30.0, rel=1e-5)


@pytest.mark.parametrize("silent", [(3.0, 6.0), (8.0, 13.0), (-1.0, 3.0)], ids=["middle", "end", "begin"])
def test_a_hole_in_the_speed_is_no_reason_to_guess_the_angle(silent: tuple[float, float]) -> None:
    maker = WindowMaker(TRUCK, {}, {})
    drive(maker)
    times = [time_s for time_s in evenly(0.0, 12.0, 0.1) if not silent[0] < time_s < silent[1]]
    maker.add(0, Block([Sample(0, "speed", 72.0, time_s) for time_s in times]))
    (waveform,) = maker.make(0.0, 10.0).waveforms
    assert np.all(waveform.turns == 0.0)


def test_memory_does_not_grow_with_the_ride() -> None:
    maker = WindowMaker(TRUCK, {}, {})
    for hour in range(3):
        for begin_s in evenly(0.0, 60.0, 0.5):
            piece = Piece("a", 2, "acceleration", hour * 3600.0 + begin_s, 640.0, np.zeros(320, dtype=np.float32))
            maker.add(0, Block([Sample(0, "speed", 72.0, hour * 3600.0 + begin_s)], [piece]))
        now_s = hour * 3600.0 + 60.0
        maker.forget(now_s - 20.0, now_s - 30.0)
        assert len(maker.recent(2, 0.0, 1e9)) <= 62
        assert len(maker._heard.stretch(0, "speed", -1.0, 1e9).times) <= 62


RATIO = 41.0 / 12.0
SHAFT_HZ_PER_KM_H = 360.0 * RATIO / 3600.0
ORDERS = {1.0: 0.6, 2.0: 0.25, 12.0: 1.4}  # driveshaft and gear mesh (12 teeth), with their amplitudes


def sweep(maker: WindowMaker, from_km_h: float, to_km_h: float, witness: str) -> None:
    """Send 12 s of three orders of a shaft whose speed changes evenly, and what one witness says of the shaft."""
    rate_hz = 6400.0
    times = np.arange(0.0, 12.0, 1.0 / rate_hz)
    change = (to_km_h - from_km_h) / 10.0
    turns = SHAFT_HZ_PER_KM_H * (from_km_h * times + 0.5 * change * times**2)
    shake = sum(amplitude * np.sin(2.0 * np.pi * order * turns + order) for order, amplitude in ORDERS.items())
    noise = 0.3 * np.random.default_rng(4).standard_normal(times.size)
    for first in range(0, times.size, 640):
        part = slice(first, first + 640)
        samples = (shake + noise)[part].astype(np.float32)
        maker.add(0, Block(pieces=[Piece("a", 2, "acceleration", float(times[first]), rate_hz, samples)]))
        if witness == "tacho":
            maker.add(0, Block(pieces=[Piece("t", 0, "tacho", float(times[first]), rate_hz, turns[part])]))
    for time_s in evenly(0.0, 12.0, 0.1):
        speed = from_km_h + change * time_s
        if witness == "bus":
            # As the bus tells it: ten times a second, in steps of 1/8 turn a minute.
            value = np.round(8.0 * 60.0 * SHAFT_HZ_PER_KM_H * speed) / 8.0
            maker.add(0, Block([Sample(0, "shaft-speed", float(value), time_s)]))
        if witness == "road speed":
            # In steps of 1/256 km/h, and off by tyre wear: the wheel turns faster than its nominal size says.
            maker.add(0, Block([Sample(0, "speed", float(np.round(256.0 * 0.985 * speed) / 256.0), time_s)]))


@pytest.mark.parametrize("witness", ["tacho", "bus", "road speed"])
@pytest.mark.parametrize(
    ("from_km_h", "to_km_h", "within"), [(72.0, 72.0, 0.05), (40.0, 100.0, 0.10)], ids=["steady", "40 to 100 km/h"]
)
def test_orders_of_a_window_are_right_whoever_tells_the_shafts_angle(
    witness: str, from_km_h: float, to_km_h: float, within: float
) -> None:
    maker = WindowMaker(TRUCK, {}, {})
    sweep(maker, from_km_h, to_km_h, witness)
    (waveform,) = maker.make(0.0, 10.0).waveforms
    told = waveform_features(waveform, TRUCK)
    assert told["vib/order/driveshaft-1"] == pytest.approx(ORDERS[1.0], rel=within)
    assert told["vib/order/driveshaft-2"] == pytest.approx(ORDERS[2.0], rel=within)
    assert told["vib/order/mesh-1"] == pytest.approx(ORDERS[12.0], rel=within)
