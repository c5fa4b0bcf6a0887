"""What a log says of a trouble that lasts: once, then a count now and then, then that it is over."""

from __future__ import annotations

import itertools
import logging

import pytest

from axlewright_edge.repeats import FIRST_REMINDER_S, LONGEST_SILENCE_S, Repeats

LOGGER = logging.getLogger("axlewright.test.repeats")


def lines(caplog: pytest.LogCaptureFixture, name: str = LOGGER.name) -> list[str]:
    return [record.getMessage() for record in caplog.records if record.name == name]


def test_a_trouble_that_lasts_is_told_ever_more_seldom_and_ends_in_one_line(caplog: pytest.LogCaptureFixture) -> None:
    now = [0.0]
    repeats = Repeats(LOGGER, "t-1", lambda: now[0])
    told = []
    for now[0] in [60.0 * minute for minute in range(3 * 24 * 60)]:
        before = len(caplog.records)
        repeats.trouble(f"{now[0]:.0f} windows wait: disk full")
        told += [now[0]] * (len(caplog.records) - before)
    assert told[:5] == [0.0, FIRST_REMINDER_S, 2 * FIRST_REMINDER_S, 4 * FIRST_REMINDER_S, 8 * FIRST_REMINDER_S]
    assert len(told) <= 11
    assert max(later - earlier for earlier, later in itertools.pairwise(told)) <= LONGEST_SILENCE_S
    repeats.over("windows are stored again")
    assert lines(caplog)[-1].startswith("t-1: windows are stored again; before that 4320 times in 72 h: ")
    repeats.over("windows are stored again")
    assert len(lines(caplog)) == len(told) + 1


def test_another_trouble_is_told_at_once_and_what_happened_once_ends_without_a_count(
    caplog: pytest.LogCaptureFixture,
) -> None:
    repeats = Repeats(LOGGER, "t-1", lambda: 0.0)
    repeats.trouble("no connection")
    repeats.trouble("refused (Not authorized)", logging.ERROR)
    repeats.over("connected")
    assert lines(caplog) == [
        "t-1: no connection",
        "t-1: refused (Not authorized)",
        "t-1: connected; before that refused (Not authorized)",
    ]
    assert [record.levelno for record in caplog.records] == [logging.WARNING, logging.ERROR, logging.ERROR]
