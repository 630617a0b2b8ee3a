"""Whatever is moved or asked: registration, level, card and +CPIN never contradict each other."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test

from hil.bench.files import load_bench
from hil.bench.shipped import find_bench
from simulator.edges.port_edges import MemoryEdges
from simulator.kernel.timeline import ns
from simulator.model import Model

NEIGHBOURS = {
    "guest": {"plmn": "00102", "rsrp_dbm": -105.0, "area": "0C01"},
    "old": {"technology": "2g", "rsrp_dbm": -85.0, "present": False},
}
CELLS = st.sampled_from(["first", "guest", "old"])
REGISTERED = (1, 5, 6, 7)


class Contradictions(RuleBasedStateMachine):
    """A client that reads everything back after each move."""

    @initialize()
    def begin(self) -> None:
        """A ready module, two networks and an older cell."""
        overrides: dict[str, Any] = {"start": {"module": "ready"}, "network": {"neighbours": NEIGHBOURS}}
        self.model = Model(load_bench(find_bench("gauge-station"), overrides).settings)
        self.model.start()
        self.edge = MemoryEdges(self.model).by_role["at"]
        self.bursts: list[bool] = []
        self.model.module.consumption.changed.listen(
            lambda demand: self.bursts.append(demand.label.startswith("transmit"))
        )
        self.open_port()

    def open_port(self) -> None:
        self.port = self.model.module.ports["at"]
        self.port.client_opened()
        self.ask("E0")
        self.ask("+CMEE=1")

    def pass_time(self, seconds: float) -> str:
        self.model.timeline.run_until(self.model.timeline.now_ns + ns(seconds))
        return self.edge.take(1_000_000).decode("latin-1")

    def ask(self, body: str, seconds: float = 0.001) -> list[str]:
        self.port.receive(f"AT{body}\r".encode())
        return [line for line in self.pass_time(seconds).split("\r\n") if line]

    def value(self, name: str, form: str = "?") -> str:
        lines = self.ask(f"{name}{form}")
        assert lines[-1] == "OK", (name, lines)
        return lines[0].partition(": ")[2]

    # -- moves ------------------------------------------------------------------

    @rule(cell=CELLS, present=st.booleans(), level=st.sampled_from([-70.0, -109.0, -125.0, -139.0, -150.0]))
    def cell_moves(self, cell: str, present: bool, level: float) -> None:
        """A cell comes, goes, or changes its level."""
        self.model.air.move(cell=cell, present=present, rsrp_dbm=level)

    @rule(cell=CELLS, cause=st.sampled_from([None, 3, 7, 11, 13, 14, 17, 22, 111]), answers=st.booleans())
    def manners_move(self, cell: str, cause: int | None, answers: bool) -> None:
        """A network refuses, or falls silent."""
        self.model.air.move(cell=cell, deny_cause=cause, answers=answers)

    @rule(cell=CELLS, how=st.sampled_from(["again", "wait"]), cause=st.sampled_from([None, 8, 11]))
    def network_detaches(self, cell: str, how: str, cause: int | None) -> None:
        """The network sends the module away."""
        self.model.air.move(cell=cell, detach=how, cause=cause)

    @rule(main=st.booleans(), diversity=st.booleans(), attenuation=st.sampled_from([0.0, 20.0, 45.0]))
    def antennas_move(self, main: bool, diversity: bool, attenuation: float) -> None:
        """Antennas are fitted or not."""
        self.model.air.move_antennas(main=main, diversity=diversity, attenuation_db=attenuation)

    @rule(present=st.booleans())
    def card_moves(self, present: bool) -> None:
        """The card is pulled, or put in."""
        self.model.card.move(present=present)

    # -- commands -----------------------------------------------------------------

    @rule()
    def pin_is_entered(self) -> None:
        """The card's PIN, where it is wanted."""
        if self.ask("+CPIN?")[0] == "+CPIN: SIM PIN":
            self.ask('+CPIN="1234"', 10)

    @rule(number=st.sampled_from([0, 1, 1, 4]))
    def functionality_is_set(self, number: int) -> None:
        """Radios on and off."""
        self.ask(f"+CFUN={number}", 3)

    @rule(choice=st.sampled_from(["0", "0", "2", '1,2,"00101"', '1,2,"00102"', '4,2,"00103"']))
    def operator_is_chosen(self, choice: str) -> None:
        """By itself, by hand, none."""
        self.ask(f"+COPS={choice}", 200)

    @rule()
    def module_restarts(self) -> None:
        """Everything that the module itself has kept is void."""
        self.model.module.power.restart("test")
        self.pass_time(30)
        self.open_port()

    @rule(seconds=st.sampled_from([0.5, 10.0, 60.0, 1000.0]))
    def time_passes(self, seconds: float) -> None:
        """Timers run."""
        self.pass_time(seconds)

    # -- what has to agree ------------------------------------------------------------

    @invariant()
    def everything_agrees(self) -> None:
        """What is read back is one story."""
        if not hasattr(self, "model"):
            return
        stats = [int(self.value(name).split(",")[1]) for name in ("+CREG", "+CGREG", "+CEREG")]
        is_registered = any(stat in REGISTERED for stat in stats)
        card = self.ask("+CPIN?")[0]
        operator = self.value("+COPS").split(",")
        level = int(self.value("+CSQ", "").split(",")[0])
        scales = [int(index) for index in self.value("+CESQ", "").split(",")]
        functionality = int(self.value("+CFUN"))

        assert (card == "+CPIN: READY") is (self.model.card.state.value == "ready")
        if card != "+CPIN: READY":
            assert stats == [0, 0, 0]
            assert self.ask("+CIMI")[-1] != "OK" or self.model.card.is_open
        assert (len(operator) > 1) is is_registered
        if operator[0] == "2":
            assert not is_registered
        if functionality != 1:
            assert stats == [0, 0, 0]
            assert level == 99
            assert not self.model.registration.connection.is_connected
            assert not self.model.module.consumption.demand.label.startswith("transmit")
        assert (level == 99) is (scales[0] == 99 and scales[5] == 255)
        if is_registered:
            assert level != 99
        self.ask("+CREG=2;+CEREG=2")
        for name, stat in (("+CREG", stats[0]), ("+CEREG", stats[2])):
            fields = self.value(name).split(",")
            assert (len(fields) == 5) is (stat in REGISTERED)
        self.ask("+CREG=0;+CEREG=0")


@pytest.mark.slow
def test_registration_level_and_card_never_contradict_each_other() -> None:
    run_state_machine_as_test(
        Contradictions,
        settings=settings(
            max_examples=60,
            stateful_step_count=25,
            deadline=None,
            derandomize=True,
            database=None,
            phases=(Phase.explicit, Phase.generate),
            suppress_health_check=list(HealthCheck),
        ),
    )
