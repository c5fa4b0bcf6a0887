"""The table ``[guard]`` of the agent file."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, Struct


class GuardSettings(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The guard on board, and what it moves when it speaks.

    ``limits_file`` is where limits from the office are kept (beside the outbox when left out). ``lamp_file`` is a file
    such as a GPIO line's or an LED's value in sysfs, into which ``lamp_on`` or ``lamp_off`` is written. ``hook`` is a
    command with its arguments, run without a shell and ended after ``hook_limit_s``.
    With ``advisories`` those that a person in the office has acknowledged are told on the vehicle bus as well, where
    that is allowed.
    """

    enabled: bool = True
    limits_file: str = ""
    lamp_file: str = ""
    lamp_on: str = "1"
    lamp_off: str = "0"
    hook: tuple[str, ...] = ()
    hook_limit_s: Annotated[float, Meta(gt=0, le=60)] = 5.0
    advisories: bool = False
