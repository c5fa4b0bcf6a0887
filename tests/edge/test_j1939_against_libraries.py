"""The same frames given to this package and to open J1939 libraries; a test is left out without its library."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from types import ModuleType
from typing import Any

import can
import pytest

from axlewright_edge.clock import SystemClock
from axlewright_edge.sources.j1939 import Dm1Settings, J1939Settings, make_j1939
from axlewright_edge.sources.j1939.database import SignalDatabase
from axlewright_edge.sources.j1939.dm1 import Lamp, Lamps, TroubleCode, encode_dm1
from axlewright_edge.sources.j1939.identifier import Identifier
from axlewright_edge.sources.j1939.talker import broadcast
from axlewright_edge.sources.j1939.transport import Transport
from axlewright_edge.sources.j1939.validity import is_number
from axlewright_simulators.demo_fleet import demo_fleet

VEHICLE = demo_fleet().vehicle("hv-101")


def library(name: str, package: str) -> ModuleType:
    return pytest.importorskip(name, reason=f"{package} is not installed (make comparisons)", exc_type=ImportError)


@pytest.fixture
def can_j1939() -> ModuleType:
    return library("j1939", "can-j1939")


@pytest.fixture
def describe() -> ModuleType:
    return library("pretty_j1939.describe", "pretty_j1939")


@pytest.fixture
def chance() -> random.Random:
    return random.Random(1939)


def test_trouble_codes_agree_with_can_j1939(can_j1939: ModuleType, chance: random.Random) -> None:
    for _ in range(500):
        code = TroubleCode(chance.randrange(1 << 19), chance.randrange(32), chance.randrange(128))
        theirs = can_j1939.DTC(spn=code.spn, fmi=code.mode, oc=code.count)
        assert code.encode() == theirs.dtc.to_bytes(4, "little")
        back = can_j1939.DTC(dtc=int.from_bytes(code.encode(), "little"))
        assert (back.spn, back.fmi, back.oc) == (code.spn, code.mode, code.count)


@pytest.mark.parametrize("code", [TroubleCode(578, 15, 1), TroubleCode(78, 0, 1), TroubleCode(520192, 2, 1)])
def test_the_reference_codes_agree_with_can_j1939(can_j1939: ModuleType, code: TroubleCode) -> None:
    assert can_j1939.DTC(spn=code.spn, fmi=code.mode, oc=code.count).dtc.to_bytes(4, "little") == code.encode()


def test_lamps_agree_with_can_j1939(can_j1939: ModuleType) -> None:
    theirs = can_j1939.DtcLamp() if hasattr(can_j1939, "DtcLamp") else can_j1939.diagnostic_messages.DtcLamp()
    names = {Lamp.OFF: "OFF", Lamp.STEADY: "ON", Lamp.SLOW_FLASH: "ON_SLOW_FLASH", Lamp.FAST_FLASH: "ON_FAST_FLASH"}
    for red in names:
        for protect in names:
            status = {"rsl": getattr(theirs, names[red]), "pl": getattr(theirs, names[protect])}
            assert bytes(theirs.get_data(status)) == encode_dm1(Lamps(red_stop=red, protect=protect), [])[:2]


def test_identifiers_agree_with_both_libraries_but_for_the_known_slip_of_one(
    can_j1939: ModuleType, chance: random.Random
) -> None:
    parse = library("pretty_j1939.parse", "pretty_j1939").parse_j1939_id
    for _ in range(2000):
        number = chance.randrange(1 << 29)
        ours = Identifier.parse(number)
        assert parse(number) == (ours.group, ours.destination, ours.source)
        theirs = can_j1939.MessageId(can_id=number)
        assert (theirs.priority, theirs.source_address) == (ours.priority, ours.source)
        # It leaves the destination in the group of addressed messages.
        kept = theirs.parameter_group_number & 0x3FFFF
        assert kept == ours.group | (ours.destination if (ours.group >> 8 & 0xFF) < 240 else 0)


@pytest.mark.parametrize("bits", [2, 4, 8, 16, 32])
def test_codes_for_missing_and_error_agree_with_pretty_j1939(
    describe: ModuleType, chance: random.Random, bits: int
) -> None:
    top = (1 << bits) - 1
    raws = range(top + 1) if bits <= 16 else [top, top - 1, *(chance.randrange(top) for _ in range(5000))]
    for raw in raws:
        no_number = any(
            test(raw, bits)
            for test in (
                describe.is_spn_na,
                describe.is_spn_error,
                describe.is_spn_specific,
                describe.is_spn_reserved,
            )
        )
        assert is_number(raw, bits) == (not no_number), (raw, bits)


def test_the_signals_that_pretty_j1939_knows_have_its_scale_and_offset(describe: ModuleType) -> None:
    import json
    from importlib.resources import files

    table = json.loads(files("pretty_j1939").joinpath("J1939db.json").read_text(encoding="utf-8"))["J1939SPNdb"]
    database = SignalDatabase()
    known = {
        signal.spn: (signal.scale, signal.offset, signal.bits)
        for signals in database._signals.values()
        for signal in signals.values()
    }
    common = sorted(known.keys() & {int(spn) for spn in table})
    assert common == [84, 190, 245, 513], "the library's own table has changed: look at what it adds"
    for spn in common:
        entry = table[str(spn)]
        assert known[spn] == (entry["Resolution"], entry["Offset"], entry["SPNLength"])


def test_broadcasts_are_put_together_as_by_pretty_j1939(describe: ModuleType, chance: random.Random) -> None:
    for _ in range(200):
        data = chance.randbytes(chance.randint(9, 400))
        theirs: list[tuple[bytes, int, int]] = []

        def found(whole: bytes, source: int, group: int, is_last_packet: bool, into: Any = theirs) -> None:
            into.append((whole, source, group))

        tracker, ours = describe.J1939TransportTracker(False), Transport()
        wholes = []
        for place, frame in enumerate(broadcast(65251, 3, data)):
            tracker.process(found, frame.data, frame.number)
            identifier = Identifier.parse(frame.number)
            wholes.append(ours.take(identifier.group, 3, identifier.destination, frame.data, 0.05 * place))
        assert theirs == [(data, 3, 65251)]
        assert [(whole.data, whole.source, whole.group) for whole in wholes if whole] == theirs


@pytest.fixture
def their_unit(can_j1939: ModuleType) -> Any:
    """Yield a control unit of can-j1939 on a bus of this process."""
    unit = can_j1939.ElectronicControlUnit()
    unit.connect(interface="virtual", channel="theirs")
    yield unit
    unit.stop()
    unit.disconnect()


def test_can_j1939_hears_our_trouble_codes(can_j1939: ModuleType, their_unit: Any) -> None:
    application = can_j1939.ControllerApplication(
        can_j1939.Name(identity_number=1, manufacturer_code=1), 0x21, bypass_address_claim=True
    )
    their_unit.add_ca(controller_application=application)
    told: list[tuple[int, dict[str, int], list[dict[str, int]]]] = []
    can_j1939.Dm1(application).subscribe(lambda source, lamps, codes, at: told.append((source, lamps, codes)))
    dm1 = Dm1Settings(enabled=True, source_address=200, name=77)
    settings = J1939Settings(interface="virtual", channel="theirs", listen_only=False, dm1=dm1)
    source = make_j1939(settings, VEHICLE, SystemClock())
    source.open()
    try:
        source.announce(Lamps(red_stop=Lamp.STEADY), [TroubleCode(78, 0, 1)])
        wait_until(lambda: any(len(codes) == 1 for _, _, codes in told))
        source.announce(Lamps(red_stop=Lamp.STEADY), [TroubleCode(77, 10, 1), TroubleCode(78, 0, 1)])
        wait_until(lambda: any(len(codes) == 2 for _, _, codes in told))
    finally:
        source.close()
    on, off = 1, 0
    assert told[0] == (200, {"pl": off, "awl": off, "rsl": on, "mil": off}, [{"spn": 78, "fmi": 0, "oc": 1}])
    assert told[-1][2] == [{"spn": 77, "fmi": 10, "oc": 1}, {"spn": 78, "fmi": 0, "oc": 1}]


@pytest.mark.parametrize("to", [255, 0x21])
def test_we_hear_what_can_j1939_sends_in_packets_to_all_and_to_another(
    can_j1939: ModuleType, their_unit: Any, to: int
) -> None:
    # Only some groups may be addressed to one unit; proprietary A is one.
    group, data = (0xFEE3, list(range(39))) if to == 255 else (0xEF00, list(range(100)))
    other = can_j1939.ElectronicControlUnit()
    other.connect(interface="virtual", channel="theirs")
    for number, (unit, address) in enumerate(((their_unit, 0), (other, 0x21)), 1):
        name = can_j1939.Name(identity_number=number, manufacturer_code=1)
        application = can_j1939.ControllerApplication(name, address, bypass_address_claim=True)
        unit.add_ca(controller_application=application)
        application.start()
        wait_until(lambda application=application: application.state == application.State.NORMAL)
    heard = []
    with can.Bus(interface="virtual", channel="theirs") as bus:
        their_unit.send_pgn(0, group >> 8, group & 0xFF if to == 255 else to, 6, 0, data)
        transport, deadline = Transport(), time.monotonic() + 20.0
        while not heard and time.monotonic() < deadline:
            message = bus.recv(0.5)
            if message is None:
                continue
            identifier = Identifier.parse(message.arbitration_id)
            whole = transport.take(
                identifier.group, identifier.source, identifier.destination, bytes(message.data), time.monotonic()
            )
            heard += [whole] if whole else []
    other.stop()
    other.disconnect()
    assert [(whole.group, whole.source, whole.destination, list(whole.data)) for whole in heard] == [
        (group, 0, to, data)
    ]


def wait_until(done: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 15.0
    while not done():
        assert time.monotonic() < deadline
        time.sleep(0.05)
