"""What is around the model's module: its source, its USB bus, its host, and what can be moved."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import ValidationError

from hil.bench.interface import Host, Movable, Supply, Surroundings, Usb
from hil.errors import PartMissingError, UsageError
from simulator.kernel.timeline import ns

if TYPE_CHECKING:
    from simulator.edges.pacing import Driver
    from simulator.kernel.recorder import Value


class SimulatedSupply(Supply):
    """The model's source."""

    def __init__(self, driver: Driver) -> None:
        self._driver, self._supply = driver, driver.model.supply
        self.nominal_v = driver.model.settings.supply.volts

    def on(self) -> None:
        """Turn it on."""
        self._driver.settle()
        self._supply.turn(on=True)

    def off(self) -> None:
        """Turn it off."""
        self._driver.settle()
        self._supply.turn(on=False)

    def set_volts(self, volts: float) -> None:
        """Set its voltage."""
        self._driver.settle()
        self._supply.set_volts(volts)

    def rail_volts(self) -> float:
        """The module's rail."""
        self._driver.settle()
        return self._supply.rail_v

    def lowest_rail_volts(self, *, within_s: float) -> float:
        """The lowest the rail has been: every instant counts, the model's meter has no bandwidth."""
        self._driver.settle()
        since_ns = max(self._driver.model.timeline.now_ns - ns(within_s), 0)
        return self._supply.lowest_v(since_ns=since_ns)


class SimulatedUsb(Usb):
    """The model's module on the model's bus."""

    def __init__(self, driver: Driver) -> None:
        self._driver = driver
        self._device, self._power = driver.model.module.usb, driver.model.module.usb_power

    def allow_suspend(self, allowed: bool, *, after_s: float = 2.0) -> None:
        """Let the host suspend the device, or never."""
        self._driver.settle()
        if not self._device.is_bound:
            raise PartMissingError(part="usb", why="the module is not on the bus now: is it on?")
        self._power.set_delay_ms(round(after_s * 1000))
        self._power.set_control("auto" if allowed else "on")

    def status(self) -> str:
        """What the host says of the device."""
        self._driver.settle()
        return self._power.status if self._device.is_bound else "absent"

    def cycle(self) -> None:
        """Reset the device."""
        self._driver.settle()
        self._device.reset("host")


class SimulatedHost(Host):
    """The model's host."""

    def __init__(self, driver: Driver) -> None:
        self._driver = driver

    def reboot(self) -> None:
        """Boot: the header's pins go to their boot state."""
        self._driver.settle()
        self._driver.model.restart_host()


class SimulatedSurroundings(Surroundings):
    """What can be moved about the model."""

    def __init__(self, driver: Driver) -> None:
        self._driver = driver

    def move(self, part: Movable, **settings: Value) -> None:
        """Change the settings of one part by name."""
        movers = self._driver.model.movers
        if part not in movers:
            raise PartMissingError(part=f"surroundings:{part}", why=f"{', '.join(movers)} can be moved")
        self._driver.settle()
        schema, move = movers[part]
        try:
            move(**settings)
        except ValidationError as error:
            first = error.errors()[0]
            known = ", ".join(schema.model_fields)
            place = ".".join(map(str, first["loc"]))
            raise UsageError(f"surroundings.{part}.{place}: {first['msg']}; known are {known}") from error
        except ValueError as error:
            raise UsageError(f"surroundings.{part}: {error}") from error
