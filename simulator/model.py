"""A whole simulated bench without its outside: host, carrier, module, card, network, supply.

Settings in, one model out; stimuli come through its parts, bytes through its ports.  It knows no pty,
no file and no wall clock: edges attach to its ports and advance its timeline.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Final, Literal

from pydantic import Field

from simulator.at.engine import AtEngine
from simulator.board.board import Board, ModuleInput
from simulator.board.host import HostSettings
from simulator.board.supply import Supply, SupplySettings
from simulator.board.wiring import Wiring
from simulator.card.card import Card, CardSettings
from simulator.kernel.randomness import Randomness
from simulator.kernel.recorder import Recorder
from simulator.kernel.section import Section
from simulator.kernel.timeline import Timeline
from simulator.module.module import Module
from simulator.module.power import Power
from simulator.module.profile import Profile
from simulator.module.spread import Draws
from simulator.network.cell import Cell, NetworkSettings
from simulator.network.registration import Registration

if TYPE_CHECKING:
    from simulator.module.profile import InputPin

# The default instant at which a run begins: never the clock of the machine it runs on.
START_TIME: Final = datetime(2026, 1, 15, 6, 0, tzinfo=UTC)


class StartSettings(Section):
    """The state in which a bench starts.

    *ready* means: ports up, AT answers, the card waits for its PIN if it has one, not yet registered.
    *dead* never answers.  *off* with the supply on holds auto-start back until the supply is cut.
    """

    supply: Literal["on", "off"] = "on"
    module: Literal["off", "booting", "ready", "stopping", "dead"] = "off"


class ModelSettings(Section):
    """Everything a model is built from."""

    profile: Profile
    wiring: Wiring
    positions: dict[str, str] = Field(default_factory=dict)
    host: HostSettings
    supply: SupplySettings = SupplySettings()
    card: CardSettings | None = None
    network: NetworkSettings = NetworkSettings()
    start: StartSettings = StartSettings()
    seed: Annotated[int, Field(ge=0)] = 1
    start_time: datetime = START_TIME


class Model:
    """One simulated bench.  `start` puts it into the state that the settings ask for."""

    def __init__(self, settings: ModelSettings) -> None:
        self.settings = settings
        self.timeline = Timeline()
        self.recorder = Recorder(self.timeline)
        self.randomness = Randomness(settings.seed)
        profile, host = settings.profile, settings.host
        self.board = build_board(settings, profile, recorder=self.recorder)
        is_dead = settings.start.module == "dead"
        self.module = Module(
            profile=profile,
            timeline=self.timeline,
            recorder=self.recorder,
            draws=Draws(self.randomness),
            usb_nodes={role: node for role, node in host.usb_ports.items()},  # noqa: C416 # widens the key's type
            uart_node=host.uart,
            initial=Power.DEAD if is_dead else Power.NO_SUPPLY,
        )
        self.card = Card(settings=settings.card, module=self.module)
        self.cell = Cell(settings.network, recorder=self.recorder)
        self.registration = Registration(
            module=self.module, card=self.card, cell=self.cell, start_time=settings.start_time
        )
        self.at = AtEngine(module=self.module, card=self.card, registration=self.registration)
        self.supply = Supply(
            settings.supply,
            wiring=settings.wiring,
            needs=profile.supply,
            recorder=self.recorder,
        )
        self.board.asserted.listen(self._on_pin)
        self.module.status_changed.listen(lambda active: self.board.show("STATUS", active=active))
        self.supply.source_changed.listen(self._on_source)
        self.supply.rail_changed.listen(self._on_rail)

    def start(self) -> None:
        """Bring the model into its start state; call once, after the edges are attached."""
        start = self.settings.start
        self.module.plug_in_uart()
        self.board.start(supply=False)
        if start.supply == "on":
            self.supply.turn(on=True)
        power = self.module.power
        if power.state is not Power.OFF:
            return
        if start.module == "off":
            power.hold_auto_start()
            return
        power.start("bench")
        if start.module != "booting":
            self.module.make_ready()
            self.card.make_initialised()
        if start.module == "stopping":
            power.stop("bench")

    def restart_host(self) -> None:
        """The host boots: its lines are in their boot state."""
        self.board.lines.restart()

    def _on_pin(self, news: tuple[str, bool]) -> None:
        pin, asserted = news
        if pin == "POWER_KEY":
            self.module.key.set(asserted=asserted)
        else:
            self.module.radio.set_pin(asserted=asserted)

    def _on_source(self, on: bool) -> None:
        self.board.power("supply", present=on)

    def _on_rail(self, good: bool) -> None:
        self.board.power("module", present=good)
        self.module.power.supply(present=good)


def build_board(settings: ModelSettings, profile: Profile, *, recorder: Recorder) -> Board:
    """The carrier of *settings* with a module of *profile* on it."""
    pins = profile.pins
    return Board(
        wiring=settings.wiring,
        positions=settings.positions,
        inputs={"POWER_KEY": _input(pins.power_key), "RADIO_DISABLE": _input(pins.radio_disable)},
        outputs={"STATUS": pins.status.active == "high"} if pins.status else {},
        host=settings.host,
        recorder=recorder,
    )


def _input(pin: InputPin) -> ModuleInput:
    return ModuleInput(active_high=pin.active == "high", pull=pin.pull)
