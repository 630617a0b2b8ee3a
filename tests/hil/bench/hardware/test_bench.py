"""The bench interface on hardware drivers: recorded, guarded on every path, clear about whose fault it is."""

from __future__ import annotations

import re
from types import ModuleType

import pytest

from hil.bench.hardware.bench import HardwareBench
from hil.errors import (
    BenchUndecidedError,
    BenchUnfitError,
    GuardRefusedError,
    NoReplyError,
    PartMissingError,
    PortGoneError,
)
from hil.measure import Measure
from hil.modem import Modem
from hil.verbatim import Verbatim

from .conftest import TABLES, Open

pytestmark = [pytest.mark.slow]


def reached(drivers: ModuleType) -> bytes:
    """What the module behind the drivers has got on its AT port."""
    with drivers.lock:
        return drivers.model().recording.text("port/at", "to_module")  # type: ignore[no-any-return] # bytes


def guards(bench: HardwareBench, what: str) -> list[str]:
    return [event.lane for event in bench.recording if event.lane.startswith("guard/") and event.what == what]


def test_commands_are_answered_and_recorded_both_ways(open_bench: Open) -> None:
    bench = open_bench()
    reply = Modem(bench).command("AT+CGMR")

    assert reply.lines == ("TL4-1.4.2",)
    assert bench.recording.text("port/at", "to_module") == b"AT+CGMR\r"
    assert b"TL4-1.4.2" in bench.recording.text("port/at", "from_module")
    times = [event.t_ns for event in bench.recording]
    assert times == sorted(times)


def test_the_head_tells_wall_time_and_uncertainty(open_bench: Open) -> None:
    head = open_bench().recording.head

    assert (head["kind"], head["pace"]) == ("hardware", "real")
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}[+-]\d\d:\d\d", head["wall_start"])
    assert head["uncertainty_ns"] > 0


def test_its_parts_are_those_that_have_drivers(open_bench: Open) -> None:
    parts = open_bench().parts

    assert parts == {
        "header:power_key",
        "header:radio_disable",
        "port:at",
        "port:uart",
        "supply",
        "meter",
        "card",
        "own-number",
    } | ({"flow-control"} if "flow-control" in parts else set())


def test_no_path_leads_round_the_guards(open_bench: Open, drivers: ModuleType) -> None:
    bench = open_bench()
    modem = Modem(bench)
    with pytest.raises(GuardRefusedError, match="guard emergency refused a call to 112"):
        modem.command("ATD112;")
    modem.close()
    port = bench.ports.open("at")
    tricks = ([b"ATD112;\r"], [b"a", b"t", b"d1", b"12;\r"], [b"ATE0;", b"D112;\r"], [b"\xc1\xd4\xc4112;\r"])
    for *begin, end in tricks:
        for piece in begin:
            port.write(piece)
        with pytest.raises(GuardRefusedError):
            port.write(end)
    port.close()
    verbatim = Verbatim(bench, role="uart")
    with pytest.raises(GuardRefusedError):
        verbatim.ask(b"ATD+447700900999;\r")
    verbatim.close()

    assert not re.search(rb"[Dd]\D?1|112", reached(drivers))
    assert modem.command("AT").is_ok
    assert len(guards(bench, "refused")) == 6


def test_a_wrong_pin_is_entered_only_while_two_tries_are_known_to_be_left(
    open_bench: Open, drivers: ModuleType
) -> None:
    bench = open_bench()
    modem = Modem(bench)
    modem.unlock_card()
    tries = modem.command("AT+CPINR").value("+CPINR")
    modem.close()
    bench.supply.off()
    bench.clock.wait(2.0)
    bench.supply.on()
    bench.clock.wait(0.5)
    modem.start()
    modem.wait_until("the card wants its PIN", lambda: modem._card_says() == "+CPIN: SIM PIN", timeout_s=5)
    for _ in range(2):
        modem.command('AT+CPIN="9999"', timeout_s=20, demand_ok=False)
    with pytest.raises(GuardRefusedError, match="guard card refused a PIN entry"):
        modem.command('AT+CPIN="9999"', timeout_s=20)

    assert tries.startswith("SIM PIN")
    assert reached(drivers).count(b"AT+CPIN=") == 3
    assert drivers.model().model.card.pin_tries == 1


def test_messages_go_to_listed_numbers_only(open_bench: Open, drivers: ModuleType) -> None:
    bench = open_bench()
    verbatim = Verbatim(bench)
    verbatim.ask(b"AT+CMGF=1\r")
    with pytest.raises(GuardRefusedError, match=r"guard numbers refused a message to \+447700900999"):
        verbatim.ask(b'AT+CMGS="+447700900999"\r')
    prompt = verbatim.ask(b'AT+CMGS="+447700900123"\r')
    verbatim.send(b"\x1b")
    verbatim.close()

    assert b"900999" not in reached(drivers)
    assert prompt.endswith(b"> ") or b"ERROR" in prompt


def test_presses_count_and_end_with_the_day_s_budget(open_bench: Open, drivers: ModuleType) -> None:
    bench = open_bench({"limits": {**TABLES["limits"], "presses_a_day": 2}})
    key = bench.header["power_key"]
    for _ in range(2):
        key.set_active(True)
        key.set_active(False)
    with pytest.raises(GuardRefusedError, match=r"guard budget refused presses today: 2 of 2 are used"):
        key.set_active(True)
    with drivers.lock:
        presses = drivers.model().recording.pulses("header/16", True)

    assert len(presses) == 2
    assert [event.more["value"] for event in bench.recording.on("header/16", "level")] == [1, 0, 1, 0]


def test_nothing_starts_the_module_while_the_antenna_is_not_stated(open_bench: Open) -> None:
    bench = open_bench({"transmit": {}, "start": {"supply": "on"}})
    bench.supply.off()

    modem = Modem(bench)
    with pytest.raises(GuardRefusedError, match="guard antenna refused a press"):
        modem.press(1)
    with pytest.raises(GuardRefusedError, match="guard antenna refused turning the supply on"):
        bench.supply.on()


def test_the_supply_keeps_its_limits_and_its_cuts_are_counted(open_bench: Open) -> None:
    bench = open_bench({"limits": {**TABLES["limits"], "cuts_a_day": 1}})
    for volts in (5.6, -0.1):
        with pytest.raises(GuardRefusedError, match=r"guard supply refused .*allows 0 to 5\.5 V"):
            bench.supply.set_volts(volts)
    bench.supply.off()
    bench.supply.on()

    with pytest.raises(GuardRefusedError, match="guard budget refused cuts today: 1 of 1"):
        bench.supply.off()
    assert "guard/supply" in guards(bench, "allowed")


def test_the_rail_is_measured_as_far_as_the_meter_sees(open_bench: Open) -> None:
    bench = open_bench()
    bench.clock.wait(0.1)
    bench.supply.set_volts(4.2)
    bench.clock.wait(0.1)
    bench.supply.set_volts(5.0)

    assert bench.supply.rail_volts() == pytest.approx(3.9, abs=0.3)
    assert bench.supply.lowest_rail_volts(within_s=1.0) <= bench.supply.rail_volts()
    assert bench.recording.on("supply/meter", "set")[0].more == {"bandwidth_hz": 100.0}


def test_a_port_that_goes_with_the_supply_is_the_module_s(open_bench: Open) -> None:
    bench = open_bench()
    port = bench.ports.open("at")
    bench.supply.off()

    assert bench.ports.wait_gone("at", timeout_s=2)
    with pytest.raises(PortGoneError):
        port.read(timeout_s=1)


def test_an_adaptor_that_goes_is_the_bench_s(open_bench: Open, drivers: ModuleType) -> None:
    bench = open_bench()
    port = bench.ports.open("uart")
    drivers.broken.add("port uart")

    with pytest.raises(BenchUnfitError, match="port uart: .*plug its adaptor in again"):
        port.read(timeout_s=1)


def test_a_port_that_goes_while_the_module_still_draws_current_is_the_bench_s(
    open_bench: Open,
    drivers: ModuleType,
) -> None:
    bench = open_bench()
    port = bench.ports.open("at")
    drivers.broken.add("port at")

    with pytest.raises(BenchUnfitError, match="port at: .*still draws current; plug its cable in again"):
        port.read(timeout_s=1)


def test_without_supply_and_meter_nobody_can_tell(open_bench: Open, drivers: ModuleType) -> None:
    bench = open_bench({}, without=("supply", "meter"))
    port = bench.ports.open("at")
    drivers.broken.add("port at")

    with pytest.raises(BenchUndecidedError, match="no supply tells"):
        port.read(timeout_s=1)
    with pytest.raises(BenchUndecidedError, match="no supply and no meter"):
        bench.health.check()


@pytest.mark.parametrize("part", ["supply", "meter", "header pin 16"])
def test_a_silence_on_a_bench_with_a_broken_part_is_the_bench_s(
    open_bench: Open,
    drivers: ModuleType,
    part: str,
) -> None:
    bench = open_bench()
    modem = Modem(bench)
    modem.command("AT")
    with drivers.lock:
        drivers.model().model.at.channels["at"].close()
    with pytest.raises(NoReplyError):
        modem.command("AT", timeout_s=0.2)
    drivers.broken.add(part)

    with pytest.raises(BenchUnfitError, match=f"{part}: it does not answer; plug it in again"):
        modem.command("AT", timeout_s=0.2)


def test_a_part_that_the_bench_lacks_is_named(open_bench: Open) -> None:
    bench = open_bench({}, without=("supply", "meter"))

    for action in (bench.supply.on, bench.supply.rail_volts, bench.usb.status, bench.host.reboot):
        with pytest.raises(PartMissingError, match="this bench has no (supply|meter|usb|host)"):
            action()
    with pytest.raises(PartMissingError, match="header:22: pins with a driver are 16, 18"):
        _ = bench.header["22"]
    with pytest.raises(PartMissingError, match="surroundings:network"):
        bench.surroundings.move("network", present=False)


def test_a_duration_is_measured_and_lateness_is_known(open_bench: Open) -> None:
    bench = open_bench()
    began_s = bench.clock.now_s()
    bench.clock.wait(0.2)
    took_s = bench.clock.now_s() - began_s

    assert 0.2 <= took_s < 0.4
    assert 0 <= bench.clock.late_s(within_s=1) == pytest.approx(took_s - 0.2, abs=0.01)
    Measure(bench, "suite/x")("a number", 1.0, "V", low=0.5)


def test_where_a_pin_is_sensed_its_pulses_are_measured_and_not_assumed(open_bench: Open) -> None:
    sense = {"16": {"driver": "ashbeck", "pin": "16"}}
    bench = open_bench({"drivers": {**TABLES["drivers"], "sense": sense}})
    began_ns = bench.clock.now_ns()
    Modem(bench).press(0.1)
    ended_ns = bench.clock.now_ns()
    [pulse] = bench.recording.pulses("header/16", True)
    levels = bench.recording.on("header/16", "level")

    assert {event.more["by"] for event in levels} == {"sense"}
    assert [event.more["value"] for event in bench.recording.on("header/16", "drive")] == [1, 0]
    assert began_ns <= pulse.start_ns < pulse.start_ns + pulse.width_ns <= ended_ns
    assert pulse.width_ns >= 99_000_000


def test_an_attenuator_moves_the_level_and_nothing_else(open_bench: Open, drivers: ModuleType) -> None:
    bench = open_bench(
        {
            "drivers": {**TABLES["drivers"], "attenuator": {"driver": "ashbeck"}},
            "attenuator": {"rsrp_at_0_db": -60.0, "max_db": 100.0},
        }
    )

    def level() -> float:
        return float(drivers.model().recording.on("surroundings/network", "set")[-1].more["rsrp_dbm"])

    bench.surroundings.move("network", rsrp_dbm=-100.0)
    weak = level()
    bench.surroundings.move("network", present=False)
    away = level()
    bench.surroundings.move("network", present=True)

    assert "surroundings:network" in bench.parts
    assert (weak, away, level()) == (-100.0, -160.0, -100.0)
    with pytest.raises(PartMissingError, match="an attenuator moves present and rsrp_dbm only"):
        bench.surroundings.move("network", deny_cause=15)
