"""Signals, codes and identifiers of the vehicle bus, held against public extracts of the standard's annex."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from axlewright_edge.sources.j1939 import routes
from axlewright_edge.sources.j1939.database import SignalDatabase
from axlewright_edge.sources.j1939.identifier import Identifier
from axlewright_edge.sources.j1939.validity import is_number


@pytest.fixture(scope="module")
def database() -> SignalDatabase:
    return SignalDatabase()


def message(*places: tuple[int, str], length: int = 8) -> bytes:
    """Return a message of "not available", with bytes (hex) put in at 1-based places."""
    data = bytearray(b"\xff" * length)
    for byte, text in places:
        octets = bytes.fromhex(text)
        data[byte - 1 : byte - 1 + len(octets)] = octets
    return bytes(data)


# Encode vectors: recomputed from the annex's scale and offset by others than this code.
VECTORS = [
    (65273, 578, message((4, "87")), 95.0),
    (65273, 578, message((4, "A1")), 121.0),
    (65265, 84, message((2, "00 69")), 105.0),
    (61444, 190, message((4, "68 29")), 1325.0),
    (65269, 171, message((4, "40 25")), 25.0),
    (65113, 1724, message((5, "85 7C")), -12.3),
    (65112, 1727, message((5, "1D 10")), 412.5),
    (65258, 582, message((2, "28 3C")), 7700.0),
    (61444, 513, message((3, "BB")), 62.0),
    (61445, 526, message((2, "E8 03")), 1.0),
    (65215, 907, message((5, "85")), 0.5),
]


@pytest.mark.parametrize(("group", "spn", "data", "value"), VECTORS)
def test_the_encode_vectors_decode_to_their_values_and_nothing_else(
    database: SignalDatabase, group: int, spn: int, data: bytes, value: float
) -> None:
    assert database.decode(group, data) == {spn: pytest.approx(value, abs=1e-9)}


# (group, SPN, byte, bit, bits, highest value): places and published ends of ranges of the annex's extract.
PLACES = [
    (65273, 75, 1, 1, 8, 210.0),
    (65273, 579, 3, 1, 8, 1000.0),
    (65273, 578, 4, 1, 8, 210.0),
    (65273, 2613, 5, 1, 8, 1000.0),
    (65273, 2614, 8, 1, 8, 1000.0),
    (65258, 582, 2, 1, 16, 32127.5),
    (65258, 180, 4, 1, 16, 128510.0),
    (65258, 181, 6, 1, 16, 128510.0),
    (65265, 84, 2, 1, 16, 250.99609375),
    (65215, 905, 3, 1, 8, 7.8125),
    (65215, 910, 8, 1, 8, 7.8125),
    (61444, 190, 4, 1, 16, 8031.875),
    (61444, 513, 3, 1, 8, 125.0),
    (61444, 512, 2, 1, 8, 125.0),
    (65247, 514, 1, 1, 8, 125.0),
    (61442, 191, 2, 1, 16, 8031.875),
    (61442, 161, 6, 1, 16, 8031.875),
    (65269, 171, 4, 1, 16, 1734.96875),
    (65269, 79, 7, 1, 16, 1734.96875),
    (65198, 1090, 6, 1, 8, 2000.0),
    (65113, 1721, 1, 1, 16, 3225.5),
    (65113, 1722, 3, 1, 16, 3225.5),
    (65113, 1724, 5, 1, 16, 3225.5),
    (65113, 1723, 7, 1, 16, 3225.5),
    (65112, 1725, 1, 1, 16, 6425.5),
    (65112, 1728, 7, 1, 16, 6425.5),
    (65265, 70, 1, 3, 2, 1.0),
    (65265, 597, 4, 5, 2, 1.0),
    (65274, 619, 4, 1, 2, 1.0),
    (61442, 560, 1, 1, 2, 1.0),
    (65114, 1733, 1, 5, 4, 13.0),
    (65114, 1755, 3, 3, 2, 1.0),
    (61444, 4154, 1, 5, 4, 13 * 0.125),
]


@pytest.mark.parametrize(("group", "spn", "byte", "bit", "bits", "top"), PLACES)
def test_the_highest_valid_raw_value_is_the_published_end_of_the_range_and_one_more_is_missing(
    database: SignalDatabase, group: int, spn: int, byte: int, bit: int, bits: int, top: float
) -> None:
    highest = 0xFB * (1 << bits - 8) - 1 if bits >= 8 else (1 << bits) - 3
    place, ones = 8 * (byte - 1) + bit - 1, (1 << bits) - 1

    def with_raw(raw: int) -> bytes:
        whole = ((1 << 64) - 1) & ~(ones << place) | raw << place
        return whole.to_bytes(8, "little")

    assert database.decode(group, with_raw(highest)) == {spn: pytest.approx(top, abs=1e-9)}
    assert database.decode(group, with_raw(highest + 1)) == {}
    assert database.decode(group, with_raw(ones)) == {}


@pytest.mark.parametrize(
    ("group", "spn", "byte", "octets", "value"),
    [(65217, 917, 1, "FF FF FF FA", 5.0 * 0xFAFFFFFF), (65248, 245, 5, "08 00 00 00", 1.0)],
)
def test_distances_of_four_bytes_are_read(
    database: SignalDatabase, group: int, spn: int, byte: int, octets: str, value: float
) -> None:
    assert database.decode(group, message((byte, octets))) == {spn: pytest.approx(value)}


@pytest.mark.parametrize("last", ["FB", "FC", "FD", "FE", "FF"])
def test_a_high_byte_above_the_valid_ones_is_never_a_number(database: SignalDatabase, last: str) -> None:
    assert database.decode(65217, message((1, f"00 00 00 {last}"))) == {}
    assert database.decode(65265, message((2, f"12 {last}"))) == {}
    assert database.decode(65273, message((4, last))) == {}


@given(raw=st.integers(0, 255))
def test_a_temperature_byte_is_a_number_up_to_the_published_end_only(raw: int) -> None:
    assert is_number(raw, 8) == (raw - 40 <= 210)


def test_a_short_message_gives_what_it_reaches_and_a_long_one_no_more_than_is_known(database: SignalDatabase) -> None:
    assert database.decode(65273, bytes.fromhex("FF 10 FF 87")) == {930: 16.0, 578: 95.0}
    assert database.decode(65273, bytes.fromhex("FF 10 FF")) == {930: 16.0}
    assert database.decode(65273, b"") == {}
    assert database.decode(65251, message((20, "FC 08"), length=60)) == {544: 2300.0}


@pytest.mark.parametrize(
    ("number", "expected"),
    [
        (0x0CF00400, Identifier(3, 61444, 255, 0)),
        (0x18FEF909, Identifier(6, 65273, 255, 9)),
        (0x18FECA09, Identifier(6, 65226, 255, 9)),
        # A request to all: an open library leaves the destination in the group here (60159).
        (0x18EAFF00, Identifier(6, 59904, 255, 0)),
        (0x1CEC2103, Identifier(7, 60416, 0x21, 3)),
    ],
)
def test_identifiers_are_taken_apart_and_put_together(number: int, expected: Identifier) -> None:
    assert Identifier.parse(number) == expected
    assert expected.number == number


@given(number=st.integers(0, (1 << 29) - 1))
def test_every_identifier_survives_the_way_there_and_back(number: int) -> None:
    assert Identifier.parse(Identifier.parse(number).number) == Identifier.parse(number)
    assert Identifier.parse(number).number == number


def test_every_group_that_is_wanted_can_be_decoded(database: SignalDatabase) -> None:
    assert database.groups >= routes.WANTED
