"""The fleet's prior for vibration: its numbers against scipy, and what it does for an axle that is still learning."""

from __future__ import annotations

import dataclasses

import msgspec
import numpy as np
import pytest
from known_truth import BEGIN_S, HOUR, Faults, Journey, after, chunk, fleet, raised, rows, signals
from scipy import stats

from axlewright_models.command_line import main
from axlewright_server.detectors.base import LINE_CODES
from axlewright_server.detectors.sisters import (
    BEYOND,
    LEAST_SISTERS,
    FleetPriorError,
    pooled,
    read,
    room,
    write,
)
from axlewright_server.detectors.suite import learn_prior, read_prior
from axlewright_server.detectors.vibration import LINES, Vibration
from axlewright_server.errors import SettingsError, StoreError
from axlewright_server.fleet_prior import learn_from, make_prior
from axlewright_server.kernel import Kernel
from axlewright_server.settings import load_settings
from axlewright_server.store import Store
from axlewright_server.store.records import write_states

DAY = Journey((("drive", 16.0),))
TRUCKS = 12


def born(seed):
    """Return the factors (logarithms) by which the lines of one truck's axles differ from its sisters'."""
    return np.random.default_rng(900 + seed).normal(0.0, 0.2, len(LINES))


def truck(seed, **more):
    """Return a truck with its own birth; `more` adds to lines, from the beginning."""
    own = {name: float(factor) for name, factor in zip(LINES, born(seed), strict=True)}
    for name, gain in more.items():
        own[f"vib/order/{name.replace('_', '-')}"] += gain
    gains = {name: after(0.0, np.expm1(log)) for name, log in own.items()}
    return signals(DAY, seed, Faults(gains=gains))


@pytest.fixture(scope="module")
def learnt():
    """Return the kernel of a fleet that has learnt, in a day what otherwise takes four."""
    kernel = Kernel(fleet(TRUCKS), [Vibration(lessons_a_day=1000)])
    result = kernel.run(rows([truck(seed) for seed in range(1, TRUCKS + 1)]))
    assert not result.symptoms
    return kernel


@pytest.fixture(scope="module")
def prior(learnt):
    return learn_prior(learnt.table, learnt._states[1], np.arange(len(learnt.table)))


def newcomer(prior, **gains):
    """Return what is said of a new truck, with or without sisters."""
    kernel = Kernel(fleet(1), [Vibration(prior=prior)])
    return [one for one in raised(kernel.run(rows([truck(77, **gains)]))) if one.code in LINE_CODES]


def test_pooled_moments_are_those_of_numpy_over_the_axles_that_have_learnt():
    generator = np.random.default_rng(1)
    records = Vibration().fresh(9)
    records["count"][:8, 3, :] = 60.0
    records["mean"][:, 3, :] = generator.normal(size=(9, len(LINES)))
    records["m2"][:, 3, :] = 59.0 * np.square(generator.uniform(0.1, 0.4, (9, len(LINES))))
    mean, between, within, number = pooled(records, 60)
    assert number[3, 0] == 8
    np.testing.assert_allclose(mean[3], records["mean"][:8, 3].mean(axis=0), atol=1e-6)
    np.testing.assert_allclose(between[3], records["mean"][:8, 3].std(axis=0, ddof=1), rtol=1e-5)
    np.testing.assert_allclose(within[3], np.sqrt((records["m2"][:8, 3] / 59.0).mean(axis=0)), rtol=1e-5)
    assert np.isnan(mean[2]).all()
    records["count"][LEAST_SISTERS - 1 :, 3, 0] = 59.0
    assert np.isnan(pooled(records, 60)[0][3, 0])


@pytest.mark.parametrize("sisters", [5, 12])
def test_a_healthy_newcomer_stands_beyond_its_room_as_seldom_as_is_said(sisters):
    """The prediction limit for one further observation: its chance by simulation, 400,000 fleets (seed 3)."""
    generator, fleets = np.random.default_rng(3), 400_000
    means = generator.normal(0.0, 0.4, (fleets, sisters))
    new = generator.normal(0.0, 0.4, fleets)
    beyond = int((new > means.mean(axis=1) + room(means.std(axis=1, ddof=1), sisters)).sum())
    low, high = stats.binom(fleets, BEYOND).ppf([0.0005, 0.9995])
    assert low <= beyond <= high


def test_where_too_few_have_learnt_nothing_is_expected(learnt, prior):
    few = learn_prior(learnt.table, learnt._states[1], np.arange(2 * (LEAST_SISTERS - 1)))
    assert not any(group.lines for group in few.groups)
    assert not newcomer(few, driveshaft_1=2.4)
    other = [msgspec.structs.replace(group, position=group.position + 2) for group in prior.groups]
    assert not newcomer(msgspec.structs.replace(prior, groups=other), driveshaft_1=2.4)


def test_a_truck_that_comes_with_a_gross_fault_is_found_before_that_is_learnt_as_normal(prior):
    assert not newcomer(None, driveshaft_1=2.4)
    found = newcomer(prior, driveshaft_1=2.4)
    assert {one.key for one in found} == {"order-high/driveshaft-1"}
    assert {one.axle for one in found} == {0}
    # In the first two hours of driving, and beyond what a sister may differ by.
    assert min(one.time_s for one in found) < BEGIN_S + 2.0 * HOUR
    assert min(one.limit for one in found) > 2.0


def test_a_truck_that_differs_as_sisters_do_draws_no_word(prior):
    for seed in range(70, 76):
        kernel = Kernel(fleet(1), [Vibration(prior=prior)])
        assert not kernel.run(rows([truck(seed)])).symptoms


def test_once_it_has_learnt_its_own_the_prior_is_out_of_play(learnt, prior):
    with_prior = Kernel(fleet(TRUCKS), [Vibration(lessons_a_day=1000, prior=prior)])
    made = rows([truck(seed) for seed in range(1, TRUCKS + 1)])
    with_prior.run(made)
    own = with_prior._states[1]["count"] >= Vibration().learning
    assert own.any()
    np.testing.assert_array_equal(own, learnt._states[1]["count"] >= Vibration().learning)
    np.testing.assert_array_equal(with_prior._states[1]["mean"][own], learnt._states[1]["mean"][own])
    # What absence says is said of what the axle itself has learnt.
    fresh = Kernel(fleet(1), [Vibration(prior=prior)])
    fresh.run(chunk(rows([truck(77)]), BEGIN_S, BEGIN_S + HOUR))
    assert not fresh.observable(0)["vibration"]


def test_results_do_not_hang_on_how_rows_are_batched_nor_on_who_else_drives(prior):
    whole = rows([truck(77, driveshaft_1=2.4), truck(78)])
    at_once, by_piece = (Kernel(fleet(2), [Vibration(prior=prior)]) for _ in range(2))
    first = at_once.run(whole).symptoms
    pieces = [by_piece.run(chunk(whole, BEGIN_S + k * HOUR, BEGIN_S + (k + 1) * HOUR)) for k in range(17)]
    assert [one for piece in pieces for one in piece.symptoms] == first
    alone = Kernel(fleet(1), [Vibration(prior=prior)]).run(rows([truck(77, driveshaft_1=2.4)])).symptoms
    assert alone == [one for one in first if one.axle < 2]


def test_what_is_written_is_read_and_what_does_not_fit_is_said(prior, tmp_path):
    file = tmp_path / "prior.json"
    write(prior, file)
    assert read(file, Vibration.version) == prior
    with pytest.raises(FleetPriorError, match=r"made by version \d+ of the vibration detector.*make it anew"):
        read(file, Vibration.version + 1)
    file.write_text('{"format": "other"}')
    with pytest.raises(FleetPriorError, match=r"is no fleet prior: .*make it anew"):
        read(file, Vibration.version)
    with pytest.raises(FleetPriorError, match="cannot be read"):
        read(tmp_path / "missing.json", Vibration.version)
    short = msgspec.structs.replace(
        prior.groups[0].lines[LINES[0]], sisters=[9], mean=[0.0], between=[1.0], within=[1.0]
    )
    group = msgspec.structs.replace(prior.groups[0], lines={LINES[0]: short})
    kernel = Kernel(fleet(1), [Vibration(prior=msgspec.structs.replace(prior, groups=[group]))])
    with pytest.raises(FleetPriorError, match="1 cells"):
        kernel.run(rows([truck(77)]))


def test_axles_on_which_something_stands_teach_nothing(learnt):
    blobs = dict(enumerate(learnt.state_blobs(np.arange(len(learnt.table)))))
    assert {group.axles for group in learn_from(blobs, learnt.table).prior.groups} == {TRUCKS}
    faulty = Kernel(fleet(TRUCKS), [Vibration(lessons_a_day=1000)])
    for row, blob in blobs.items():
        faulty.load_state(row, blob)
    loud = rows([truck(1, driveshaft_1=2.4)])
    faulty.run(dataclasses.replace(loud, time_s=loud.time_s + 86400.0))
    blobs[0], blobs[1] = faulty.state_blobs(np.array([0, 1]))
    told = learn_from(blobs, learnt.table)
    assert sorted(group.axles for group in told.prior.groups) == [TRUCKS - 1, TRUCKS]
    assert "left out, something stands on it: 1 axles" in told.text


def test_the_command_says_what_is_missing(tmp_path, capsys):
    with pytest.raises(SettingsError, match="no fleet file"):
        make_prior(load_settings(None), tmp_path / "prior.json")
    fleet_file = tmp_path / "fleet.toml"
    fleet_file.write_text('fleet = "yard"\nname = "Yard"\n[types.tractor]\n[vehicles.t-1]\ntype = "tractor"\n')
    data = tmp_path / "data"
    with pytest.raises(StoreError, match="no store here"):
        make_prior(load_settings(None, fleet=str(fleet_file), data=str(data)), tmp_path / "prior.json")
    assert not data.exists()
    assert main(["fleet-prior", "--fleet", str(fleet_file), "--data", str(data)]) == 1
    assert "no store here" in capsys.readouterr().err


def test_the_command_learns_from_an_office_s_folder(learnt, prior, tmp_path, capsys):
    fleet_file = tmp_path / "fleet.toml"
    text = 'fleet = "yard"\nname = "Yard"\n[types.tractor]\n'
    fleet_file.write_text(text + "".join(f'[vehicles.t-{n}]\ntype = "tractor"\n' for n in range(TRUCKS)))
    data, file = tmp_path / "data", tmp_path / "prior.json"
    store = Store(data)
    with store.transaction():
        blobs = learnt.state_blobs(np.arange(len(learnt.table)))
        axles = [
            store.axle_id(learnt.table.vehicle_id(row), int(learnt.table.position[row])) for row in range(len(blobs))
        ]
        write_states(store, [(axle, 0, blob) for axle, blob in zip(axles, blobs, strict=True)])
    store.close()
    assert main(["fleet-prior", "--fleet", str(fleet_file), "--data", str(data), "--into", str(file)]) == 0
    assert "tractor, axle 2: 12 axles, " in capsys.readouterr().out
    made = read(file, Vibration.version)
    assert made.groups == prior.groups
    assert made.until_s == pytest.approx(float(learnt._last_s.max()))
    office = load_settings(None, fleet=str(fleet_file), data=str(data), fleet_prior=str(file))
    assert read_prior(office.fleet_prior) == made
