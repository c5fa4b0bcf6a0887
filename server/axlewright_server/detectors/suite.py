"""The detectors that the office runs, in order."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from axlewright_server.detectors.base import Detector, State
from axlewright_server.detectors.guard import Guard
from axlewright_server.detectors.housing import Housing
from axlewright_server.detectors.hunting import Hunting
from axlewright_server.detectors.leak_down import LeakDown
from axlewright_server.detectors.lube_limit import LubeLimit, LubeRise
from axlewright_server.detectors.lube_model import LubeModel
from axlewright_server.detectors.ride_height import RideHeight
from axlewright_server.detectors.sisters import FleetPrior, learn, read
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.tandem import Tandem
from axlewright_server.detectors.vibration import LINES, Vibration


def default_detectors(prior: FleetPrior | None = None) -> tuple[Detector, ...]:
    """Return one of each detector with its default parameters; sensor health comes before them and is the kernel's.

    ``prior``: what sister axles read, for axles that are still learning (see ``sisters.py``).
    """
    return (
        RideHeight(),
        Hunting(),
        LeakDown(),
        LubeLimit(),
        LubeRise(),
        LubeModel(),
        Tandem(),
        Vibration(prior=prior),
        Housing(),
        Guard(),
    )


def read_prior(path: str) -> FleetPrior | None:
    """Return the fleet prior of a file, checked against this version's vibration detector; None for "".

    Raises
    ------
    FleetPriorError
        The file cannot be read, or does not fit.
    """
    return read(path, Vibration.version) if path else None


def learn_prior(table: AxleTable, records: State, rows: NDArray[np.int64]) -> FleetPrior:
    """Return the prior that the vibration records of these rows' axles give (see ``sisters.learn``)."""
    return learn(table, records, rows, LINES, Vibration.version, Vibration().learning)
