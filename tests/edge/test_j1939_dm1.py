"""Trouble codes on the bus: their bytes, when they are sent, and that nothing is sent unless allowed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from axlewright_edge.sources.j1939.dm1 import Lamp, Lamps, TroubleCode, decode_dm1, encode_dm1
from axlewright_edge.sources.j1939.frames import BusFrame
from axlewright_edge.sources.j1939.identifier import Identifier
from axlewright_edge.sources.j1939.talker import Outgoing, Talker
from axlewright_edge.sources.j1939.transport import CONNECTION, DATA, Transport

ADDRESS, NAME = 200, 0x1234
CLAIM = Identifier(6, 60928, 255, ADDRESS).number
DM1 = Identifier(6, 65226, 255, ADDRESS).number
HOT = TroubleCode(78, 0, 1)
LOW = TroubleCode(1724, 1, 1)
STOP = Lamps(red_stop=Lamp.STEADY)


# A published conformance test's message.
PUBLISHED = bytes.fromhex("11 CD 61 02 13 00 21 06 1F 00 EE 10 04 00")
PUBLISHED_LAMPS = Lamps(red_stop=Lamp.SLOW_FLASH, protect=Lamp.FAST_FLASH)
PUBLISHED_CODES = [TroubleCode(609, 19, 0), TroubleCode(1569, 31, 0), TroubleCode(4334, 4, 0)]


def test_a_published_message_is_read_and_written() -> None:
    assert decode_dm1(PUBLISHED) == (PUBLISHED_LAMPS, PUBLISHED_CODES)
    assert encode_dm1(PUBLISHED_LAMPS, PUBLISHED_CODES) == PUBLISHED


@pytest.mark.parametrize(
    ("code", "octets"),
    [
        (TroubleCode(578, 15, 1), "42 02 0F 01"),
        (TroubleCode(78, 0, 1), "4E 00 00 01"),
        (TroubleCode(520192, 2, 1), "00 F0 E2 01"),
    ],
)
def test_trouble_codes_have_the_bytes_of_the_reference(code: TroubleCode, octets: str) -> None:
    assert code.encode() == bytes.fromhex(octets)


codes = st.builds(TroubleCode, st.integers(1, (1 << 19) - 2), st.integers(0, 31), st.integers(0, 127))
lamps = st.builds(Lamps, *[st.sampled_from(Lamp)] * 4)


@given(lamps=lamps, told=st.lists(codes, max_size=20))
def test_every_message_survives_the_way_there_and_back(lamps: Lamps, told: list[TroubleCode]) -> None:
    assert decode_dm1(encode_dm1(lamps, told)) == (lamps, told)


def test_no_trouble_is_one_code_of_zero_and_more_than_twenty_codes_are_cut() -> None:
    assert encode_dm1(Lamps(), [])[2:6] == bytes(4)
    assert decode_dm1(bytes.fromhex("00 FF FF FF E0 00 FF FF"))[1] == []
    assert len(decode_dm1(encode_dm1(STOP, [TroubleCode(spn, 1) for spn in range(1, 40)]))[1]) == 20


@pytest.mark.parametrize("wrong", [(1 << 19, 0, 0), (1, 32, 0), (1, 0, 128), (-1, 0, 0)])
def test_a_code_that_has_no_room_in_its_bits_is_refused(wrong: tuple[int, int, int]) -> None:
    with pytest.raises(ValueError, match="no trouble code"):
        TroubleCode(*wrong)
    with pytest.raises(ValueError, match="at least 6 bytes"):
        decode_dm1(b"\x00\xff\x00")


def run(talker: Talker, begin_s: float, end_s: float, step_s: float = 0.01) -> list[tuple[float, Outgoing]]:
    count = round((end_s - begin_s) / step_s)
    return [
        (round(begin_s + place * step_s, 6), frame)
        for place in range(count)
        for frame in talker.due(begin_s + place * step_s)
    ]


def test_a_talker_that_was_told_nothing_says_nothing() -> None:
    assert run(Talker(ADDRESS, NAME), 0.0, 5.0) == []


def test_an_address_is_claimed_first_then_the_code_comes_once_a_second_and_at_last_that_it_is_gone() -> None:
    talker = Talker(ADDRESS, NAME)
    talker.tell(STOP, [HOT])
    sent = run(talker, 10.0, 13.0)
    assert sent[0] == (10.0, Outgoing(CLAIM, NAME.to_bytes(8, "little")))
    assert [time for time, frame in sent[1:]] == [10.25, 11.25, 12.25]
    assert {frame for _, frame in sent[1:]} == {Outgoing(DM1, encode_dm1(STOP, [HOT]))}
    talker.tell(Lamps(), [])
    farewell = run(talker, 13.0, 20.0)
    assert [time for time, _ in farewell] == [13.0, 14.0, 15.0]
    assert {frame for _, frame in farewell} == {Outgoing(DM1, encode_dm1(Lamps(), []))}


def test_a_change_is_told_at_once_and_two_codes_go_in_packets_that_others_can_put_together() -> None:
    talker = Talker(ADDRESS, NAME)
    talker.tell(STOP, [HOT])
    run(talker, 0.0, 0.5)
    talker.tell(STOP, [LOW, HOT])
    sent = run(talker, 0.5, 1.4)
    transport = Transport()
    wholes = []
    for time, frame in sent:
        identifier = Identifier.parse(frame.number)
        assert (identifier.priority, identifier.source) == (7, ADDRESS)
        assert identifier.group in (CONNECTION, DATA)
        wholes.append(transport.take(identifier.group, ADDRESS, 255, frame.data, time))
    # The steps of this test are 10 ms.
    assert [time for time, _ in sent] == pytest.approx([0.5, 0.55, 0.6], abs=0.0101)
    assert [whole.data for whole in wholes if whole] == [encode_dm1(STOP, [HOT, LOW])]


def heard(group: int, data: bytes, source: int, to: int = 255) -> BusFrame:
    return BusFrame(0.0, Identifier(6, group, to, source).number, True, data)


def test_a_unit_with_a_lower_name_keeps_the_address_and_this_one_falls_silent() -> None:
    talker = Talker(ADDRESS, NAME)
    talker.tell(STOP, [HOT])
    run(talker, 0.0, 0.1)
    talker.hear(heard(60928, (NAME - 1).to_bytes(8, "little"), ADDRESS))
    sent = run(talker, 0.1, 5.0)
    assert [frame.number for _, frame in sent] == [Identifier(6, 60928, 255, 254).number]
    assert "belongs to another unit" in talker.problem


def test_a_unit_with_a_higher_name_is_told_whose_address_it_is() -> None:
    talker = Talker(ADDRESS, NAME)
    talker.tell(STOP, [HOT])
    run(talker, 0.0, 0.1)
    talker.hear(heard(60928, (NAME + 1).to_bytes(8, "little"), ADDRESS))
    assert [frame.number for _, frame in run(talker, 0.1, 0.2)] == [CLAIM]
    assert talker.problem == ""


@pytest.mark.parametrize("told", [[HOT], []])
def test_a_request_for_its_trouble_codes_is_answered_at_once(told: list[TroubleCode]) -> None:
    talker = Talker(ADDRESS, NAME)
    talker.tell(STOP, [HOT])
    run(talker, 0.0, 0.5)
    talker.tell(STOP if told else Lamps(), told)
    run(talker, 0.5, 9.45)
    talker.hear(heard(59904, bytes.fromhex("CA FE 00"), 0, ADDRESS))
    assert [frame for _, frame in run(talker, 9.45, 9.6)] == [
        Outgoing(DM1, encode_dm1(STOP if told else Lamps(), told))
    ]


@pytest.mark.parametrize("to", [255, ADDRESS])
def test_a_request_for_its_claim_is_answered(to: int) -> None:
    talker = Talker(ADDRESS, NAME)
    talker.tell(STOP, [HOT])
    run(talker, 0.0, 0.5)
    talker.hear(heard(59904, bytes.fromhex("00 EE 00"), 0, to))
    talker.hear(heard(59904, bytes.fromhex("EB FE 00"), 0, to))
    assert [frame.number for _, frame in run(talker, 0.5, 0.6)] == [CLAIM]
