"""What must hold between a bench file's tables, its wiring and its profile, or BadFileError."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.errors import BadFileError
from simulator.board.feed import supply_path
from simulator.network.settings import FIRST

if TYPE_CHECKING:
    from collections.abc import Mapping

    from simulator.board.wiring import Wiring
    from simulator.module.profile import Profile

    from .sections import BenchFile


def check_circuit(wiring: Wiring, positions: Mapping[str, str], bench: str) -> None:
    """What only shows once jumpers and switches are set: rails joined, a supply with two of a kind."""
    try:
        wiring.joined(positions)
        supply_path(wiring, positions)
    except ValueError as error:
        place, _, found = str(error).partition(": ")
        raise BadFileError(
            file=bench, key=f"board: {place}", found=found, allowed="one source for each net"
        ) from error


def positions_of(file: BenchFile, wiring: Wiring, bench: str) -> dict[str, str]:
    allowed = wiring.position_names()
    positions: dict[str, str] = {}
    for table, settings in (("jumpers", file.board.jumpers), ("switches", file.board.switches)):
        for name, position in settings.items():
            if name not in allowed:
                raise BadFileError(
                    file=bench,
                    key=f"board.{table}.{name}",
                    found=f"no such part in {wiring.name}",
                    allowed=", ".join(allowed) or "nothing",
                )
            if position not in allowed[name]:
                raise BadFileError(
                    file=bench,
                    key=f"board.{table}.{name}",
                    found=repr(position),
                    allowed=", ".join(allowed[name]),
                )
            positions[name] = position
    return positions


def check_ports(file: BenchFile, profile: Profile, bench: str) -> None:
    """Every port of the module has a name on the host, rising in the order of its composition."""
    nodes = file.host.usb_ports
    if set(nodes) != set(profile.usb.ports):
        raise BadFileError(
            file=bench,
            key="host.usb_ports",
            found=", ".join(nodes) or "nothing",
            allowed=f"exactly the ports of {profile.name}: {', '.join(profile.usb.ports)}",
        )
    numbers = [int(nodes[role].removeprefix("ttyUSB")) for role in profile.usb.ports]
    if numbers != sorted(set(numbers)):
        raise BadFileError(
            file=bench,
            key="host.usb_ports",
            found=", ".join(f"{role} = {nodes[role]}" for role in profile.usb.ports),
            allowed="numbers that rise in the module's order of ports, as the host gives them",
        )


def check_schedule(file: BenchFile, bench: str) -> None:
    """What a scheduled move names is on this bench."""
    cells = file.network.cells
    for place, move in enumerate(file.schedule):
        cell = move.set.get("cell", FIRST)
        if move.part == "network" and cell not in cells:
            raise BadFileError(
                file=bench, key=f"schedule.{place}.set.cell", found=repr(cell), allowed=", ".join(cells)
            )
        missing = (move.part == "card" and file.card is None) or (
            move.part == "uart" and file.host.uart is None
        )
        if missing:
            raise BadFileError(
                file=bench,
                key=f"schedule.{place}.part",
                found=repr(move.part),
                allowed="a part that this bench has",
            )
