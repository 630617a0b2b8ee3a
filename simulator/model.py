"""A whole simulated bench without its outside: host, carrier, module, card, network, supply.

Settings in, one model out; stimuli come through its parts, bytes through its ports.  It knows no pty,
no file and no wall clock: edges attach to its ports and advance its timeline.
"""

from __future__ import annotations

from datetime import UTC, datetime
from functools import partial
from typing import TYPE_CHECKING, Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from simulator.at.engine import AtEngine
from simulator.board.board import Board
from simulator.board.feed import supply_path
from simulator.board.host import HostSettings
from simulator.board.logic_levels import limits
from simulator.board.netlist import ModulePinModel
from simulator.board.supply import Supply, SupplySettings
from simulator.board.wiring import Wiring
from simulator.card.card import Card
from simulator.card.settings import CardMove, CardSettings
from simulator.host.gpio_chip import GpioChip
from simulator.host.kernel_log import KernelLog
from simulator.host.usb_bus import UsbBus
from simulator.kernel.randomness import Randomness
from simulator.kernel.recorder import Recorder
from simulator.kernel.section import NotNegative, Section, Several
from simulator.kernel.timeline import SECOND_NS, Timeline, ns
from simulator.messages.messages import Messages
from simulator.messages.service_centre import IncomingMessage, ServiceCentre, ServiceCentreSettings
from simulator.module.adaptor import Adaptor, AdaptorSettings
from simulator.module.module import Module
from simulator.module.power import Power
from simulator.module.profile import Profile
from simulator.module.spread import Draws
from simulator.module.uart import UartWires
from simulator.network.air import Air
from simulator.network.registration import Registration
from simulator.network.settings import AntennaSettings, NetworkMove, NetworkSettings

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.kernel.recorder import Value
    from simulator.module.port import Port
    from simulator.module.profile import InputPin

# The default instant at which a run begins: never the clock of the machine it runs on.
START_TIME: Final = datetime(2026, 1, 15, 6, 0, tzinfo=UTC)


# What can be moved at run time, and the settings of each.
SURROUNDINGS: Final[dict[str, type[Section]]] = {
    "network": NetworkMove,
    "antennas": AntennaSettings,
    "card": CardMove,
    "adaptor": AdaptorSettings,
    "uart": UartWires,
    "service_centre": ServiceCentreSettings,
    "message": IncomingMessage,
}


class Scheduled(Section):
    """One move of the surroundings: *at_s* seconds after the run began, *part* gets the settings *set*."""

    at_s: NotNegative
    part: Literal["network", "antennas", "card", "adaptor", "uart", "service_centre", "message"]
    set: dict[str, str | int | float | bool]

    @model_validator(mode="after")
    def _allowed(self) -> Self:
        SURROUNDINGS[self.part].model_validate(self.set)
        return self


class StartSettings(Section):
    """The state in which a bench starts.

    *ready* means: ports up, AT answers, the card waits for its PIN if it has one, not yet registered.
    *dead* never answers.  *off* with the supply on holds auto-start back until the supply is cut.  A module
    that does not know its network scans all bands before its first registration.
    """

    supply: Literal["on", "off"] = "on"
    module: Literal["off", "booting", "ready", "stopping", "dead"] = "off"
    knows_network: bool = True


class ModelSettings(Section):
    """Everything a model is built from."""

    profile: Profile
    wiring: Wiring
    positions: dict[str, str] = Field(default_factory=dict)
    host: HostSettings
    supply: SupplySettings = SupplySettings()
    card: CardSettings | None = None
    network: NetworkSettings = NetworkSettings()
    antennas: AntennaSettings = AntennaSettings()
    uart: UartWires = UartWires()
    adaptor: AdaptorSettings = AdaptorSettings()
    service_centre: ServiceCentreSettings = ServiceCentreSettings()
    start: StartSettings = StartSettings()
    schedule: Several[Scheduled] = ()
    seed: Annotated[int, Field(ge=0)] = 1
    start_time: datetime = START_TIME

    @property
    def start_ns(self) -> int:
        """What a wall clock shows at `start_time`: nanoseconds since 1970, in UTC, whole seconds."""
        return round(self.start_time.timestamp()) * SECOND_NS


class Model:
    """One simulated bench.  `start` puts it into the state that the settings ask for."""

    def __init__(self, settings: ModelSettings) -> None:
        self.settings = settings
        self._has_ended = False
        self.timeline = Timeline()
        self.recorder = Recorder(self.timeline)
        self.randomness = Randomness(settings.seed)
        profile, host = settings.profile, settings.host
        self.board = build_board(settings, profile, timeline=self.timeline, recorder=self.recorder)
        self.gpio_chip = GpioChip(self.board.lines, timeline=self.timeline)
        is_dead = settings.start.module == "dead"
        self.module = Module(
            profile=profile,
            timeline=self.timeline,
            recorder=self.recorder,
            draws=Draws(self.randomness),
            usb_nodes={role: node for role, node in host.usb_ports.items()},  # noqa: C416 # widens the key's type
            uart_node=host.uart,
            usb_autosuspend=host.usb_autosuspend,
            initial=Power.DEAD if is_dead else Power.NO_SUPPLY,
        )
        self.adaptor = Adaptor(nodes=self.module.nodes, recorder=self.recorder)
        self.kernel_log = KernelLog(self.timeline)
        self.usb_bus = UsbBus(host, module=self.module, adaptor=self.adaptor, log=self.kernel_log)
        self.card = Card(settings=settings.card, module=self.module)
        self.air = Air(settings.network, settings.antennas, recorder=self.recorder)
        self.registration = Registration(
            module=self.module, card=self.card, air=self.air, start_time=settings.start_time
        )
        self.registration.knows_network = settings.start.knows_network
        self.service_centre = ServiceCentre(
            settings.service_centre,
            timeline=self.timeline,
            recorder=self.recorder,
            randomness=self.randomness,
            now=self.registration.network_now,
        )
        self.messages = Messages(
            module=self.module,
            card=self.card,
            registration=self.registration,
            centre=self.service_centre,
        )
        self.at = AtEngine(
            module=self.module, card=self.card, registration=self.registration, messages=self.messages
        )
        self.supply = Supply(
            settings.supply,
            path=supply_path(settings.wiring, settings.positions),
            needs=profile.supply,
            timeline=self.timeline,
            recorder=self.recorder,
        )
        self.board.asserted.listen(self._on_pin)
        self.module.status_changed.listen(self._on_status)
        self.module.consumption.changed.listen(self.supply.set_demand)
        self.supply.source_changed.listen(self._on_source)
        self.supply.rail_changed.listen(self._on_rail)
        self.supply.forgotten.listen(lambda _: self.module.power.forget())
        if self.module.serial is not None:
            self.module.serial.to_module.carries = lambda: self.board.carries("UART_RX")
            self.module.serial.to_host.carries = lambda: self.board.carries("UART_TX")
            self.module.serial.rts_carries = lambda: self.board.carries("UART_RTS")
            self.module.serial.cts_carries = lambda: self.board.carries("UART_CTS")
            self.module.serial.move(settings.uart)

    def start(self) -> None:
        """Bring the model into its start state; call once, after the edges are attached."""
        start = self.settings.start
        for scheduled in self.settings.schedule:
            _, move = self.movers[scheduled.part]
            self.timeline.call_at(ns(scheduled.at_s), partial(move, **scheduled.set))
        self.module.plug_in_uart()
        if self.settings.adaptor.ports:
            self.adaptor.move(ports=self.settings.adaptor.ports)
        self.board.start(supply=False)
        if start.supply == "on":
            self.supply.begin_on()
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
            self.messages.make_ready()
        if start.module == "stopping":
            power.stop("bench")

    @property
    def ports(self) -> dict[str, Port]:
        """Every serial port that the host could see: the module's, then other devices'."""
        return {**self.module.ports, **self.adaptor.ports}

    @property
    def movers(self) -> dict[str, tuple[type[Section], Callable[..., None]]]:
        """What is around the board and can be moved: its settings by name, and what moves it."""
        found: dict[str, tuple[type[Section], Callable[..., None]]] = {
            "network": (SURROUNDINGS["network"], self.air.move),
            "antennas": (SURROUNDINGS["antennas"], self.air.move_antennas),
            "adaptor": (SURROUNDINGS["adaptor"], self.adaptor.move),
            "service_centre": (SURROUNDINGS["service_centre"], self.service_centre.move),
            "message": (SURROUNDINGS["message"], self.service_centre.bring),
        }
        if self.card.settings is not None:
            found["card"] = (SURROUNDINGS["card"], self.card.move)
        if self.module.serial is not None:
            found["uart"] = (SURROUNDINGS["uart"], self._move_uart)
        return found

    def _move_uart(self, **moved: Value) -> None:
        serial = self.module.serial
        if serial is not None:
            serial.move(UartWires.model_validate({"noise": serial.to_host.noise, **moved}))
            self.recorder.record("surroundings/uart", "set", **moved)

    def end(self) -> None:
        """The run is over: what the module drew goes onto the recording, in mAh by what drew it; once."""
        if self._has_ended:
            return
        self._has_ended = True
        drawn = {label: coulombs / 3.6 for label, coulombs in self.supply.charge().items()}
        total = round(sum(drawn.values()), 9)
        by_label = {label: round(mah, 9) for label, mah in drawn.items()}
        self.recorder.record("supply/rail", "charge", mah=total, **by_label)

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
        self.board.set_supply(self.supply.volts)
        self.board.power("supply", present=on)

    def _on_rail(self, good: bool) -> None:
        self.board.power("module", present=good)
        self.module.power.supply(present=good)

    def _on_status(self, active: bool) -> None:
        self.board.power("module-on", present=active, by="module")
        self.board.show("STATUS", active=active)
        self.board.show("UART_TX", active=active)
        self.board.show("UART_CTS", active=active)


def build_board(
    settings: ModelSettings, profile: Profile, *, timeline: Timeline, recorder: Recorder
) -> Board:
    """The carrier of *settings* with a module of *profile* on it."""
    return Board(
        wiring=settings.wiring,
        positions=settings.positions,
        pins=module_pins(profile),
        host=settings.host,
        supply_v=settings.supply.volts,
        timeline=timeline,
        recorder=recorder,
    )


def module_pins(profile: Profile) -> dict[str, ModulePinModel]:
    """The module's pins as the carrier's circuit sees them."""
    pins = profile.pins
    uart_v = pins.uart_io_v
    uart = limits(uart_v)
    found = {
        "POWER_KEY": _input(pins.power_key),
        "RADIO_DISABLE": _input(pins.radio_disable),
        # A UART at rest is high: the module's transmit line is active while the module is on.
        "UART_TX": ModulePinModel(io_v=uart_v, is_output=True),
        "UART_RX": ModulePinModel(io_v=uart_v, low_below_v=uart.low_input_v, high_above_v=uart.high_input_v),
        "UART_RTS": ModulePinModel(
            io_v=uart_v, active_high=False, low_below_v=uart.low_input_v, high_above_v=uart.high_input_v
        ),
        "UART_CTS": ModulePinModel(io_v=uart_v, is_output=True, active_high=False),
        "I2C_SDA": ModulePinModel(io_v=uart_v),
        "I2C_SCL": ModulePinModel(io_v=uart_v),
    }
    if pins.status is not None:
        found["STATUS"] = ModulePinModel(
            io_v=pins.status.io_v, is_output=True, active_high=pins.status.active == "high"
        )
    return found


def _input(pin: InputPin) -> ModulePinModel:
    return ModulePinModel(
        io_v=pin.io_v,
        active_high=pin.active == "high",
        low_below_v=pin.low_below_v,
        high_above_v=pin.high_above_v,
        pull_up=pin.pull == "up",
        pull_ohm=pin.pull_ohm,
    )
