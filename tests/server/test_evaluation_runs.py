"""Parts of an evaluation, run for real but small: simulator in a child process, kernel, record, report."""

from __future__ import annotations

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest

from axlewright_models.command_line import main
from axlewright_models.spec import load_fleet
from axlewright_server.detectors.table import AxleTable
from axlewright_server.errors import EvaluationError
from axlewright_server.evaluation import ablation, baselines_drift, readings, series
from axlewright_server.evaluation.hourly import AXLE_CHANNELS, HourBook
from axlewright_server.evaluation.orchestra import _wanted, run_parts, stored
from axlewright_server.evaluation.parts import Part, Plan
from axlewright_server.evaluation.record import decode_run, encode_run
from axlewright_server.evaluation.runs import Extras, run_outside, run_part, run_together
from axlewright_server.evaluation.together import companies
from axlewright_server.evaluation.truth import read_truth, service_events
from axlewright_server.evaluation.watch import watch

# Long windows keep the tests quick.
ARGUMENTS = (
    "--seeds",
    "2001",
    "--scenarios",
    "valve-step",
    "service-oil-change",
    "--begin",
    "2025-04-01",
    "--window",
    "600",
)
PART = Part("small", "as-designed", "scenarios", 2001, ARGUMENTS, 90.0)


def readable(run):
    """Return a run without what differs from one machine to another."""
    return msgspec.structs.replace(run, seconds=0.0, key="", arguments=(), seed=0)


@pytest.fixture(scope="module")
def simulated(tmp_path_factory):
    """Readings, fleet and truth of two scenarios as files."""
    folder = tmp_path_factory.mktemp("simulated")
    assert main(["simulate", "--into", str(folder), *ARGUMENTS]) == 0
    return folder


@pytest.fixture(scope="module")
def inside(tmp_path_factory):
    """The same through the pipe."""
    folder = tmp_path_factory.mktemp("inside")
    return run_part(PART, folder, Extras()), folder


def test_a_part_leaves_its_record_and_the_readings_for_its_plots(inside):
    run, folder = inside
    assert decode_run((folder / "small.json").read_bytes()) == run
    assert {unit.event.scenario for unit in run.units} == {"valve-step", "service-oil-change"}
    (faulty,) = [unit for unit in run.units if not unit.event.harmless]
    kept = series.read(folder / "small.npz", faulty.vehicle)
    assert kept.axle.shape[1:] == (2, len(AXLE_CHANNELS))
    assert np.nanmax(kept.channel("lube")) > 30.0
    assert faulty.distance_km[-1] - faulty.distance_km[0] > 1000.0


def test_a_part_run_twice_comes_to_the_same_and_with_another_seed_to_another(tmp_path):
    def run(name, seed):
        arguments = ("--healthy", "2", "--days", "2", "--begin", "2025-04-01", "--seeds", seed)
        return readable(run_part(Part("p", "as-designed", "healthy", 1, arguments, 4.0), tmp_path / name, Extras()))

    first, again, other = run("first", "2001"), run("again", "2001"), run("other", "2002")
    assert first == again
    assert first.units[0].distance_km != other.units[0].distance_km


def test_parts_that_share_a_kernel_come_to_the_same_as_alone(inside, tmp_path):
    worse = msgspec.structs.replace(PART, key="worse", arguments=(*ARGUMENTS, "--missing-sensors", "0.5"))
    alone = run_part(worse, tmp_path, Extras())
    together = run_together((PART, worse), tmp_path / "together", Extras())
    assert alone.alerts
    assert alone.alerts != inside[0].alerts
    assert [readable(run) for run in together] == [readable(inside[0]), readable(alone)]
    assert decode_run((tmp_path / "together" / "worse.json").read_bytes()) == together[1]


def test_small_parts_of_one_kind_share_a_kernel_and_large_ones_have_their_own():
    sizes = [
        [part.key.rpartition("-")[0] for part in company]
        for company in companies(Plan(first_seed=900, seeds=4, healthy_years=200.0).parts())
    ]
    variants = ["parameters-30-off", "half-the-sensors", "frames-lost", "noise-doubled"]
    assert sizes == [
        ["as-designed-scenarios-900"],
        ["as-designed-healthy-900"],
        ["as-designed-healthy-901"],
        [f"{name}-scenarios-900" for name in variants],
        [f"{name}-healthy-900" for name in variants],
    ]


def test_readings_from_files_are_judged_as_those_from_the_pipe(inside, simulated, tmp_path):
    outside = run_outside(
        simulated / "fleet.toml", [simulated / "readings.parquet"], simulated / "truth.json", tmp_path, Extras()
    )
    assert readable(outside) == readable(inside[0])


def test_readings_as_csv_are_judged_as_those_of_parquet(simulated, tmp_path):
    table = pq.read_table(simulated / "readings.parquet").slice(0, 4000)
    pyarrow.csv.write_csv(table, tmp_path / "readings.csv")
    pq.write_table(table, tmp_path / "readings.parquet")
    fleet, truth = simulated / "fleet.toml", simulated / "truth.json"
    plain = Extras(ablation=False, baselines=False)
    csv, parquet = (
        run_outside(fleet, [tmp_path / f"readings.{kind}"], truth, tmp_path / kind, plain)
        for kind in ("csv", "parquet")
    )
    assert csv.readings == 4000
    assert readable(csv) == readable(parquet)


def test_decisions_made_anew_with_every_detector_are_those_of_the_kernel(simulated):
    fleet = load_fleet(str(simulated / "fleet.toml"))
    vehicles = AxleTable.of(fleet).vehicles
    pieces = readings.of_files([simulated / "readings.parquet"], vehicles)
    watched = watch(fleet, pieces, service_events(read_truth(simulated / "truth.json")))
    assert watched.alerts
    ends_s = dict.fromkeys(range(len(vehicles)), watched.end_s)
    again = ablation.without(fleet, watched.moments, "", ends_s, every_s=0.0)
    assert [(one.vehicle, one.axle, one.first) for one in again] == [
        (one.vehicle, one.axle, one.first) for one in watched.alerts
    ]


def test_a_caution_that_waited_is_told_by_decisions_made_anew(tmp_path):
    words = ["--seeds", "2001", "--scenarios", "lean", "--begin", "2025-04-01", "--window", "600"]
    assert main(["simulate", "--into", str(tmp_path), *words]) == 0
    fleet = load_fleet(str(tmp_path / "fleet.toml"))
    pieces = readings.of_files([tmp_path / "readings.parquet"], AxleTable.of(fleet).vehicles)
    watched = watch(fleet, pieces, service_events(read_truth(tmp_path / "truth.json")))
    first_s = min(alert.first.time_s for alert in watched.alerts)
    # No symptom came or went when the advisory was raised: time alone decided.
    assert all(symptom.time_s != first_s for moment in watched.moments for symptom in moment.symptoms)
    early = [moment for moment in watched.moments if moment.symptoms[0].time_s < first_s]
    again = ablation.without(fleet, early, "", {0: watched.end_s}, every_s=0.0)
    assert again
    assert not ablation.without(fleet, early, "", {0: first_s - 3600.0}, every_s=0.0)


def test_what_one_detector_alone_saw_is_lost_without_it(inside):
    run, _ = inside
    assert "ride-height" in run.without
    assert len(run.without["ride-height"]) < len(run.alerts)


def test_the_whole_command_writes_a_report_without_anything_from_elsewhere(simulated, tmp_path):
    words = ["evaluate", "--into", str(tmp_path / "report"), "--fleet", str(simulated / "fleet.toml")]
    words += ["--readings", str(simulated / "readings.parquet"), "--truth", str(simulated / "truth.json"), "--quiet"]
    assert main(words) == 0
    html = (tmp_path / "report" / "report.html").read_text(encoding="utf-8")
    assert "<svg" in html
    assert "<script" not in html
    assert "http" not in html.replace("http://www.w3.org/2000/svg", "")
    assert "valve-step" in (tmp_path / "report" / "table.md").read_text(encoding="utf-8")
    results = msgspec.json.decode((tmp_path / "report" / "results.json").read_bytes())
    assert results["variants"]["as-designed"]["detectable_faults"] == 1


def test_readings_need_their_truth_and_fleet(capsys, tmp_path):
    assert main(["evaluate", "--readings", "weeks.csv", "--into", str(tmp_path)]) == 1
    assert "--readings also needs --truth and --fleet" in capsys.readouterr().err


def test_a_truck_that_the_fleet_file_lacks_is_told(simulated, tmp_path):
    fleet = tmp_path / "fleet.toml"
    fleet.write_text(
        'fleet = "yard"\nname = "Yard"\n[types.tractor]\n[vehicles.t-1]\ntype = "tractor"\n', encoding="utf-8"
    )
    truth = tmp_path / "truth.json"
    truth.write_text('{"format": "axlewright-truth-1", "events": []}', encoding="utf-8")
    with pytest.raises(EvaluationError, match=r"vehicle '.*' is not in the fleet file; add it, or leave its rows out"):
        run_outside(fleet, [simulated / "readings.parquet"], truth, tmp_path, Extras())


def test_an_axle_that_its_truck_lacks_is_told(simulated, tmp_path):
    table = pq.read_table(simulated / "readings.parquet").slice(0, 4000)
    axles = pa.array([9 if axle == 3 else axle for axle in table["axle"].to_pylist()], table.schema.field("axle").type)
    moved = table.set_column(table.schema.get_field_index("axle"), "axle", axles)
    pq.write_table(moved, tmp_path / "readings.parquet")
    with pytest.raises(EvaluationError, match=r"has no axle 9 in the fleet file, which lists 1, 2, 3; mend the column"):
        run_outside(
            simulated / "fleet.toml", [tmp_path / "readings.parquet"], simulated / "truth.json", tmp_path, Extras()
        )


def test_a_simulator_that_fails_is_told_in_its_own_words(tmp_path):
    part = Part("wrong", "as-designed", "scenarios", 2001, ("--scenarios", "no-such"), 1.0)
    with pytest.raises(EvaluationError, match="there is no scenario 'no-such' in the library"):
        run_part(part, tmp_path, Extras())


def test_what_is_wrong_with_one_part_is_told_while_another_would_run_on(tmp_path):
    years = ("--healthy", "3", "--days", "3650", "--begin", "2025-01-01", "--seeds", "2001", "--window", "60")
    parts = [
        Part("long", "as-designed", "healthy", 2001, years, 3.0 * 3650.0, 3650.0 * 86400.0),
        Part("wrong", "as-designed", "scenarios", 2001, ("--scenarios", "no-such"), 1.0),
    ]
    with pytest.raises(EvaluationError, match="there is no scenario 'no-such' in the library"):
        run_parts(parts, tmp_path, Extras(), workers=2, resume=False, quiet=True)
    assert not (tmp_path / "long.json").exists()


def test_a_finished_part_is_taken_up_only_if_it_was_asked_for_alike(inside):
    run, folder = inside
    assert stored(PART, folder) == run
    assert stored(msgspec.structs.replace(PART, arguments=(*ARGUMENTS, "--noise", "2")), folder) is None
    assert stored(msgspec.structs.replace(PART, key="other"), folder) is None
    other_code = folder / "other-code"
    other_code.mkdir()
    (other_code / "small.json").write_bytes(encode_run(msgspec.structs.replace(run, code="0" * 12)))
    assert stored(PART, other_code) is None
    assert run_parts([PART], folder, Extras(), workers=1, resume=True, quiet=True) == [run]


def test_a_plan_has_every_seed_and_every_year_once():
    parts = Plan(seeds=5, healthy_years=200.0, healthy_trucks=400, healthy_days=91.3125).parts("as-designed")
    scenarios = [part for part in parts if part.kind == "scenarios"]
    seeds = [part.arguments[1 : part.arguments.index("--begin")] for part in scenarios]
    assert [seed for some in seeds for seed in some] == ["2001", "2002", "2003", "2004", "2005"]
    healthy = [part for part in parts if part.kind == "healthy"]
    assert sum(part.vehicle_days for part in healthy) == pytest.approx(200.0 * 365.25)
    assert len({part.key for part in parts}) == len(parts)


def test_hourly_means_count_each_window_in_its_hour_and_only_while_driving(simulated):
    fleet = load_fleet(str(simulated / "fleet.toml"))
    table = AxleTable.of(fleet)
    (rows,) = list(readings.of_files([simulated / "readings.parquet"], table.vehicles))[:1]
    book = HourBook(table)
    book.take(rows)
    hours = book.hours()
    # By hand, for one axle and the hour with the most driving.
    speed = {
        (v, t): s
        for v, t, p, s in zip(rows.vehicle, rows.time_s, rows.position, rows.values[:, 0], strict=True)
        if p == 0
    }
    number = int(np.nanargmax(np.sum(~np.isnan(hours.driving[:, 0, 0:1]), axis=1)))
    end_s = hours.times_s[number]
    mine = [
        float(rows.values[k, 11])
        for k in range(len(rows.time_s))
        if rows.vehicle[k] == 0
        and rows.position[k] == table.position[0]
        and end_s - 3600.0 < rows.time_s[k] <= end_s
        and speed[rows.vehicle[k], rows.time_s[k]] >= 40.0
    ]
    assert mine
    assert hours.driving[number, 0, 0] == pytest.approx(np.nanmean(mine), rel=1e-6)


@pytest.mark.parametrize(
    "flags", [baselines_drift.adwin_flags, baselines_drift.page_hinkley_flags, baselines_drift.changepoint_flags]
)
def test_other_peoples_detectors_see_a_step_and_keep_quiet_before(flags):
    random = np.random.default_rng(1)
    values = random.normal(0.0, 1.0, (40 * 24, 1, 2))
    values[20 * 24 :, 0, 1] += 5.0
    days = np.repeat(np.arange(40), 24)
    setting = {"adwin_flags": 9.0, "page_hinkley_flags": 100.0, "changepoint_flags": 40.0}[flags.__name__]
    told = flags(values, days, (setting,))
    assert told.shape == (1, 40, 1)
    assert not told[0, :20].any()
    assert told[0, 20:30].any()


@pytest.mark.parametrize(
    ("flags", "settings"),
    [
        (baselines_drift.adwin_flags, (2.7, 9.0, 30.0, 130.0)),
        (baselines_drift.page_hinkley_flags, (25.0, 100.0, 800.0, 6400.0)),
    ],
)
def test_a_detector_tried_at_many_settings_tells_at_each_what_it_tells_at_that_alone(flags, settings):
    random = np.random.default_rng(2)
    values = random.normal(0.0, 1.0, (30 * 24, 3, 2))
    values[400:, 1, 0] += 1.0
    values[500:, 2, 1] += 6.0
    days = np.repeat(np.arange(30), 24)
    told = flags(values, days, settings)
    assert told.any()
    assert not told.all(axis=(1, 2)).any()
    for place, setting in enumerate(settings):
        np.testing.assert_array_equal(told[place], flags(values, days, (setting,))[0])


def test_only_the_first_condition_of_a_run_is_compared_with_simple_alarms():
    first, worse = PART, msgspec.structs.replace(PART, key="worse", variant="noise-doubled")
    assert _wanted((first,), Extras(), "as-designed") == Extras()
    assert _wanted((worse,), Extras(), "as-designed") == Extras(ablation=False, baselines=False, forecasts=True)
    assert _wanted((worse,), Extras(), "noise-doubled") == Extras()
