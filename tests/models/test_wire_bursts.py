"""A burst cut and joined: nothing lost, nothing believed that does not fit."""

import msgspec
import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_models.errors import FrameError
from axlewright_models.wire.bursts import ERROR_M_S2, Waveforms, few_turns, join, pieces_of
from axlewright_models.wire.messages import decode_burst_piece, encode_burst_piece

RATE = 6400.0


@pytest.fixture
def waveforms():
    rng = np.random.default_rng(4)
    turns = few_turns(25.0 * np.arange(64_000) / RATE, RATE)
    return Waveforms("c-1", 2, 1.7e9, RATE, ("left", "right"), rng.standard_normal((2, 64_000)), turns, 0.0, "asked")


def test_a_burst_survives_the_wire_within_its_stated_error(waveforms):
    payloads = [encode_burst_piece(piece) for piece in pieces_of(waveforms)]
    assert len(payloads) > 5
    assert max(len(payload) for payload in payloads) <= 16 * 1024
    back = join([decode_burst_piece(payload) for payload in reversed(payloads)])
    assert np.abs(back.samples - waveforms.samples).max() <= ERROR_M_S2 * 1.0001
    assert (back.sensors, back.begin_s, back.reason, back.turns) == (
        waveforms.sensors, waveforms.begin_s, "asked", waveforms.turns,
    )  # fmt: skip


def test_turns_come_back_at_every_sample(waveforms):
    assert_allclose(join(pieces_of(waveforms)).turns_at_samples(), 25.0 * np.arange(64_000) / RATE, atol=1e-9)
    assert few_turns(np.zeros(100), RATE) == ()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda pieces: pieces[1:], r"has \d+ of \d+ pieces"),
        (lambda pieces: [pieces[0], *pieces[2:], pieces[2]], r"has \d+ of \d+ pieces"),
        (lambda pieces: [msgspec.structs.replace(pieces[0], axle=3), *pieces[1:]], "belongs to another recording"),
        (lambda pieces: [msgspec.structs.replace(piece, samples=9) for piece in pieces], "does not hold 2 channels"),
        (lambda pieces: [msgspec.structs.replace(piece, scales=[1.0]) for piece in pieces], "with 1 scales"),
        (lambda pieces: [msgspec.structs.replace(piece, samples=10**9) for piece in pieces], "at most"),
        (lambda pieces: [msgspec.structs.replace(piece, data=b"x") for piece in pieces], "cannot be inflated"),
        (lambda pieces: [], "no pieces"),
    ],
)
def test_what_does_not_fit_is_refused(waveforms, change, message):
    with pytest.raises(FrameError, match=message):
        join(change(pieces_of(waveforms)))
