"""Messages in packets: whole or not at all."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from axlewright_edge.sources.j1939.transport import CONNECTION, DATA, Assembled, Transport

EC1 = 65251
ENGINE, ALL = 0, 255


def announce(size: int, group: int = EC1, packets: int | None = None, kind: int = 32) -> bytes:
    count = -(-size // 7) if packets is None else packets
    return bytes([kind, size & 255, size >> 8, count, 255]) + group.to_bytes(3, "little")


def packets_of(data: bytes) -> list[bytes]:
    parts = [data[start : start + 7] for start in range(0, len(data), 7)]
    return [bytes([number]) + part.ljust(7, b"\xff") for number, part in enumerate(parts, 1)]


def run(transport: Transport, steps: list[tuple[int, bytes]], source: int = ENGINE, to: int = ALL) -> list[Assembled]:
    given_back = []
    for number, (group, data) in enumerate(steps):
        whole = transport.take(group, source, to, data, 0.05 * number)
        if whole is not None:
            given_back.append(whole)
    return given_back


def steps_of(data: bytes, kind: int = 32) -> list[tuple[int, bytes]]:
    return [(CONNECTION, announce(len(data), kind=kind))] + [(DATA, packet) for packet in packets_of(data)]


@given(data=st.binary(min_size=9, max_size=1785), kind=st.sampled_from([16, 32]))
def test_a_message_of_any_lawful_size_arrives_as_it_was_sent(data: bytes, kind: int) -> None:
    assert run(Transport(), steps_of(data, kind)) == [Assembled(EC1, ENGINE, ALL, data)]


@pytest.mark.parametrize("missing", range(1, 7))
def test_a_broadcast_that_lacks_a_packet_is_never_delivered_and_the_next_one_is(missing: int) -> None:
    transport, data = Transport(), bytes(range(40))
    holed = steps_of(data)
    del holed[missing]
    assert run(transport, holed + steps_of(data)) == [Assembled(EC1, ENGINE, ALL, data)]
    assert transport.given_up == 1


def test_a_packet_that_comes_twice_or_out_of_order_ends_a_broadcast() -> None:
    steps = steps_of(bytes(range(40)))
    for wrong in ([*steps[:3], steps[2], *steps[3:]], [*steps[:2], steps[3], steps[2], *steps[4:]]):
        transport = Transport()
        assert run(transport, wrong) == []
        assert transport.given_up == 1


def test_a_connection_may_bring_a_packet_again() -> None:
    data = bytes(range(40))
    steps = steps_of(data, kind=16)
    assert run(Transport(), [*steps[:3], steps[2], *steps[3:]], to=0x21) == [Assembled(EC1, ENGINE, 0x21, data)]


def test_two_senders_and_two_receivers_may_be_interleaved() -> None:
    transport = Transport()
    one, two, three = bytes(range(30)), bytes(range(100, 130)), bytes(range(200, 230))
    pairs = [((ENGINE, ALL), steps_of(one)), ((3, ALL), steps_of(two)), ((ENGINE, 0x21), steps_of(three, 16))]
    wholes = []
    for place in range(len(steps_of(one))):
        for (source, to), steps in pairs:
            wholes.append(transport.take(steps[place][0], source, to, steps[place][1], 0.05 * place))
    assert [(whole.source, whole.destination, whole.data) for whole in wholes if whole] == [
        (ENGINE, ALL, one),
        (3, ALL, two),
        (ENGINE, 0x21, three),
    ]


@pytest.mark.parametrize(
    "head",
    [
        announce(8, packets=2),
        announce(1786, packets=255),
        announce(40, packets=5),
        announce(40, packets=7),
        announce(0, packets=0),
    ],
)
def test_an_announcement_of_a_wrong_size_is_refused(head: bytes) -> None:
    transport = Transport()
    assert run(transport, [(CONNECTION, head)] + [(DATA, packet) for packet in packets_of(bytes(40))]) == []
    assert transport.given_up == 1


def test_packets_without_an_announcement_and_short_ones_give_nothing() -> None:
    assert run(Transport(), [(DATA, packet) for packet in packets_of(bytes(20))]) == []
    steps = steps_of(bytes(20))
    assert run(Transport(), [steps[0], steps[1], (DATA, steps[2][1][:5]), steps[3]]) == []


def test_a_sender_that_pauses_too_long_is_given_up() -> None:
    transport = Transport()
    data = bytes(20)
    transport.take(CONNECTION, ENGINE, ALL, announce(20), 0.0)
    for number, packet in enumerate(packets_of(data)):
        assert transport.take(DATA, ENGINE, ALL, packet, 0.8 * (number + 1)) is None
    assert transport.given_up == 1


def test_either_side_may_abort_and_a_new_announcement_begins_afresh() -> None:
    steps = steps_of(bytes(range(20)), kind=16)
    for source, to in ((ENGINE, 0x21), (0x21, ENGINE)):
        transport = Transport()
        for group, data in steps[:2]:
            transport.take(group, ENGINE, 0x21, data, 0.0)
        transport.take(CONNECTION, source, to, bytes([255] * 8), 0.0)
        assert [transport.take(group, ENGINE, 0x21, data, 0.0) for group, data in steps[2:]] == [None, None]
    transport = Transport()
    assert run(transport, steps_of(bytes(20))[:3] + steps_of(bytes(range(9)))) == [
        Assembled(EC1, ENGINE, ALL, bytes(range(9)))
    ]


def test_a_flood_of_announcements_takes_bounded_room() -> None:
    transport = Transport()
    for source in range(200):
        transport.take(CONNECTION, source, ALL, announce(1785), float(source))
    assert transport.given_up == 200 - 64


@given(st.lists(st.tuples(st.sampled_from([CONNECTION, DATA]), st.binary(max_size=9)), max_size=40))
def test_no_rubbish_on_the_bus_makes_it_fail(steps: list[tuple[int, bytes]]) -> None:
    for whole in run(Transport(), steps):
        assert 9 <= len(whole.data) <= 1785
