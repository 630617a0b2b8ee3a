"""Which port hears what the module says by itself, and what its control lines tell."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from simulator.edges.port_edges import MemoryEdges
from simulator.kernel.timeline import ns
from simulator.module.framing import LineSettings

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.model import Model

    Build = Callable[..., Model]


def heard_on(model: Model, edges: MemoryEdges, seconds: float = 1.0) -> set[str]:
    model.timeline.run_until(model.timeline.now_ns + ns(seconds))
    return {role for role, edge in edges.by_role.items() if b"+X: 1" in edge.take(10_000)}


@pytest.mark.parametrize(
    ("roles", "expected"),
    [(["at", "data", "uart"], {"at", "data", "uart"}), (["uart"], {"uart"}), (["at"], {"at"})],
)
def test_unsolicited_lines_go_to_the_ports_that_the_profile_names(
    build: Build, roles: list[str], expected: set[str]
) -> None:
    model = build(start={"module": "ready"}, module={"unit": {"at": {"unsolicited_on": roles}}})
    edges = MemoryEdges(model)
    for port in model.module.ports.values():
        port.client_opened()
        port.settings(LineSettings(115200))
    model.at.unsolicited("+X: 1")

    assert heard_on(model, edges) == expected


def test_a_line_is_sent_only_where_the_session_asked_for_it(build: Build) -> None:
    model = build(start={"module": "ready"})
    edges = MemoryEdges(model)
    for port in model.module.ports.values():
        port.client_opened()
    model.module.ports["at"].receive(b"AT+CMEE=2\r")
    model.at.unsolicited("+X: 1", lambda session: session.error_level == 2)

    assert heard_on(model, edges) == {"at"}


def test_ri_is_asserted_for_a_while_with_each_line_and_dcd_follows_and_c(build: Build) -> None:
    model = build(start={"module": "ready"})
    at = model.module.ports["at"]
    at.client_opened()
    model.timeline.run_until(ns(1))
    rings = [at.control_lines.ri]
    model.at.unsolicited("+X: 1")
    rings.append(at.control_lines.ri)
    model.timeline.run_until(model.timeline.now_ns + ns(0.12))
    rings.append(at.control_lines.ri)
    carriers = [at.control_lines.dcd]
    at.receive(b"AT&C0\r")
    carriers.append(at.control_lines.dcd)

    assert rings == [False, True, False]
    assert carriers == [False, True]


def test_a_module_that_does_not_speak_asserts_nothing(build: Build) -> None:
    assert not any(build().module.ports["uart"].control_lines)
