"""Benchmarks: each against a baseline measured in the same run, in alternating rounds.

Usage: python ci/speed.py [--rounds N] [ROW...]      exit 1 when a requirement is not held
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import pty
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import tty
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import serial
from programs import copy_packages, run  # type: ignore[import-not-found] # beside this file

from hil.bench.files import load_bench
from hil.bench.simulated.bench import SimulatedBench
from hil.scripts.kept import KeptScripts
from hil.serve import serve
from simulator.at.grammar import parse
from simulator.codec.addresses import Address
from simulator.codec.user_data import UserData
from simulator.edges.port_edges import MemoryEdges
from simulator.kernel.timeline import Timeline, ns
from simulator.model import Model
from simulator.network.states import Registered

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.bench.interface import Port

TOP = Path(__file__).parent.parent
STATION = TOP / "suites" / "benches" / "gauge-station.toml"
OK = b"\r\nOK\r\n"


@dataclass(frozen=True, kw_only=True)
class Row:
    """One requirement: what, the measured value and its baseline, how they compare, and what is demanded."""

    what: str
    measured: str
    baseline: str
    figure: float
    demand: str
    holds: bool


def alternating(rounds: int, *measures: Callable[[], float]) -> list[list[float]]:
    """Each measure's value in each round, taken in turn; a first round is not counted."""
    results: list[list[float]] = [[] for _ in measures]
    for number in range(rounds + 1):
        for values, measure in zip(results, measures, strict=True):
            value = measure()
            if number:
                values.append(value)
    return results


def ratio(ours: list[float], baseline: list[float]) -> float:
    """The median of the round-by-round ratios: it holds when the machine's speed drifts."""
    return statistics.median(one / other for one, other in zip(ours, baseline, strict=True))


# -- AT round trips through a pty at real pace ---------------------------------


def _respond(path_pipe: multiprocessing.connection.Connection) -> None:
    """The trivial responder: every line is answered with OK."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    path_pipe.send(os.ttyname(slave))
    while data := os.read(master, 4096):
        os.write(master, OK * data.count(b"\r"))


def _serve(folder: str) -> None:
    sys.stdout = Path(os.devnull).open("w")  # noqa: SIM115 # for as long as the process lives
    serve(load_bench(STATION, {"start": {"module": "ready"}}), Path(folder), factor=1.0, for_s=None)


def _round_trips(port: serial.Serial, count: int) -> float:
    """Round trips per second."""
    began = time.perf_counter()
    for _ in range(count):
        port.write(b"AT\r")
        if port.read(len(OK)) != OK:
            raise SystemExit("speed: an AT was not answered with OK")
    return count / (time.perf_counter() - began)


def real_round_trips(rounds: int) -> Row:
    """Row 1."""
    ours, theirs = multiprocessing.Pipe()
    responder = multiprocessing.Process(target=_respond, args=(theirs,), daemon=True)
    responder.start()
    trivial_path = ours.recv()
    with tempfile.TemporaryDirectory() as folder:
        server = multiprocessing.Process(target=_serve, args=(folder,))
        server.start()
        while not Path(folder, "ready.json").exists():
            time.sleep(0.01)
        with (
            serial.Serial(trivial_path, 115200, timeout=5) as trivial,
            serial.Serial(str(Path(folder, "dev", "at")), 115200, timeout=5) as modem,
        ):
            modem.write(b"ATE0\r")
            modem.read_until(OK)
            # Many short rounds: the machine's speed drifts, the ratio of two neighbours does not.
            served, baseline = alternating(
                8 * rounds, lambda: _round_trips(modem, 400), lambda: _round_trips(trivial, 400)
            )
        server.terminate()
        server.join(10)
    responder.kill()
    responder.join(10)
    figure = ratio(served, baseline)
    return Row(
        what="AT round trips, pty, real pace, pyserial client",
        measured=f"{statistics.median(served):,.0f}/s",
        baseline=f"{statistics.median(baseline):,.0f}/s trivial responder",
        figure=figure,
        demand=">= 0.7 x",
        holds=figure >= 0.7,
    )


# -- AT commands at virtual pace -----------------------------------------------


def _virtual_commands(bench: SimulatedBench, count: int, *, trivial: bool) -> Callable[[], float]:
    port = bench.ports.open("at")
    if trivial:
        module_port = bench.model.module.ports["at"]
        module_port.on_receive = lambda data: module_port.send(OK * data.count(b"\r"))
    else:
        port.write(b"ATE0\r")
        port.discard_input()

    def measure() -> float:
        began = time.perf_counter()
        for _ in range(count):
            port.write(b"AT\r")
            if port.read(timeout_s=1) != OK:
                raise SystemExit("speed: an AT was not answered with OK")
        bench.model.recorder.take()
        return count / (time.perf_counter() - began)

    return measure


def virtual_commands(rounds: int) -> Row:
    """Row 2."""
    description = load_bench(STATION, {"start": {"module": "ready"}})
    full, empty = SimulatedBench(description), SimulatedBench(description)
    ours, baseline = alternating(
        rounds,
        _virtual_commands(full, 2000, trivial=False),
        _virtual_commands(empty, 2000, trivial=True),
    )
    full.close()
    empty.close()
    figure = ratio(ours, baseline)
    return Row(
        what="AT commands, pty, virtual pace, our port object",
        measured=f"{statistics.median(ours):,.0f}/s",
        baseline=f"{statistics.median(baseline):,.0f}/s do-nothing responder in the same loop",
        figure=figure,
        demand=">= 0.5 x",
        holds=figure >= 0.5,
    )


# -- a full store of messages ----------------------------------------------------


def _full_station() -> SimulatedBench:
    """A registered station whose 255 places are taken by messages of full length."""
    change = {"start": {"module": "ready"}, "card": {"pin": None, "messages": 255}}
    bench = SimulatedBench(load_bench(STATION, change), ports="pty")
    text = UserData.of("Gauge 7 of the Ashbeck reports 4.2 m. " * 4)
    for _ in range(255):
        bench.model.service_centre.forward(text, sender=Address.of("+447700900123"))
    bench.clock.wait(600)
    return bench


def _listing(port: Port, command: bytes) -> bytes:
    """The whole answer to *command*."""
    port.write(command)
    heard = b""
    while not heard.endswith(OK):
        heard += port.read(65536, timeout_s=10)
    return heard


def listing(rounds: int) -> Row:
    """A full store listed, beside the same octets sent from memory by a responder in the same loop."""
    bench = _full_station()
    port, module_port = bench.ports.open("at"), bench.model.module.ports["at"]
    _listing(port, b"ATE0+CMGF=0\r")
    answer = _listing(port, b"AT+CMGL=4\r")
    if answer.count(b"+CMGL: ") != 255:
        raise SystemExit("speed: 255 messages were not listed")
    ours = module_port.on_receive

    def measure(responder: Callable[[bytes], None] | None) -> Callable[[], float]:
        def measured() -> float:
            module_port.on_receive = responder
            began = time.perf_counter()
            for _ in range(20):
                if len(_listing(port, b"AT+CMGL=4\r")) != len(answer):
                    raise SystemExit("speed: the store was listed otherwise")
            bench.model.recorder.take()
            return 20 / (time.perf_counter() - began)

        return measured

    served, baseline = alternating(rounds, measure(ours), measure(lambda _: module_port.send(answer)))
    bench.close()
    figure = ratio(served, baseline)
    return Row(
        what=f"a store of 255 messages listed ({len(answer):,} bytes), pty, virtual pace",
        measured=f"{statistics.median(served):,.0f}/s",
        baseline=f"{statistics.median(baseline):,.0f}/s the same bytes from memory",
        figure=figure,
        demand=">= 0.5 x",
        holds=figure >= 0.5,
    )


# -- power-up to registered ------------------------------------------------------


def _power_cycle(bench: SimulatedBench) -> None:
    """Supply on, key pressed, AT answered, card unlocked, registered; then the supply is cut."""
    driver, model = bench.driver, bench.model
    timeline, registration = model.timeline, model.registration
    key, at = bench.header["power_key"], model.module.ports["at"]
    bench.supply.on()
    bench.clock.wait(0.1)
    key.set_active(True)
    bench.clock.wait(0.8)
    key.set_active(False)
    driver.wait(timeline.now_ns + ns(20), lambda: at.speaks_at)
    port = bench.ports.open("at")
    driver.wait(timeline.now_ns + ns(10), lambda: model.card.state.value == "PIN")
    port.write(b'AT+CPIN="1234"\r')
    if b"OK" not in port.read(timeout_s=5):
        raise SystemExit("speed: the PIN was not accepted")
    driver.wait(timeline.now_ns + ns(60), lambda: registration.state is Registered.HOME)
    if registration.state is not Registered.HOME:
        raise SystemExit("speed: not registered")
    port.close()
    bench.supply.off()
    bench.clock.wait(1.0)
    model.recorder.take()


def power_cycles(rounds: int) -> Row:
    """Row 3."""
    bench = SimulatedBench(load_bench(STATION), ports="memory")
    bench.supply.off()
    bench.clock.wait(1.0)
    count = 200

    def measure() -> float:
        began = time.process_time()
        for _ in range(count):
            _power_cycle(bench)
        return count / (time.process_time() - began)

    [ours] = alternating(rounds, measure)
    bench.close()
    figure = statistics.median(ours)
    return Row(
        what="power-up to registered, virtual, memory ports",
        measured=f"{figure:,.0f} cycles/s of processor time",
        baseline="-",
        figure=figure,
        demand=">= 500/s",
        holds=figure >= 500,
    )


# -- the event queue ---------------------------------------------------------------


def _queue_cost(size: int) -> float:
    """Seconds per event with *size* events waiting."""
    timeline = Timeline()
    for number in range(size):
        timeline.call_at(10**15 + number, lambda: None)
    count = 50_000
    began = time.process_time()
    for _ in range(count):
        timeline.call_in(1, lambda: None)
        timeline.run_next_instant()
    return (time.process_time() - began) / count


def queue(rounds: int) -> Row:
    """The cost per event as the queue grows a hundredfold."""
    large, small = alternating(rounds, lambda: _queue_cost(100_000), lambda: _queue_cost(1_000))
    figure = ratio(large, small)
    return Row(
        what="cost per event, 100,000 events waiting",
        measured=f"{statistics.median(large) * 1e6:.2f} us",
        baseline=f"{statistics.median(small) * 1e6:.2f} us with 1,000 waiting",
        figure=figure,
        demand="<= 1.5 x",
        holds=figure <= 1.5,
    )


# -- parsing and dispatch -------------------------------------------------------------------

# Commands of the maker's own beside the others, and lines of one measurement, none like another.
_OWN_COMMANDS = (10, 100, 1_000, 10_000)
_LINES = 4_000


def _command_cost(own: int) -> Callable[[], float]:
    """A measure: seconds per line of three commands, one of them the maker's own among *own* such."""
    described = {"forms": ["action"], "summary": "does nothing"}
    names = [f"C{number:05d}" for number in range(own)]
    extensions = {"prefix": "*", "commands": dict.fromkeys(names, described)}
    change = {"start": {"module": "ready"}, "module": {"unit": {"extensions": extensions}}}
    model = Model(load_bench(STATION, change).settings)
    model.start()
    edge = MemoryEdges(model).by_role["at"]
    model.module.ports["at"].client_opened()
    receive = model.at.channels["at"].receive
    receive(b"ATE0\r")
    edge.take(1_000_000)
    lines = [
        f"ATS7={1 + number % 250}S10={1 + number // 250}*{names[number * 7919 % own]}\r".encode()
        for number in range(_LINES)
    ]

    def measure() -> float:
        parse.cache_clear()
        began = time.process_time()
        for line in lines:
            receive(line)
        took_s = time.process_time() - began
        if edge.take(10_000_000) != OK * _LINES:
            raise SystemExit("speed: a line was not answered with OK")
        model.recorder.take()
        return took_s / _LINES

    return measure


def dispatch(rounds: int) -> Row:
    """The cost of a line as the number of commands grows a thousandfold."""
    costs = alternating(rounds, *map(_command_cost, _OWN_COMMANDS))
    figure = ratio(costs[-1], costs[0])
    curve = ", ".join(f"{statistics.median(cost) * 1e6:.1f}" for cost in costs)
    return Row(
        what=f"cost of a line among {', '.join(map(str, _OWN_COMMANDS))} commands",
        measured=f"{curve} us",
        baseline="the first of these",
        figure=figure,
        demand="<= 1.5 x",
        holds=figure <= 1.5,
    )


# -- scripts under virtual time ----------------------------------------------------------

_SCRIPTS = ("shell", "python", "pyserial", "chat", "expect", "pexpect", "sleeps", "processes")
_FIRST_S, _FURTHER_S = 0.3, 0.03
_WARM_UP = 8


def scripts(rounds: int) -> Row:
    """Row 4: each script's wall time beside what its own processes have used in that run.

    Runs follow upon each other, while the next one's place is made ready.  What is kept is made before: the
    second of the two processes that take turns is started with the third run, which slows some runs once.
    """
    worst, shown = 0.0, []
    with tempfile.TemporaryDirectory() as folder, KeptScripts() as kept:
        packages = copy_packages(Path(folder) / "packages")
        for _ in range(_WARM_UP):
            run(kept, "chat", packages)
        for name in _SCRIPTS:
            ratios = []
            for number in range(1 + max(1, rounds)):
                began_s = time.perf_counter()
                result = run(kept, name, packages)
                wall_s = time.perf_counter() - began_s
                allowed_s = 1.5 * result.tree_s + (_FURTHER_S if number else _FIRST_S)
                ratios.append((wall_s / allowed_s, wall_s, result.tree_s))
            first, *further = ratios
            figure, wall_s, tree_s = (statistics.median(column) for column in zip(*further, strict=True))
            worst = max(worst, figure, first[0])
            shown.append(f"{name} {first[1]:.2f}, {wall_s:.3f}/{tree_s:.3f} ({figure:.2f})")
    return Row(
        what="scripts under virtual time, first run in s, then wall s / own s of further ones (figure)",
        measured=", ".join(shown),
        baseline="1.5 x the script's own processor time + 0.3 s, then + 0.03 s",
        figure=worst,
        demand="<= 1 x",
        holds=worst <= 1,
    )


# -- help ------------------------------------------------------------------------------


def help_text(rounds: int) -> Row:
    """Row 7."""
    program = shutil.which("wakebench") or str(Path(sys.executable).with_name("wakebench"))

    def started(*command: str) -> float:
        began = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        return time.perf_counter() - began

    ours, baseline = alternating(
        rounds, lambda: started(program, "--help"), lambda: started(sys.executable, "-c", "pass")
    )
    figure = statistics.median(ours)
    return Row(
        what="wakebench --help",
        measured=f"{figure:.3f} s",
        baseline=f"{statistics.median(baseline):.3f} s for an empty Python program",
        figure=figure,
        demand="<= 0.3 s",
        holds=figure <= 0.3,
    )


ROWS: dict[str, Callable[[int], Row]] = {
    "real": real_round_trips,
    "virtual": virtual_commands,
    "listing": listing,
    "cycles": power_cycles,
    "queue": queue,
    "dispatch": dispatch,
    "scripts": scripts,
    "help": help_text,
}


def main() -> int:
    """Measure the rows that were asked for (all), print them, and say whether they hold."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("rows", nargs="*", metavar="ROW", help=", ".join(ROWS))
    arguments = parser.parse_args()
    unknown = set(arguments.rows) - set(ROWS)
    if unknown:
        parser.error(f"unknown rows {', '.join(sorted(unknown))}; known are {', '.join(ROWS)}")
    all_hold = True
    for name in arguments.rows or ROWS:
        row = ROWS[name](arguments.rounds)
        verdict = "held" if row.holds else "NOT HELD"
        figures = f"{row.measured:>28}  {row.figure:8.2f}  {row.demand:<9} {verdict:<9} {row.baseline}"
        print(f"{row.what:<54} {figures}")
        all_hold = all_hold and row.holds
    return 0 if all_hold else 1


if __name__ == "__main__":
    sys.exit(main())
