"""What an agent file says of raw waveforms: ``[bursts]``."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, Struct

LONGEST_BURST_S = 60.0


class BurstSettings(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How long bursts may be, how many may wait, and whether the truck records some of its own accord.

    With ``trigger`` on, a window whose rms or kurtosis stands above ``trigger_factor`` times its running median has
    ``trigger_seconds`` recorded, at most ``trigger_per_day`` times in 24 hours.
    """

    max_seconds: Annotated[float, Meta(gt=0, le=LONGEST_BURST_S)] = LONGEST_BURST_S
    max_bytes: Annotated[int, Meta(ge=64 * 1024, le=1024 * 1024 * 1024)] = 32 * 1024 * 1024
    trigger: bool = False
    trigger_factor: Annotated[float, Meta(ge=1.2, le=100)] = 3.0
    trigger_seconds: Annotated[float, Meta(gt=0, le=LONGEST_BURST_S)] = 10.0
    trigger_per_day: Annotated[int, Meta(ge=1, le=100)] = 4
