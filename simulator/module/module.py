"""The module as one thing: supply, key and pins in; ports, radio, clock and status out.

Knows no AT, no card and no network: they subscribe to what happens here.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final

from simulator.kernel.announcement import Announcement
from simulator.kernel.timeline import ns

from .clock import ModuleClock
from .consumption import Consumption
from .nodes import NodeTable
from .port import Port
from .power import Power, PowerMachine
from .power_key import PowerKey
from .radio import Radio
from .uart import Uart
from .usb import UsbDevice, UsbState
from .usb_link import UsbLink
from .usb_power import UsbPower
from .usb_timing import ENUMERATION_NS

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from simulator.kernel.machine import Change
    from simulator.kernel.recorder import Recorder
    from simulator.kernel.timeline import Timeline, Wakeup

    from .profile import Profile
    from .spread import Draws

# Roles of ports that take AT commands; the others carry sentences or diagnostics.
AT_ROLES: Final = ("at", "data")

# How long a module stays on the bus after the result of a command that takes it off (common practice).
_LINGER_NS: Final = ns(0.1)


class Module:
    """One module on its carrier.

    *usb_nodes* maps port roles to the names the host gives them; *uart_node* is the host's serial
    port, there for as long as the host runs (None: the host has none); with *usb_autosuspend* the host's
    driver can let the bus sleep.  `speaks` announces each port that begins to answer AT.
    """

    def __init__(
        self,
        *,
        profile: Profile,
        timeline: Timeline,
        recorder: Recorder,
        draws: Draws,
        usb_nodes: Mapping[str, str],
        uart_node: str | None = None,
        usb_autosuspend: bool = True,
        initial: Power = Power.NO_SUPPLY,
    ) -> None:
        self.profile, self.timeline, self.recorder, self.draws = profile, timeline, recorder, draws
        self.power = PowerMachine(
            timeline=timeline, recorder=recorder, draws=draws, profile=profile, initial=initial
        )
        self.key = PowerKey(
            timeline=timeline,
            recorder=recorder,
            draws=draws,
            key=profile.key,
            power=self.power,
            resets_begun_off=profile.quirks.reset_begun_off,
        )
        self.consumption = Consumption(timeline=timeline, currents=profile.currents, power=self.power)
        self.radio = Radio(timeline=timeline, recorder=recorder, draws=draws, profile=profile)
        self.clock = ModuleClock(timeline)
        self.nodes = NodeTable(usb_nodes.values())
        keeps = profile.at.keep_before_open
        self.ports: dict[str, Port] = {
            role: Port(role, recorder=recorder, keeps_before_open=keeps) for role in profile.usb.roles
        }
        self.usb = UsbDevice(profile=profile.usb, timeline=timeline, recorder=recorder, draws=draws)
        self.usb_power = UsbPower(
            self.usb,
            timeline=timeline,
            supported=usb_autosuspend,
            is_held=lambda: any(self.ports[role].clients for role in profile.usb.roles),
        )
        for port in self.ports.values():
            UsbLink(port, device=self.usb, power=self.usb_power, timeline=timeline)
            port.opened.listen(self._on_use)
            port.closed.listen(self._on_use)
        self._usb_speaks = False
        self._coming: list[Wakeup] = []
        self.uart = Port("uart", recorder=recorder) if uart_node else None
        self._uart_node = uart_node
        self.serial: Uart | None = None
        if self.uart is not None:
            self.ports["uart"] = self.uart
            self.serial = Uart(
                port=self.uart, profile=profile.uart, timeline=timeline, recorder=recorder, draws=draws
            )
            self.power.last_words_ns = self.serial.to_host.left_ns
        self.speaks: Announcement[Port] = Announcement()
        self.status_changed: Announcement[bool] = Announcement()
        self.temperature_c = 25.0
        self.boots = 0
        self.position_on = False
        self._pending: list[Wakeup] = []
        self.power.changed.listen(self._on_power)
        self.usb.bound.listen(self._on_bound)
        self.usb.changed.listen(lambda _: self._on_bus())
        if self.serial is not None:
            self.serial.attention_changed.listen(self.consumption.set_resting)

    def plug_in_uart(self) -> None:
        """The host's serial port is there (called once, when the edges are attached)."""
        if self.uart is not None and self._uart_node is not None and not self.uart.is_present:
            self.uart.appear(self._uart_node)

    @property
    def status(self) -> bool:
        """Whether the status output tells that the module is on."""
        return self.power.state in (Power.BOOTING, Power.READY, Power.STOPPING)

    def make_ready(self) -> None:
        """Skip the boot: ports up, AT answers (the bench starts in this state)."""
        self._cancel()
        self.usb.make_configured()
        self._speak_on_usb()
        self._speak("uart")
        if self.serial is not None:
            self.serial.to_host.cut()  # the boot line has long been said
        self.power.boot_done()

    def set_rest(self, idle_s: float) -> None:
        """Rest the UART after *idle_s* seconds without traffic; 0 never."""
        if self.serial is not None:
            self.serial.set_rest(idle_s)

    def show_composition(self, number: int) -> None:
        """Come back on the bus as another composition (0 the normal one), once the result has been read."""
        self._after(_LINGER_NS, partial(self.usb.show, number))

    def set_rate(self, baud: int) -> None:
        """The UART speaks at *baud* from now on; 0 detects the host's rate."""
        if self.serial is not None:
            self.serial.set_rate(baud)

    def _on_power(self, change: Change[Power]) -> None:
        was_on = change.before in (Power.BOOTING, Power.READY, Power.STOPPING)
        if change.after is Power.READY:
            return
        self._cancel()
        self._hush()
        if change.after is Power.BOOTING:
            self.usb.detach("restart")
            self._boot()
        elif change.after is not Power.STOPPING:
            self.usb.detach("power")
            if self.serial is not None:
                self.serial.off()
            if change.after is Power.NO_SUPPLY:
                self.clock.lose()
        if self.status is not was_on:
            self.status_changed.announce(self.status)

    def _boot(self) -> None:
        delays, draw_ns = self.profile.delays, self.draws.draw_ns
        self.boots += 1
        self.position_on = False
        if self.serial is not None:
            self.serial.boot()
        self.radio.reset()
        uart_ns = draw_ns("uart_answers", delays.uart_answers_s)
        appears_ns = draw_ns("usb_appears", delays.usb_appears_s)
        answers_ns = appears_ns + draw_ns("usb_answers_after", delays.usb_answers_after_s)
        self._after(uart_ns, partial(self._speak, "uart"))
        self._after(max(appears_ns - ENUMERATION_NS, 0), self.usb.attach)
        self._after(answers_ns, self._speak_on_usb)
        self._after(min(uart_ns, answers_ns) if self.uart is not None else answers_ns, self.power.boot_done)

    def _after(self, delay_ns: int, action: Callable[[], None]) -> None:
        self._pending.append(self.timeline.call_in(delay_ns, action))

    def _cancel(self) -> None:
        for wakeup in self._pending:
            wakeup.cancel()
        self._pending.clear()

    def _on_bound(self, is_bound: bool) -> None:
        """The host's drivers have got the device, or lost it."""
        for coming in self._coming:
            coming.cancel()
        self._coming.clear()
        if not is_bound:
            self._vanish()
            return
        spacing_ns, delay_ns = ns(self.profile.usb.port_spacing_s), 0
        for role in self.usb.composition.ports:
            if role in self.profile.usb.missing:
                continue
            if delay_ns:
                self._coming.append(self.timeline.call_in(delay_ns, partial(self._appear, role)))
            else:
                self._appear(role)
            delay_ns += spacing_ns

    def _appear(self, role: str) -> None:
        self.ports[role].appear(self.nodes.take())
        if self._usb_speaks and role in AT_ROLES:
            self._speak(role)

    def unbind(self, role: str) -> None:
        """The host takes the interface of one port from its driver: the port goes."""
        port = self.ports[role]
        port.vanish()
        if port.edge is None:  # an edge tells when the last handle is closed
            self.nodes.release(port.node)

    def bind(self, role: str) -> None:
        """The host gives it back: the port comes, where the module shows it."""
        if self.usb.is_bound and not self.ports[role].is_present:
            self._appear(role)

    def _on_bus(self) -> None:
        self.consumption.set_usb(awake=self.usb.is_bound and self.usb.state is not UsbState.SUSPENDED)

    def _on_use(self, news: None) -> None:
        del news
        self.usb_power.use_changed()

    def _speak_on_usb(self) -> None:
        self._usb_speaks = True
        for role in AT_ROLES:
            self._speak(role)

    def _speak(self, role: str) -> None:
        port = self.ports.get(role)
        if port is not None and port.is_present:
            port.speaks_at = True
            self.speaks.announce(port)

    def _hush(self) -> None:
        self._usb_speaks = False
        for port in self.ports.values():
            port.speaks_at = False

    def _vanish(self) -> None:
        for port in self.ports.values():
            if port is not self.uart and port.is_present:
                port.vanish()
                if port.edge is None:  # an edge tells when the last handle is closed
                    self.nodes.release(port.node)
