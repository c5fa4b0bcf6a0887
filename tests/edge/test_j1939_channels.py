"""From messages to channels: which axle, which sender, what is missing, what is doubtful."""

from __future__ import annotations

import math
from collections.abc import Iterable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from axlewright_edge.clock import ManualClock
from axlewright_edge.errors import SourceError
from axlewright_edge.sources.blocks import Sample
from axlewright_edge.sources.j1939 import AxleAddress, Dm1Settings, J1939Settings, J1939Source, make_j1939
from axlewright_edge.sources.j1939.frames import BusFrame
from axlewright_edge.sources.j1939.identifier import Identifier
from axlewright_edge.sources.j1939.routes import WANTED
from axlewright_models.signals import CHANNELS, INDEX, Scope
from axlewright_models.spec import AxleSpec, SuspensionSpec, TransmissionSpec, VehicleSpec
from axlewright_simulators.can_messages import Message, configuration_message
from axlewright_simulators.can_twin import CanTwin, frames_of
from axlewright_simulators.demo_fleet import demo_fleet

NOTHING = "FF FF FF FF FF FF FF FF"
TANDEM = VehicleSpec(
    id="t-1",
    type="tractor",
    suspension=SuspensionSpec(ride_height_mm=240.0),
    axles=(
        AxleSpec(position=1, role="steer"),
        AxleSpec(position=2, role="forward-drive"),
        AxleSpec(position=3, role="rear-drive", ride_height_mm=230.0),
    ),
)
SINGLE = VehicleSpec(
    id="t-2",
    type="tractor",
    transmission=TransmissionSpec(gear_ratios=(10.0, 5.0, 1.0)),
    axles=(AxleSpec(position=1, role="steer"), AxleSpec(position=2, role="single-drive")),
)


class ManualFeed:
    """Hands over what the test puts in."""

    finished = False
    unsent = ""

    def __init__(self) -> None:
        self.frames: list[BusFrame] = []
        self.lost = 0

    def open(self) -> None: ...

    def read(self, timeout_s: float) -> Iterable[BusFrame]:
        frames, self.frames = self.frames, []
        return frames

    def close(self) -> None: ...


class Bench:
    """A truck's source on a bus of the test's own."""

    def __init__(self, chosen: J1939Settings | None = None, vehicle: VehicleSpec = TANDEM) -> None:
        self.clock = ManualClock(1.8e9)
        self.feed = ManualFeed()
        self.source = J1939Source(chosen or J1939Settings(), vehicle, self.clock, self.feed)
        self.source.open()

    def hear(self, group: int, text: str, source: int = 0) -> dict[tuple[int, str], float]:
        """Let one message come; return what it gives."""
        number = Identifier(6, group, 255, source).number
        self.feed.frames.append(BusFrame(self.clock.elapsed(), number, True, bytes.fromhex(text)))
        return {(sample.axle, sample.channel): round(sample.value, 6) for sample in self.read()}

    def hear_long(self, message: Message) -> list[Sample]:
        self.feed.frames += [
            BusFrame(self.clock.elapsed(), frame.number, True, frame.data) for frame in frames_of(message)
        ]
        return self.read()

    def read(self) -> list[Sample]:
        return list(self.source.read(0.0).values)


@pytest.mark.parametrize(
    ("group", "text", "expected"),
    [
        (65265, "F7 00 69 FF FF FF FF FF", {"speed": 105.0, "parked": 1.0}),
        (65265, "F3 FF FF DF FF FF FF FF", {"parked": 0.0, "brake": 1.0}),
        (65215, "00 69 FF FF FF FF FF FF", {"speed": 105.0}),
        (61444, "FF FF FF 68 29 FF FF FF", {"engine-speed": 1325.0, "ignition": 1.0}),
        (61442, "FF 68 29 FF FF FF FF FF", {"shaft-speed": 1325.0}),
        (61445, "FF 6C 07 83 FF FF FF FF", {"gear": 1.9}),
        (65269, "FF FF FF 40 25 FF FF FF", {"ambient": 25.0}),
        (61441, "FF 32 FF FF FF FF FF FF", {"brake": 0.2}),
        (65274, "FF FF FF FD FF FF FF FF", {"parked": 1.0}),
        (65217, "40 42 0F 00 FF FF FF FF", {"odometer": 5000.0}),
        (65248, "FF FF FF FF 40 9C 00 00", {"odometer": 5000.0}),
        (65114, "1F FF FF FF FF FF FF FF", {"height-mode": 0.0}),
        (65114, "7F FF FF FF FF FF FF FF", {"height-mode": 1.0}),
        (65114, "6F FF FF FF FF FF FF FF", {"height-mode": 2.0}),
    ],
)
def test_each_signal_gives_its_channel_in_the_channels_unit(group: int, text: str, expected: dict[str, float]) -> None:
    assert Bench().hear(group, text) == {(0, channel): value for channel, value in expected.items()}


@pytest.mark.parametrize("group", [65265, 65215, 61444, 61442, 61445, 65269, 61441, 65274, 65217, 65248, 65114, 65113])
@pytest.mark.parametrize("text", [NOTHING, "FE FE FE FE FE FE FE FE", "FF"])
def test_what_is_not_available_or_an_error_gives_no_sample(group: int, text: str) -> None:
    assert Bench().hear(group, text) == {}


def test_relative_levels_become_ride_heights_of_the_drive_axles_left_and_right_not_swapped() -> None:
    # -12.3 mm left; +4.0 mm right.
    heights = Bench().hear(65113, "FF FF FF FF 85 7C 28 7D")
    assert heights == {
        (2, "height/left"): 227.7,
        (2, "height/right"): 244.0,
        (3, "height/left"): 217.7,
        (3, "height/right"): 234.0,
    }


def test_levels_and_bellows_may_stand_for_one_axle_only() -> None:
    bench = Bench(J1939Settings(level_axles=(3,)))
    assert bench.hear(65112, "FF FF FF FF 1D 10 FF FF") == {(3, "bellows/left"): 412.5}
    assert bench.hear(65113, "FF FF FF FF 00 7D FF FF") == {(3, "height/left"): 230.0}


def test_one_stream_of_axle_temperatures_is_told_apart_by_location() -> None:
    bench = Bench()
    assert bench.hear(65273, "FF 10 FF 87 FF FF FF FF", source=3) == {(2, "lube"): 95.0}
    assert bench.hear(65273, "FF 20 FF A1 FF FF FF FF", source=3) == {(3, "lube"): 121.0}
    counted_from_one = Bench(J1939Settings(location_counts_from=1))
    assert counted_from_one.hear(65273, "FF 20 FF A1 FF FF FF FF", source=3) == {(2, "lube"): 121.0}


def test_without_a_location_the_source_address_or_the_only_drive_axle_tells() -> None:
    bench = Bench()
    assert bench.hear(65273, "FF FF FF 87 FF FF FF FF", source=9) == {(2, "lube"): 95.0}
    assert bench.hear(65273, "FF FF FF 88 FF FF FF FF", source=10) == {(3, "lube"): 96.0}
    assert bench.hear(65273, "FF FF FF 89 FF FF FF FF", source=3) == {}
    assert Bench(vehicle=SINGLE).hear(65273, "FF FF FF 89 FF FF FF FF", source=3) == {(2, "lube"): 97.0}


def test_the_settings_table_overrides_the_standards_rule() -> None:
    table = (AxleAddress(axle=3, source=9), AxleAddress(axle=2, source=10, location=0x42))
    bench = Bench(J1939Settings(axles=table))
    assert bench.hear(65273, "FF 10 FF 87 FF FF FF FF", source=9) == {(3, "lube"): 95.0}
    assert bench.hear(65273, "FF 42 FF 88 FF FF FF FF", source=10) == {(2, "lube"): 96.0}


def test_a_temperature_of_an_axle_that_the_truck_has_not_is_counted_and_not_used() -> None:
    bench = Bench()
    assert bench.hear(65273, "FF 00 FF 87 FF FF FF FF", source=3) == {}
    assert bench.hear(65273, "FF 50 FF 87 FF FF FF FF", source=3) == {}
    assert "no axle for address 3, location 0x50 (1 times)" in bench.source.health().note


def test_axle_weights_go_to_any_axle_of_the_truck() -> None:
    bench = Bench()
    assert bench.hear(65258, "00 28 3C FF FF FF FF FF") == {(1, "axle-load"): 7700.0}
    assert bench.hear(65258, "20 28 3C FF FF FF FF FF") == {(3, "axle-load"): 7700.0}
    assert bench.hear(65258, "FF 28 3C FF FF FF FF FF") == {}


def test_two_sensors_on_one_axle_are_not_mixed() -> None:
    bench = Bench()
    assert bench.hear(65273, "FF 10 FF 87 FF FF FF FF", source=3)
    assert bench.hear(65273, "FF 11 FF 90 FF FF FF FF", source=3) == {}


def test_of_two_senders_one_is_used_until_it_falls_silent_and_again_when_it_speaks() -> None:
    bench = Bench()
    heard = []
    for tenth in range(60):
        if not 20 <= tenth < 50:
            heard.append((tenth, bench.hear(65265, "FF 00 32 FF FF FF FF FF", source=0)))
        other = bench.hear(65265, "FF 00 33 FF FF FF FF FF", source=11)
        if other:
            heard.append((tenth, other))
        bench.clock.advance(0.1)
    values = {tenth: next(iter(samples.values())) for tenth, samples in heard if samples}
    assert set(values.values()) == {50.0, 51.0}
    # Two seconds of patience after 1.9 s, then the second sender; the first is back at its first word.
    second = [tenth for tenth, value in values.items() if value == 51.0]
    assert second[0] in (39, 40)
    assert second == list(range(second[0], 50))


def test_the_settings_may_prefer_a_sender() -> None:
    bench = Bench(J1939Settings(prefer=(11,)))
    assert bench.hear(65265, "FF 00 32 FF FF FF FF FF", source=0)
    assert bench.hear(65265, "FF 00 33 FF FF FF FF FF", source=11) == {(0, "speed"): 51.0}
    assert bench.hear(65265, "FF 00 32 FF FF FF FF FF", source=0) == {}


def test_the_better_of_two_signals_that_mean_the_same_is_used_whoever_sends_it() -> None:
    bench = Bench()
    assert bench.hear(65215, "00 33 FF FF FF FF FF FF", source=0) == {(0, "speed"): 51.0}
    assert bench.hear(65265, "FF 00 32 FF FF FF FF FF", source=11) == {(0, "speed"): 50.0}
    assert bench.hear(65215, "00 33 FF FF FF FF FF FF", source=0) == {}


def test_a_sender_that_says_not_available_is_like_one_that_is_silent() -> None:
    bench = Bench()
    bench.hear(65265, "FF 00 32 FF FF FF FF FF", source=0)
    for _ in range(30):
        bench.clock.advance(0.1)
        assert bench.hear(65265, NOTHING, source=0) == {}
    assert bench.hear(65265, "FF 00 33 FF FF FF FF FF", source=11) == {(0, "speed"): 51.0}


def test_a_signal_that_falls_silent_goes_stale_and_is_never_zero() -> None:
    bench = Bench()
    bench.hear(65273, "FF 10 FF 87 FF FF FF FF", source=3)
    for _ in range(130):
        bench.clock.advance(0.1)
        assert {channel for _, channel in bench.hear(65265, "FF 00 32 FF FF FF FF FF")} == {"speed"}
    health = bench.source.health()
    assert (health.state, health.note) == ("stale", "silent: lube of axle 2")
    bench.hear(65273, "FF 10 FF 87 FF FF FF FF", source=3)
    assert bench.source.health().state == "ok"


def test_a_bus_that_says_nothing_is_stale() -> None:
    bench = Bench()
    bench.clock.advance(6.0)
    assert (bench.source.health().state, bench.source.health().note) == ("stale", "nothing heard on the bus yet")
    bench.hear(65265, "FF 00 32 FF FF FF FF FF")
    bench.clock.advance(6.0)
    assert bench.source.health().note == "nothing heard on the bus"


def test_an_implausible_value_is_passed_on_and_flagged() -> None:
    bench = Bench()
    assert bench.hear(65269, "FF FF FF 00 40 FF FF FF") == {(0, "ambient"): 239.0}
    assert bench.source.health().note == "ambient implausible 1 times, last 239"


def test_frames_with_short_identifiers_are_ignored_and_counted() -> None:
    bench = Bench()
    # 0x6F1 would be a group of its own if it were taken for a long one.
    bench.feed.frames += [BusFrame(0.0, 0x6F1, False, bytes(8))] * 3
    assert bench.read() == []
    assert "3 frames with 11-bit identifiers ignored" in bench.source.health().note


def test_torque_needs_the_reference_torque_which_comes_in_packets() -> None:
    bench = Bench()
    engine = "FF FF BB 68 29 FF FF FF"  # 62 %
    bench.hear(61445, "FF C4 09 7E FF FF FF FF")  # ratio 2.500, gear 1
    assert (0, "torque") not in bench.hear(61444, engine)
    assert "reference torque not heard yet" in bench.source.health().note
    bench.hear_long(configuration_message())  # 2300 N.m
    assert bench.hear(61444, engine)[0, "torque"] == pytest.approx(0.62 * 2300 * 2.5)
    assert "torque without engine friction" in bench.source.health().note
    bench.hear(65247, "83 FF FF FF FF FF FF FF")  # friction 6 %
    assert bench.hear(61444, engine)[0, "torque"] == pytest.approx(0.56 * 2300 * 2.5)
    # The fraction of a per cent, where an engine sends it: 62.5 %.
    assert bench.hear(61444, "4F FF BB 68 29 FF FF FF")[0, "torque"] == pytest.approx(0.565 * 2300 * 2.5)
    assert bench.source.health().note == ""


def test_a_gear_ratio_that_is_old_gives_no_torque_and_shaft_speeds_may_stand_in_for_it() -> None:
    bench = Bench(J1939Settings(reference_torque_nm=2000.0))
    engine = "FF FF BB 68 29 FF FF FF"
    bench.hear(61445, "FF C4 09 7E FF FF FF FF")
    bench.clock.advance(3.0)
    assert (0, "torque") not in bench.hear(61444, engine)
    bench.hear(61442, "FD 20 1C FF FF 40 38 FF")  # engaged; 900 1/min out, 1800 in
    assert bench.hear(61444, engine)[0, "torque"] == pytest.approx(0.62 * 2000 * 2.0)


def test_neutral_and_an_open_driveline_pass_no_torque_and_reverse_is_negative() -> None:
    bench = Bench(J1939Settings(reference_torque_nm=2000.0))
    engine = "FF FF BB 68 29 FF FF FF"
    assert bench.hear(61445, "FF C4 09 7D FF FF FF FF") == {(0, "gear"): 0.0}
    assert bench.hear(61444, engine)[0, "torque"] == 0.0
    assert bench.hear(61445, "FF C4 09 7C FF FF FF FF") == {(0, "gear"): -2.5}
    assert bench.hear(61444, engine)[0, "torque"] == pytest.approx(-0.62 * 2000 * 2.5)
    bench.hear(61442, "FC FF FF FF FF FF FF FF")
    assert bench.hear(61444, engine)[0, "torque"] == 0.0


def test_a_gear_number_becomes_the_ratio_of_the_specification_where_the_bus_tells_none() -> None:
    bench = Bench(vehicle=SINGLE)
    assert bench.hear(61445, "FF FF FF 7F FF FF FF FF") == {(0, "gear"): 5.0}
    assert bench.hear(61445, "FF FF FF 85 FF FF FF FF") == {}
    assert Bench().hear(61445, "FF FF FF 7F FF FF FF FF") == {}


def test_another_level_of_the_drivers_choice_is_judged_by_the_measured_level() -> None:
    bench = Bench()
    preset = "4F FF FF FF FF FF FF FF"
    assert bench.hear(65114, preset) == {}
    for level, mode in (("58 7B", 1.0), ("A8 7E", 2.0), ("05 7D", 0.0)):  # -42.4, +42.4, +0.5 mm
        bench.hear(65113, f"FF FF FF FF {level} {level}")
        assert bench.hear(65114, preset) == {(0, "height-mode"): mode}


@pytest.mark.parametrize(
    ("chosen", "problem"),
    [
        (J1939Settings(level_axles=(7,)), r"level_axles: t-1 has no axle 7; use one of \[1, 2, 3\]"),
        (J1939Settings(axles=(AxleAddress(axle=9),)), "axles: t-1 has no axle 9"),
        (J1939Settings(dm1=Dm1Settings(enabled=True)), "needs source_address .* and name"),
        (J1939Settings(dm1=Dm1Settings(enabled=True, source_address=200, name=1)), "listen_only = false"),
        (J1939Settings(file="a.log", dm1=Dm1Settings(enabled=True, source_address=200, name=1)), "a recording"),
    ],
)
def test_settings_that_contradict_each_other_are_refused(chosen: J1939Settings, problem: str) -> None:
    with pytest.raises(SourceError, match=problem):
        make_j1939(chosen, TANDEM, ManualClock(0.0))


@given(
    st.lists(
        st.tuples(
            st.one_of(st.sampled_from(sorted(WANTED | {60160, 60416, 59904})), st.integers(0, 0x3FFFF)),
            st.integers(0, 255),
            st.one_of(st.binary(max_size=64), st.binary(min_size=8, max_size=8)),
            st.booleans(),
        ),
        max_size=40,
    )
)
@settings(deadline=None)
def test_no_rubbish_on_the_bus_makes_it_fail_and_every_value_is_a_number(
    frames: list[tuple[int, int, bytes, bool]],
) -> None:
    bench = Bench()
    for group, source, data, extended in frames:
        bench.clock.advance(0.01)
        bench.feed.frames.append(BusFrame(bench.clock.elapsed(), 6 << 26 | group << 8 | source, extended, data))
    for sample in bench.read():
        assert math.isfinite(sample.value)
        assert CHANNELS[INDEX[sample.channel]].scope is (Scope.AXLE if sample.axle else Scope.VEHICLE)
    bench.source.health()


def test_a_truck_on_the_bus_is_heard_as_it_was_simulated() -> None:
    # The twin packs its messages by hand, this side unpacks them by the DBC file: neither knows the other.
    fleet = demo_fleet()
    twin = CanTwin(fleet, "hv-101", begin_s=1.7e9)
    bench = Bench(vehicle=fleet.vehicle("hv-101"))
    last: dict[tuple[int, str], float] = {}
    for _ in range(60):
        bench.feed.frames += [
            BusFrame(bench.clock.elapsed(), frame.number, frame.extended, frame.data) for frame in twin.tick()
        ]
        last |= {(sample.axle, sample.channel): sample.value for sample in bench.read()}
        bench.clock.advance(0.1)
    told = twin.window
    # Half a step of each signal (1/256 km/h, 1/8 1/min, 0.001, 1/32 Cel, 0.4 %, 5 m); torque: 1/8 % of 2300 N.m.
    steps = {"speed": 0.002, "engine-speed": 0.07, "shaft-speed": 0.07, "gear": 5.1e-4, "ambient": 0.016}
    steps |= {"brake": 0.0021, "odometer": 0.0026, "torque": 0.0626e-2 * 2300 * told.vehicle["gear"] + 1.0}
    steps |= dict.fromkeys(("parked", "ignition", "height-mode"), 0.0)
    assert {channel for axle, channel in last if axle == 0} == set(steps)
    for channel, step in steps.items():
        assert last[0, channel] == pytest.approx(told.vehicle[channel], abs=step), channel
    for side in ("left", "right"):
        for channel, step in ((f"height/{side}", 0.051), (f"bellows/{side}", 0.051)):
            mean = (told.axles[2][channel] + told.axles[3][channel]) / 2.0
            assert last[2, channel] == last[3, channel] == pytest.approx(mean, abs=step)
    for axle in (2, 3):
        assert last[axle, "lube"] == pytest.approx(told.axles[axle]["lube"], abs=0.51)
    assert bench.source.health().state == "ok"
