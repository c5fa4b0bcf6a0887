"""Each kind of fault shows where it should and leaves the rest alone: the same trucks with and without it."""

from __future__ import annotations

import numpy as np
import pytest

from axlewright_models.signals import QUALITY_BITS
from axlewright_models.spec import FleetSpec
from axlewright_simulators import thermal
from axlewright_simulators.faults import Fault
from axlewright_simulators.fleet import Block, FleetSimulator
from axlewright_simulators.fleets import large_fleet
from axlewright_simulators.measure import fitted_channels

BEGIN_S = 1.78e9
MINUTES = 50 * 60
ONSET_S = BEGIN_S + 600.0
# Story: kind, size and what else Fault wants; each on a truck of its own, on its forward axle unless it says otherwise.
PLAN: dict[str, tuple[str, float, dict[str, object]]] = {
    "lean": ("lean", 30.0, {}),
    "hunting": ("hunting", 15.0, {}),
    "overfill": ("set-fill", 1.45, {}),
    "thick": ("lube-grade", 3.0, {}),
    "thin": ("lube-grade", 0.4, {}),
    "mismatch": ("tyre-mismatch", 0.012, {"axle": 0}),
    "matched": ("tyre-mismatch", 0.003, {"axle": 0}),
    "preload": ("bearing-preload", 3.0, {}),
    "breather": ("breather", 0.9995, {}),
    "torque-leak": ("torque-leak", 0.02, {}),
    "wheel": ("wheel-1", 4.0, {}),
    "phase": ("joint-phase", 90.0, {}),
    "play": ("joint-play", 0.9, {}),
    "output": ("output-play", 0.9, {}),
    "centre": ("centre-bearing", 0.9, {}),
    "misfire": ("misfire", 0.8, {}),
    "mesh": ("mesh-wear", 0.8, {}),
    "spall": ("bearing-spall", 0.35, {}),
    "bias": ("lube-sensor", 12.0, {"mode": "bias"}),
    "noise": ("lube-sensor", 8.0, {"mode": "noise"}),
    "loose": ("lube-sensor", 1.0, {"mode": "loose"}),
    "swapped": ("lube-sensor", 0.0, {"mode": "swapped"}),
    "fahrenheit": ("lube-sensor", 0.0, {"mode": "wrong-unit"}),
    "height-bias": ("height-sensor", 25.0, {"mode": "bias", "side": "left"}),
    "height-stuck": ("height-sensor", 0.0, {"mode": "stuck", "side": "left"}),
    "height-swapped": ("height-sensor", 0.0, {"mode": "swapped", "side": "left"}),
    "inches": ("height-sensor", 0.0, {"mode": "wrong-unit", "side": "right"}),
    "height-silent": ("height-sensor", 0.0, {"mode": "silent", "side": "both"}),
    "gain": ("vibration-sensor", -0.6, {"mode": "bias"}),
    "vibration-loose": ("vibration-sensor", 1.0, {"mode": "loose"}),
    "gravities": ("vibration-sensor", 0.0, {"mode": "wrong-unit"}),
    "vibration-stuck": ("vibration-sensor", 0.0, {"mode": "stuck"}),
}


class Pair:
    """The blocks with and without the faults, and where each story's truck stands in them."""

    def __init__(self, simulator: FleetSimulator, faulty: Block, sound: Block) -> None:
        self.simulator, self.faulty, self.sound = simulator, faulty, sound
        after = sound.edges_s[1:] > ONSET_S + 60.0
        self.cruising = (sound.vehicle["speed"] > 60.0) & after[:, None]
        self.warm = self.cruising & (sound.edges_s[1:] > BEGIN_S + 2.0 * 3600.0)[:, None]

    def rows(self, story: str) -> tuple[int, int]:
        return 2 * list(PLAN).index(story), 2 * list(PLAN).index(story) + 1

    def both(self, story: str, channel: str, axle: int = 0, warm: bool = False) -> tuple[np.ndarray, np.ndarray]:
        row = self.rows(story)[axle]
        steps = (self.warm if warm else self.cruising)[:, row // 2]
        assert steps.sum() > 30, "the truck must drive for the test to mean something"
        pair = []
        for block in (self.faulty, self.sound):
            values = block.axle[channel] if channel in block.axle else block.truth[channel]
            pair.append(values[steps, row])
        return pair[0], pair[1]

    def change(self, story: str, channel: str, axle: int = 0, warm: bool = True) -> float:
        faulty, sound = self.both(story, channel, axle, warm)
        return float(np.nanmean(faulty - sound))

    def ratio(self, story: str, channel: str, axle: int = 0) -> float:
        faulty, sound = self.both(story, channel, axle)
        return float(np.nanmedian(faulty) / np.nanmedian(sound))


@pytest.fixture(scope="module")
def pair() -> Pair:
    fleet = large_fleet(120, seed=9, climates=["temperate"])
    full = [name for name, truck in fleet.vehicles.items() if "sump-pressure" in fitted_channels(truck)]
    vehicles = full[: len(PLAN)]
    faults = [
        Fault(kind, vehicle, ONSET_S, size, **{"axle": 2, **more})  # type: ignore[arg-type]  # Fault's own fields
        for vehicle, (kind, size, more) in zip(vehicles, PLAN.values(), strict=True)
    ]
    blocks = []
    for given in (faults, []):
        simulator = FleetSimulator(fleet, seed=4, anchor_s=BEGIN_S, begin_s=BEGIN_S, vehicles=vehicles, faults=given)
        blocks.append(simulator.advance(BEGIN_S + np.arange(MINUTES + 1) * 60.0))
    return Pair(simulator, blocks[0], blocks[1])


# --- ride height ----------------------------------------------------------------------------------------------------


def test_a_leaning_frame_stands_higher_on_one_side_and_level_in_the_middle(pair: Pair) -> None:
    left, right = pair.change("lean", "height/left"), pair.change("lean", "height/right")
    assert right - left == pytest.approx(30.0, abs=0.3) and right + left == pytest.approx(0.0, abs=0.3)


def test_a_hunting_valve_swings_within_the_window_about_the_same_mean(pair: Pair) -> None:
    assert abs(pair.change("hunting", "height/left")) < 1.0
    assert pair.ratio("hunting", "height/left-spread") > 1.6


# --- heat -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("story", "sign"), [("overfill", 1), ("thick", 1), ("thin", -1), ("preload", 1)])
def test_what_churns_or_drags_more_warms_its_own_axle(pair: Pair, story: str, sign: int) -> None:
    own, other = pair.change(story, "oil"), pair.change(story, "oil", axle=1)
    assert sign * own > 1.5
    assert abs(other) < 0.2


def test_an_overfilled_sump_stands_above_its_plug(pair: Pair) -> None:
    assert pair.change("overfill", "lube-level") > 20.0
    assert pair.both("overfill", "fill")[0][0] == pytest.approx(1.45, abs=0.001)


def test_unequal_tyres_warm_both_axles_and_matched_ones_hardly(pair: Pair) -> None:
    # Army manuals ask for a match within 1/8 inch of rolling radius, some 0.6 %: half of that is nothing to hear of.
    assert min(pair.change("mismatch", "oil", axle) for axle in (0, 1)) > 6.0
    assert 0.0 < pair.change("matched", "oil") < 0.4 * pair.change("mismatch", "oil")


def test_power_goes_round_between_unequal_tyres_up_to_their_grip() -> None:
    speed, load = 22.0, 70e3
    power = thermal.circulating_power_w([0.0, 0.004, 0.008, 0.5], load, speed)
    assert power[0] == 0.0 and power[2] == pytest.approx(2.0 * power[1])
    assert power[3] == pytest.approx(thermal.TYRE_GRIP * load * speed)


def test_a_tight_bearing_is_itself_hotter_than_its_lube(pair: Pair) -> None:
    assert pair.change("preload", "bearing") > pair.change("preload", "oil") + 10.0


def test_a_bearings_rise_solves_its_equation() -> None:
    heat, fill, oil = np.array([0.0, 500.0, 2000.0, 8000.0]), np.array([1.0, 1.0, 0.5, 0.1]), np.full(4, 70.0)
    rise = thermal.bearing_cel(oil, heat, fill) - oil
    washed = np.minimum(fill, 1.0) * (1.0 - 0.6 * thermal.starvation(fill))
    straight = heat / (thermal.BEARING_W_K * washed + thermal.BEARING_SEAT_W_K)
    np.testing.assert_allclose(rise, straight * np.exp(-thermal.FILM_THINS_PER_K * rise), rtol=0.01)


# --- lube -----------------------------------------------------------------------------------------------------------


def test_a_plugged_breather_holds_the_pressure_that_warm_air_makes(pair: Pair) -> None:
    row = pair.rows("breather")[0]
    after = pair.faulty.edges_s[1:] > ONSET_S + 60.0
    faulty, sound = (block.axle["sump-pressure"][after, row] for block in (pair.faulty, pair.sound))
    kelvin = pair.faulty.truth["oil"][after, row] + 273.15
    # A sealed ideal gas at the temperature of the lube: from 20 to 90 Cel it gains 24 kPa.
    sealed = 101.3 * (kelvin.max() / kelvin.min() - 1.0)
    assert 0.6 * sealed < np.ptp(faulty) < 1.1 * sealed + 1.0
    assert np.ptp(sound) < 0.6 * np.ptp(faulty)


def test_a_carrier_joint_loses_lube_with_torque_and_none_at_rest(pair: Pair) -> None:
    row = pair.rows("torque-leak")[0]
    fill = pair.faulty.truth["fill"][:, row]
    torque = np.nan_to_num(np.abs(pair.faulty.vehicle["torque"][:, row // 2]))
    lost = -np.diff(fill)
    standing = pair.faulty.vehicle["speed"][1:, row // 2] == 0.0
    after = pair.faulty.edges_s[2:] > ONSET_S + 60.0
    # A window may report no speed and yet hold the last metres before a stop.
    assert lost[after & standing].mean() < 0.02 * lost[after & ~standing].mean()
    hard, easy = after & (torque[1:] > 900.0), after & (torque[1:] < 300.0) & (torque[1:] > 0.0)
    assert lost[hard].mean() > 2.0 * lost[easy].mean() > 0.0


# --- vibration ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("story", "line", "least"),
    [
        ("wheel", "vib/order/wheel-1", 3.5),
        ("play", "vib/order/driveshaft-1", 2.0),
        ("play", "vib/order/driveshaft-2", 1.5),
        ("play", "vib/order/driveshaft-4", 2.0),
        ("output", "vib/order/driveshaft-1", 1.5),
        ("centre", "vib/order/driveshaft-1", 1.8),
        ("centre", "vib/order/driveshaft-2", 1.4),
        ("misfire", "vib/order/engine-0.5", 2.5),
        ("mesh", "vib/order/mesh-1", 2.0),
        ("mesh", "vib/kurtosis", 1.1),
        ("spall", "vib/kurtosis", 1.1),
    ],
)
def test_a_vibration_fault_raises_its_own_lines_on_its_own_axle(
    pair: Pair, story: str, line: str, least: float
) -> None:
    assert pair.ratio(story, line) > least
    if story != "misfire":  # both axles hear the engine
        assert pair.ratio(story, line, axle=1) == pytest.approx(1.0, abs=0.25)
    if line != "vib/order/wheel-1":
        assert pair.ratio(story, "vib/order/wheel-1") == pytest.approx(1.0, abs=0.15)


def test_yokes_out_of_phase_excite_more_torsion(pair: Pair) -> None:
    assert pair.ratio("phase", "torsion") > 2.0


def test_a_spall_is_heard_in_its_envelope_first_and_grows_with_the_road(pair: Pair) -> None:
    row = pair.rows("spall")[0]
    size = pair.faulty.truth["spall"][:, row]
    assert np.all(np.diff(size) >= 0.0) and size[-1] > 1.5 * 0.03
    standing = pair.faulty.vehicle["speed"][1:, row // 2] == 0.0
    after = pair.faulty.edges_s[2:] > ONSET_S + 60.0
    assert np.diff(size)[standing & after].max() == 0.0
    races = ("outer-race", "inner-race", "rolling-element")
    ratios = [pair.ratio("spall", f"vib/envelope/{race}") for race in races]
    own = int(pair.simulator.axles.spall_race[row])
    assert int(np.argmax(ratios)) == own and ratios[own] > 2.0
    early = slice(15, 60)
    kurtosis = np.nanmedian(pair.faulty.axle["vib/kurtosis"][early, row]) / np.nanmedian(
        pair.sound.axle["vib/kurtosis"][early, row]
    )
    envelope = np.nanmedian(pair.faulty.axle[f"vib/envelope/{races[own]}"][early, row]) / np.nanmedian(
        pair.sound.axle[f"vib/envelope/{races[own]}"][early, row]
    )
    assert envelope > 1.5 > kurtosis


# --- sensors --------------------------------------------------------------------------------------------------------


def test_sensor_faults_leave_the_truth_as_it_is(pair: Pair) -> None:
    sensors = [story for story, (kind, _, _) in PLAN.items() if kind.endswith("-sensor")]
    for story in sensors:
        for row in pair.rows(story):
            np.testing.assert_array_equal(pair.faulty.truth["oil"][:, row], pair.sound.truth["oil"][:, row])


def test_a_lube_sensor_reads_wrong_in_each_way(pair: Pair) -> None:
    assert pair.change("bias", "lube") == pytest.approx(12.0, abs=0.5)
    faulty, sound = pair.both("noise", "lube")
    assert (faulty - sound).std() == pytest.approx(8.0, rel=0.2)
    assert pair.change("loose", "lube") < -8.0  # a tip in the air feels the air
    faulty, sound = pair.both("fahrenheit", "lube")
    np.testing.assert_allclose(faulty, 1.8 * sound + 32.0, atol=0.2)
    row, other = pair.rows("swapped")
    after = pair.sound.edges_s[1:] > ONSET_S
    np.testing.assert_array_equal(pair.faulty.axle["lube"][after, row], pair.sound.axle["lube"][after, other])
    np.testing.assert_array_equal(pair.faulty.axle["lube"][after, other], pair.sound.axle["lube"][after, row])


def test_a_height_sensor_reads_wrong_in_each_way(pair: Pair) -> None:
    assert pair.change("height-bias", "height/left") == pytest.approx(25.0, abs=0.3)
    assert pair.change("height-bias", "height/right") == pytest.approx(0.0, abs=0.3)
    assert np.unique(pair.both("height-stuck", "height/left")[0]).size == 1
    faulty, sound = pair.both("inches", "height/right")
    np.testing.assert_allclose(faulty, sound / 25.4)
    assert np.isnan(pair.both("height-silent", "height/left")[0]).all()
    assert np.isnan(pair.both("height-silent", "height/right-spread")[0]).all()
    left, right = (pair.both("height-swapped", f"height/{side}") for side in ("left", "right"))
    np.testing.assert_array_equal(left[0], right[1])
    np.testing.assert_array_equal(right[0], left[1])


def test_a_vibration_sensor_reads_wrong_in_each_way(pair: Pair) -> None:
    assert pair.ratio("gain", "vib/rms") == pytest.approx(0.4, abs=0.01)
    assert pair.ratio("gain", "vib/kurtosis") == pytest.approx(1.0, abs=1e-3)
    assert pair.ratio("gravities", "vib/order/mesh-1") == pytest.approx(1.0 / 9.80665, rel=1e-3)
    loose = 2 ** QUALITY_BITS.index("sensor-loose")
    said, sound = pair.both("vibration-loose", "vib/quality")
    assert 0.3 < np.mean((said[~np.isnan(said)].astype(int) & loose) > 0) < 0.9
    assert not np.any(sound[~np.isnan(sound)].astype(int) & loose)
    assert pair.ratio("vibration-loose", "vib/order/mesh-1") < 0.5
    held = pair.both("vibration-stuck", "vib/rms")[0]
    assert np.unique(held[~np.isnan(held)]).size == 1


def test_what_a_sensor_holds_survives_from_call_to_call(fleet: FleetSpec) -> None:
    stuck = Fault("height-sensor", "hv-201", BEGIN_S + 300.0, 0.0, 2, mode="stuck", side="left")
    simulator = FleetSimulator(fleet, seed=4, anchor_s=BEGIN_S, begin_s=BEGIN_S, vehicles=["hv-201"], faults=[stuck])
    first = simulator.advance(BEGIN_S + np.arange(11) * 60.0).axle["height/left"][-1, 0]
    second = simulator.advance(BEGIN_S + 600.0 + np.arange(11) * 60.0).axle["height/left"][:, 0]
    assert np.all(second == first)
