"""The module on the bus: how long it takes to come, when it sleeps, what waking costs, how it goes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from simulator.edges.memory import MemoryEdge
from simulator.kernel.timeline import ns
from simulator.module.usb import TRANSITIONS, UsbState

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.model import Model

    Build = Callable[..., Model]

MS = 1_000_000


class Host:
    """A host with a client on the AT port of a module that is ready, or boots."""

    def __init__(self, model: Model) -> None:
        self.model, self.module = model, model.module
        self.usb, self.power = model.module.usb, model.module.usb_power
        self.port = model.module.ports["at"]
        self.edge = MemoryEdge()
        self.port.edge = self.edge

    def opens(self) -> Host:
        self.port.client_opened()
        return self

    def lets_sleep(self, delay_ms: int = 2000) -> Host:
        self.power.set_delay_ms(delay_ms)
        self.power.set_control("auto")
        return self

    def sends(self, data: bytes, *, then_s: float = 0.0) -> bytes:
        self.port.receive(data)
        return self.hears(then_s)

    def hears(self, seconds: float = 0.0) -> bytes:
        self.model.timeline.run_until(self.model.timeline.now_ns + ns(seconds))
        return self.edge.take(100_000)

    def states(self) -> list[tuple[int, str, str]]:
        """Instants, states and causes since the last call."""
        return [
            (event.t_ns, str(event.more["to"]), str(event.more["cause"]))
            for event in self.model.recorder.take()
            if event.lane == "module/usb" and event.what == "state"
        ]


def unit(**usb: Any) -> dict[str, Any]:  # noqa: ANN401 # keys of a profile
    """A bench whose unit differs in its section `usb`."""
    return {"start": {"module": "ready"}, "module": {"unit": {"usb": usb}}}


@pytest.fixture
def host(build: Build) -> Host:
    """A client on `tarn-l4`."""
    return Host(build(start={"module": "ready"})).opens()


def present(host: Host) -> list[str]:
    return [role for role, port in host.module.ports.items() if port.is_present and role != "uart"]


def test_every_state_can_be_reached_and_left() -> None:
    reached = {after for _, _, after in TRANSITIONS}
    left = {before for _, before, _ in TRANSITIONS}

    assert reached == left == set(UsbState)


def test_an_enumeration_takes_the_times_of_usb_2_0(build: Build) -> None:
    host = Host(build())
    host.module.power.start("test")
    host.hears(20)
    states = host.states()

    began_ns = states[0][0]
    assert [(t_ns - began_ns, state) for t_ns, state, _ in states] == [
        (0, "attached"),
        (100 * MS, "default"),
        (160 * MS, "address"),
        (162 * MS, "configured"),
    ]


def test_ports_come_one_after_the_other_where_the_unit_does_so(build: Build) -> None:
    host = Host(build(module={"unit": {"usb": {"port_spacing_s": 0.2}}}))
    host.module.power.start("test")
    host.hears(20)

    came = [event.t_ns for event in host.model.recorder.take() if event.what == "appear"]
    came = came[-4:]
    assert [later - came[0] for later in came] == [0, 200 * MS, 400 * MS, 600 * MS]


def test_a_port_that_is_missing_leaves_its_number_to_the_next(build: Build) -> None:
    host = Host(build(**unit(missing=["data"])))

    assert present(host) == ["nmea", "diag", "at"]
    assert host.module.ports["diag"].node == "ttyUSB1"


def test_a_host_that_was_not_asked_never_lets_the_bus_sleep(host: Host) -> None:
    host.hears(3600)

    assert (host.usb.state, host.power.status) == (UsbState.CONFIGURED, "active")


def test_an_idle_bus_sleeps_after_the_delay_and_traffic_puts_it_off(host: Host) -> None:
    host.lets_sleep(2000)
    host.states()
    host.hears(1.5)
    host.sends(b"AT\r", then_s=1.999)
    before = host.usb.state
    host.hears(0.001)

    assert (before, host.usb.state) == (UsbState.CONFIGURED, UsbState.SUSPENDED)
    assert host.states() == [(3_500 * MS, "suspended", "host")]


@pytest.mark.parametrize(
    ("bench", "opened"),
    [
        ({"host": {"usb_autosuspend": False}}, False),
        ({"module": {"unit": {"usb": {"remote_wakeup": False}}}}, True),
    ],
)
def test_no_support_by_the_driver_or_an_open_port_that_could_not_wake_keep_it_awake(
    build: Build, bench: dict[str, Any], opened: bool
) -> None:
    host = Host(build(start={"module": "ready"}, **bench))
    if opened:
        host.opens()
    host.lets_sleep().hears(60)

    assert host.usb.state is UsbState.CONFIGURED


def test_a_port_closed_lets_a_device_sleep_that_could_not_wake(build: Build) -> None:
    host = Host(build(**unit(remote_wakeup=False))).opens().lets_sleep()
    host.port.client_closed()
    host.hears(2.001)

    assert host.usb.state is UsbState.SUSPENDED


def test_a_negative_delay_and_control_on_wake_it_and_keep_it_awake(host: Host) -> None:
    host.lets_sleep().hears(5)
    asleep = host.power.status
    host.power.set_control("on")
    host.hears(1)

    assert (asleep, host.power.status) == ("suspended", "active")
    host.lets_sleep(-1).hears(60)
    assert host.power.status == "active"


def test_the_first_command_after_a_sleep_is_answered_when_the_module_has_resumed(build: Build) -> None:
    host = Host(build(**unit(resume_s=0.08))).opens().lets_sleep()
    host.sends(b"ATE0\r", then_s=5)
    host.states()

    early = host.sends(b"AT\r", then_s=0.079999)
    assert (early, host.power.status) == (b"", "resuming")
    assert host.hears(0.000001) == b"\r\nOK\r\n"
    assert [(state, cause) for _, state, cause in host.states()][:2] == [
        ("resuming", "host"),
        ("configured", "host"),
    ]


def test_a_resume_takes_at_least_what_the_standard_demands_of_the_host(build: Build) -> None:
    host = Host(build(**unit(resume_s=0.001))).opens().lets_sleep()
    host.sends(b"ATE0\r", then_s=5)

    # 20 ms of signalling and 10 ms of recovery (USB 2.0 7.1.7.7).
    assert host.sends(b"AT\r", then_s=0.029999) == b""
    assert host.hears(0.000001) == b"\r\nOK\r\n"


def test_a_host_cannot_resume_before_the_device_is_asleep(build: Build) -> None:
    host = Host(build(**unit(resume_s=0.001))).opens().lets_sleep()
    host.sends(b"ATE0\r", then_s=2.004)

    # Asleep within 10 ms (7.1.7.6), 4 of which have passed.
    assert (host.usb.state, host.power.status) == (UsbState.SUSPENDED, "suspending")
    assert host.sends(b"AT\r", then_s=0.035999) == b""
    assert host.hears(0.000001) == b"\r\nOK\r\n"


def test_the_quirk_loses_what_comes_before_the_module_is_ready(build: Build) -> None:
    host = Host(build(**unit(resume_s=0.08, loses_first_bytes=True))).opens().lets_sleep()
    host.sends(b"ATE0\r", then_s=5)
    host.model.recorder.take()
    first = host.sends(b"AT\r", then_s=0.5)
    lost = [event.more for event in host.model.recorder.take() if event.what == "lost"]

    assert (first, lost) == (b"", [{"text": "AT\r"}])
    assert host.sends(b"AT\r") == b"\r\nOK\r\n"


def test_the_module_wakes_the_bus_for_a_line_of_its_own(host: Host) -> None:
    host.lets_sleep().hears(5)
    host.states()
    host.port.send(b"\r\n+CREG: 1\r\n")

    assert host.hears(0.029999) == b""
    assert host.hears(0.000001) == b"\r\n+CREG: 1\r\n"
    assert [cause for _, _, cause in host.states()] == ["module", "module"]


def test_with_no_port_open_the_module_does_not_wake_the_host_and_its_line_is_lost(build: Build) -> None:
    host = Host(build(start={"module": "ready"})).lets_sleep()
    host.hears(5)
    host.port.send(b"\r\n+CREG: 1\r\n")
    host.hears(1)

    assert host.usb.state is UsbState.SUSPENDED
    assert [event.what for event in host.model.recorder.take() if event.lane == "port/at"][-1] == "lost"


def test_a_resume_that_fails_is_followed_by_a_reset_and_the_ports_come_again(build: Build) -> None:
    host = Host(build(**unit(resume_fails=1.0))).opens().lets_sleep()
    host.hears(5)
    host.states()
    lives = host.port.lives
    host.sends(b"AT\r", then_s=1)

    assert [(state, cause) for _, state, cause in host.states()] == [
        ("resuming", "host"),
        ("default", "resume failed"),
        ("address", "host"),
        ("configured", "host"),
    ]
    assert host.port.lives == lives + 1
    # A fresh device to the host: whatever had been set is gone.
    assert (host.power.control, host.power.delay_ms) == ("on", 2000)


def test_an_error_resets_the_device_and_what_speaks_speaks_again_at_once(host: Host) -> None:
    host.usb.reset("transaction error")
    gone = present(host)
    host.hears(0.1)
    host.opens()

    assert (gone, present(host)) == ([], ["nmea", "data", "diag", "at"])
    assert host.sends(b"AT\r").endswith(b"\r\nOK\r\n")


def test_another_composition_comes_back_with_its_ports_and_stays_over_a_boot(build: Build) -> None:
    other = {"product_id": "00ff", "ports": ["at", "diag"]}
    host = Host(build(**unit(compositions=[other], switch_s=0.5)))
    host.module.show_composition(1)
    host.hears(0.1)
    gone = present(host)
    host.hears(0.5 + 0.162)

    assert (gone, present(host)) == ([], ["diag", "at"])
    assert (host.port.node, host.module.ports["diag"].node) == ("ttyUSB0", "ttyUSB1")
    host.module.power.restart("test")
    host.hears(20)
    assert (present(host), host.usb.composition.product_id) == (["diag", "at"], "00ff")
    host.module.show_composition(0)
    host.hears(2)
    assert present(host) == ["nmea", "data", "diag", "at"]


def test_the_runtime_files_tell_control_delay_status_and_times(host: Host) -> None:
    host.lets_sleep(500)
    host.hears(10)
    values = host.power.values()

    assert {name: values[name] for name in ("control", "level", "autosuspend_delay_ms", "autosuspend")} == {
        "control": "auto",
        "level": "auto",
        "autosuspend_delay_ms": "500",
        "autosuspend": "0",
    }
    assert (values["runtime_status"], values["wakeup"], values["persist"]) == ("suspended", "disabled", "1")
    assert (values["runtime_active_time"], values["runtime_suspended_time"]) == ("500", "9500")
    assert (values["connected_duration"], values["active_duration"]) == ("10000", "500")


def test_sleep_saves_current_and_more_when_the_serial_interface_rests_too(host: Host) -> None:
    consumption = host.module.consumption
    labels = [consumption.demand.label]
    host.lets_sleep().hears(5)
    labels.append(consumption.demand.label)
    host.module.set_rest(1)
    host.hears(2)
    labels.append(consumption.demand.label)
    host.sends(b"AT\r", then_s=0.5)
    labels.append(consumption.demand.label)

    assert labels == ["idle with USB", "idle", "rest", "idle with USB"]
    assert consumption.demand.amps == 0.045


def test_the_bus_takes_thirteen_packets_in_a_microframe(host: Host) -> None:
    taken: list[int] = []
    host.port.on_receive = lambda data: taken.append(len(data))
    for _ in range(30):
        host.port.receive(b"x" * 512)
    at_once = len(taken)
    host.hears(0.000125)
    after_one = len(taken)
    host.hears(0.000125)

    assert (at_once, after_one, len(taken)) == (13, 26, 30)


def test_losing_power_takes_the_device_off_the_bus_at_once(host: Host) -> None:
    host.lets_sleep().hears(5)
    host.model.supply.turn(on=False)
    host.hears(1)

    assert (host.usb.state, present(host)) == (UsbState.DETACHED, [])
