"""The scenario library: every fault, sensor fault and harmless event by name, drawn from distributions by seed.

>>> from axlewright_simulators.demo_fleet import demo_fleet
>>> run = draw_scenario("valve-step", demo_fleet(), np.random.default_rng(1), begin_s=1.78e9)
>>> run.expected, run.onset_s > 1.78e9, abs(run.severity) >= 15.0
(('height-valve-out-of-set',), True, True)
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from axlewright_models.errors import ModelError
from axlewright_models.spec import FleetSpec, VehicleSpec
from axlewright_simulators.axle_stories import AXLE_STORIES
from axlewright_simulators.faults import SEVERITY_MEANING
from axlewright_simulators.harmless_stories import HARMLESS_STORIES
from axlewright_simulators.measure import fitted_channels
from axlewright_simulators.runs import ScenarioRun
from axlewright_simulators.sensor_stories import SENSOR_STORIES
from axlewright_simulators.story import Place, Story
from axlewright_simulators.vibration_stories import VIBRATION_STORIES

LIBRARY: dict[str, Story] = {
    story.name: story for story in (*AXLE_STORIES, *VIBRATION_STORIES, *HARMLESS_STORIES, *SENSOR_STORIES)
}
DAY_S = 86400.0
QUIET_DAYS = (18.0, 25.0)  # healthy running before the onset, so that a monitor can learn the axle first


def draw_scenario(
    name: str,
    fleet: FleetSpec,
    random: np.random.Generator,
    begin_s: float = 1.78e9,
    *,
    unused: Collection[str] | None = None,
    quiet_days: tuple[float, float] = QUIET_DAYS,
) -> ScenarioRun:
    """Return one scenario on a truck, its size, onset and truck drawn from their distributions.

    Parameters
    ----------
    name : str
        One of :data:`LIBRARY`.
    fleet : FleetSpec
        Where a truck is drawn from.
    random : Generator
        Decides everything.
    begin_s : float
        Unix time at which the truck's readings begin. [s]
    unused : collection of str, optional
        Trucks to draw from; all of the fleet when left out. Several scenarios in one simulation need one truck each.
    quiet_days : tuple of float
        Least and most days between `begin_s` and the onset.

    Raises
    ------
    ModelError
        There is no such scenario, or no truck that it could happen to.
    """
    if name not in LIBRARY:
        raise ModelError(f"there is no scenario {name!r} in the library; use one of {', '.join(LIBRARY)}")
    story = LIBRARY[name]
    names = [vehicle for vehicle in fleet.vehicles if unused is None or vehicle in unused]
    names = [vehicle for vehicle in names if story.fits(fleet.vehicle(vehicle))]
    if not names:
        raise ModelError(f"no truck is left for scenario {name!r}; {story.fits_words}")
    vehicle = fleet.vehicle(names[int(random.integers(len(names)))])
    onset_s = begin_s + float(random.uniform(*quiet_days)) * DAY_S
    positions = tuple(axle.position for axle in vehicle.drive_axles)
    course = story.draw(Place(vehicle.id, positions, onset_s, random))
    main = course.faults[0] if course.faults else None
    reason = course.hidden or _unseen(story, vehicle) or (story.unseen(vehicle, course) if story.unseen else "")
    return ScenarioRun(
        name=name,
        title=story.title,
        kind=story.kind,
        vehicle=vehicle.id,
        axle=course.axle,
        onset_s=onset_s,
        severity=main.severity if main else 0.0,
        severity_meaning=SEVERITY_MEANING[main.kind] if main else "",
        development_s=main.development_s if main else 0.0,
        end_s=onset_s + story.watch_days * DAY_S,
        faults=course.faults,
        services=course.services,
        expected=story.causes,
        detectable=not (reason or story.harmless),
        reason=reason or ("harmless" if story.harmless else ""),
        harmless=story.harmless,
        source=story.source,
        needs=tuple(need for need in story.needs if need in fitted_channels(vehicle)),
    )


def _unseen(story: Story, vehicle: VehicleSpec) -> str:
    """Return why this truck's sensors cannot show the scenario; empty when one of them can."""
    if not story.needs or fitted_channels(vehicle) & set(story.needs):
        return ""
    return f"the truck has no sensor that shows it: {' or '.join(story.needs)}"
