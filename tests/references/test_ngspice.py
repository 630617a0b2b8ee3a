"""The board's circuits against ngspice (Debian, version 39): the same netlist, the same parameters.

Operating points within 2 % or 5 mV, the rail under transmit bursts within 2 %.  ngspice runs as a
program of its own.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from simulator.board.circuit import (
    GROUND,
    Circuit,
    Diode,
    Drive,
    Element,
    Load,
    NmosTransistor,
    NpnTransistor,
    Resistor,
)
from simulator.board.course import Course, Demand
from simulator.board.rail import Feed, Rail

pytestmark = pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")


def run(netlist: str, folder: Path) -> str:
    path = folder / "circuit.cir"
    path.write_text(netlist)
    result = subprocess.run(
        [shutil.which("ngspice") or "ngspice", "-b", str(path)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        cwd=folder,
    )
    return result.stdout + result.stderr


def spice_lines(circuit: Circuit) -> Iterator[str]:
    yield "* one circuit"
    yield ".options reltol=1e-6 gmin=1e-12"
    for number, (net, volts) in enumerate(circuit.held.items()):
        yield f"VH{number} {net} 0 {volts}"
    for number, element in enumerate(circuit.elements):
        yield from spice_element(number, element)


def spice_element(number: int, element: Element) -> Iterator[str]:
    match element:
        case Resistor():
            yield f"R{number} {element.one} {element.other} {element.ohm}"
        case Drive():
            yield f"VD{number} d{number} 0 {element.volts}"
            yield f"RD{number} d{number} {element.net} {element.ohm}"
        case Load():
            yield f"I{number} {element.net} 0 {element.amps}"
        case Diode():
            yield f"D{number} {element.anode} {element.cathode} MD{number}"
            yield f".model MD{number} D(IS={element.saturation_a} N={element.emission})"
        case NpnTransistor():
            yield f"Q{number} {element.collector} {element.base} {element.emitter} MQ{number}"
            gains = f"BF={element.forward_gain} BR={element.reverse_gain}"
            yield f".model MQ{number} NPN(IS={element.saturation_a} {gains})"
        case NmosTransistor():
            nodes = f"{element.drain} {element.gate} {element.source} {element.source}"
            yield f"M{number} {nodes} MM{number} W=1u L=1u"
            level = f"LEVEL=1 VTO={element.threshold_v} KP={element.transconductance}"
            yield f".model MM{number} NMOS({level} IS={element.saturation_a} GAMMA=0 LAMBDA=0)"


IO = {"io": 1.8, "host": 3.3}
STAGE: list[Element] = [
    Resistor("pin", "b", 4700),
    Resistor("b", GROUND, 47e3),
    NpnTransistor("key", "b", GROUND),
    Resistor("key", "io", 100e3),
]
NMOS_STAGE: list[Element] = [
    Resistor("pin", "g", 1e3),
    Resistor("g", GROUND, 100e3),
    NmosTransistor("key", "g", GROUND),
    Resistor("key", "io", 10e3),
]
PASS: list[Element] = [
    Resistor("low", "io", 10e3),
    Resistor("high", "host", 10e3),
    NmosTransistor("high", "io", "low", 0.9),
]

CIRCUITS: dict[str, Circuit] = {
    "stage, pin high": Circuit([*STAGE, Drive("pin", 3.3, 50)], IO),
    "stage, pin low": Circuit([*STAGE, Drive("pin", 0.0, 50)], IO),
    "stage, pin pulled up by the host": Circuit([*STAGE, Drive("pin", 3.3, 50e3)], IO),
    "stage, pin let go": Circuit(STAGE, IO),
    "stage on the 5 V rail": Circuit([*STAGE, Drive("pin", 5.0, 0.1)], IO),
    "stage half on": Circuit([*STAGE, Drive("pin", 0.72, 50)], IO),
    "stage with a heavy pull": Circuit([*STAGE, Drive("pin", 3.3, 50), Resistor("key", "io", 220)], IO),
    "field-effect stage, pin high": Circuit([*NMOS_STAGE, Drive("pin", 3.3, 50)], IO),
    "field-effect stage at its threshold": Circuit([*NMOS_STAGE, Drive("pin", 1.06, 50)], IO),
    "field-effect stage, pin low": Circuit([*NMOS_STAGE, Drive("pin", 0.0, 50)], IO),
    "two stages in a row": Circuit(
        [
            *STAGE,
            Drive("pin", 3.3, 50),
            Resistor("key", "b2", 10e3),
            NpnTransistor("out", "b2", GROUND),
            Resistor("out", "io", 47e3),
        ],
        IO,
    ),
    "pass shifter, low side driven low": Circuit([*PASS, Drive("low", 0.0, 50)], IO),
    "pass shifter, high side driven low": Circuit([*PASS, Drive("high", 0.0, 50)], IO),
    "pass shifter, at rest": Circuit(PASS, IO),
    "3.3 V into a 1.8 V pin with its diode": Circuit([Drive("pin", 3.3, 50), Diode("pin", "io")], IO),
    "back-feed into an unpowered supply": Circuit(
        [Drive("pin", 3.3, 50), Diode("pin", "rail"), Resistor("rail", GROUND, 10e3)]
    ),
    "back-feed through a pull": Circuit(
        [Resistor("host", "pin", 10e3), Diode("pin", "rail"), Resistor("rail", GROUND, 10e3)], IO
    ),
    "silicon diode in line": Circuit(
        [Drive("pin", 3.3, 50), Diode("pin", "out", 2.5e-9, 1.75), Resistor("out", GROUND, 3300)]
    ),
    "divider with the module's own pull": Circuit(
        [
            Drive("pin", 3.3, 50),
            Resistor("pin", "key", 10e3),
            Resistor("key", GROUND, 12e3),
            Resistor("key", GROUND, 100e3),
            Diode("key", "io"),
        ],
        IO,
    ),
    "load behind a cable": Circuit([Drive("in", 5.0, 0.1), Resistor("in", "out", 0.05), Load("out", 2.0)]),
}


@pytest.mark.parametrize("name", CIRCUITS)
def test_operating_points_are_those_of_ngspice(name: str, tmp_path: Path) -> None:
    circuit = CIRCUITS[name]
    ours = circuit.solve()
    output = run("\n".join([*spice_lines(circuit), ".op", ".end", ""]), tmp_path)
    theirs = {
        match[1]: float(match[2])
        for match in re.finditer(r"^\s*([a-z]\w*)\s+(-?\d\.\d+e[+-]\d+)\s*$", output, re.MULTILINE)
    }
    nets = [net for net in ours.volts if net != GROUND]

    assert set(nets) <= set(theirs), output
    for net in nets:
        assert ours.volts[net] == pytest.approx(theirs[net], rel=0.02, abs=5e-3), net


GSM = Demand(label="2g", amps=0.045, burst_a=2.0, on_s=577e-6, every_s=4.615e-3)
LTE = Demand(label="lte", amps=0.045, burst_a=0.9, on_s=1e-3, every_s=2.8e-3)


@pytest.mark.parametrize(
    ("volts", "ohm", "esr_ohm", "farad", "demand"),
    [
        (3.9, 0.03, 0.05, 2200e-6, GSM),
        (3.9, 0.8, 0.05, 2200e-6, GSM),
        (3.9, 0.8, 1.0, 2200e-6, GSM),
        (3.9, 0.8, 0.05, 2200e-6, LTE),
        (3.8, 0.3, 0.2, 470e-6, LTE),
    ],
)
def test_the_rail_under_bursts_is_that_of_ngspice(  # noqa: PLR0917 # parameters of pytest
    volts: float, ohm: float, esr_ohm: float, farad: float, demand: Demand, tmp_path: Path
) -> None:
    cycles = 12
    rail = Rail(farad=farad, esr_ohm=esr_ohm)
    feed = Feed(volts=volts, ohm=ohm, limit_a=10.0)
    start_v = volts - ohm * demand.amps
    course = Course(rail, feed, demand, start_v)
    end_s = cycles * demand.every_s
    edge_s = 1e-7
    output = run(
        f"""* bursts on a rail
VS s 0 {volts}
RS s rail {ohm}
RC rail c {esr_ohm}
CB c 0 {farad} IC={start_v}
II rail 0 {demand.amps}
IB rail 0 PULSE(0 {demand.burst_a} 0 {edge_s} {edge_s} {demand.on_s - edge_s} {demand.every_s})
.tran 5u {end_s} 0 5u UIC
.print tran v(rail)
.end
""",
        tmp_path,
    )
    theirs = [
        (float(match[1]), float(match[2]))
        for match in re.finditer(r"^\d+\s+(\d\.\d+e[+-]\d+)\s+(-?\d\.\d+e[+-]\d+)", output, re.MULTILINE)
    ]
    away_from_edges = [
        (at_s, level)
        for at_s, level in theirs
        if all(
            abs((at_s - edge + demand.every_s / 2) % demand.every_s - demand.every_s / 2) > 5 * edge_s
            for edge in (0.0, demand.on_s)
        )
    ]

    assert len(away_from_edges) > 1000, output[:2000]
    for at_s, level in away_from_edges:
        assert course.volts(at_s) == pytest.approx(level, rel=0.02)
    lowest = min(level for _, level in theirs)
    assert course.lowest(0.0, end_s) == pytest.approx(lowest, rel=0.02)


def test_the_burst_of_the_shipped_profile_is_that_of_the_standard() -> None:
    # 3GPP TS 45.002 4.3.1 and 45.010 5.1: a slot is 7500/13 us, a frame of eight 60/13 ms.
    from hil.bench.files import load_bench
    from hil.bench.shipped import find_bench

    burst = load_bench(find_bench("gauge-station")).profile.currents.gsm_transmit

    assert burst.on_s == pytest.approx(7500e-6 / 13, rel=1e-3)
    assert burst.every_s == pytest.approx(60e-3 / 13, rel=1e-3)
