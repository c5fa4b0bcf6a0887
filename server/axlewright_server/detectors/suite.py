"""The detectors that the office runs, in order."""

from __future__ import annotations

from axlewright_server.detectors.base import Detector
from axlewright_server.detectors.guard import Guard
from axlewright_server.detectors.housing import Housing
from axlewright_server.detectors.hunting import Hunting
from axlewright_server.detectors.leak_down import LeakDown
from axlewright_server.detectors.lube_limit import LubeLimit, LubeRise
from axlewright_server.detectors.lube_model import LubeModel
from axlewright_server.detectors.ride_height import RideHeight
from axlewright_server.detectors.tandem import Tandem
from axlewright_server.detectors.vibration import Vibration


def default_detectors() -> tuple[Detector, ...]:
    """Return one of each detector with its default parameters; sensor health comes before them and is the kernel's."""
    return (
        RideHeight(),
        Hunting(),
        LeakDown(),
        LubeLimit(),
        LubeRise(),
        LubeModel(),
        Tandem(),
        Vibration(),
        Housing(),
        Guard(),
    )
