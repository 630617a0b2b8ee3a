"""A driver's kind and name in, its class out: our own, loaded when asked for, and other packages'.

Another package offers a driver as an entry point of the group `wakebench.drivers` named `KIND.NAME`, for
example `"supply.mine" = "my_package.supply:MySupply"`.
"""

from __future__ import annotations

from functools import cache
from importlib import import_module
from importlib.metadata import entry_points
from typing import TYPE_CHECKING, Any, Final

from hil.errors import MissingDriverError, UnknownNameError

if TYPE_CHECKING:
    from .contracts import Driver, Kind

GROUP: Final = "wakebench.drivers"

_HERE: Final = "hil.bench.drivers"
# By kind and name; each module imports its library when a part is opened.
OWN: Final[dict[Kind, dict[str, str]]] = {
    "ports": {"serial": "serial_port:SerialPort", "usb": "usb_port:UsbPort"},
    "lines": {
        "gpiod": "gpiod_line:GpiodLine",
        "sysfs": "sysfs_line:SysfsLine",
        "serial": "serial_line:SerialLine",
    },
    "sense": {"gpiod": "gpiod_sense:GpiodSense"},
    "supply": {"scpi": "scpi_supply:ScpiSupply"},
    "meter": {"scpi": "scpi_meter:ScpiMeter"},
    "attenuator": {"scpi": "scpi_attenuator:ScpiAttenuator"},
    "usb": {"sysfs": "usb_sysfs:UsbSysfs", "udev": "usb_udev:UsbUdev"},
    "host": {"ssh": "host_ssh:SshHost", "console": "host_console:ConsoleHost"},
}


def known(kind: Kind) -> list[str]:
    """The names of all drivers of *kind*."""
    prefix = f"{kind}."
    others = [
        one.name.removeprefix(prefix) for one in entry_points(group=GROUP) if one.name.startswith(prefix)
    ]
    return sorted({*OWN[kind], *others})


@cache
def driver_class(kind: Kind, name: str) -> type[Driver]:
    """The class of a driver; raises UnknownNameError or MissingDriverError."""
    if name in OWN[kind]:
        module, _, attribute = OWN[kind][name].partition(":")
        found: Any = getattr(import_module(f"{_HERE}.{module}"), attribute)
    else:
        matching = entry_points(group=GROUP, name=f"{kind}.{name}")
        if not matching:
            raise UnknownNameError(
                kind=f"driver for {kind}",
                name=name,
                known=known(kind),
                hint=f"others come by the entry point group {GROUP}",
            )
        [point] = list(matching)[:1]
        try:
            found = point.load()
        except ImportError as error:
            raise MissingDriverError(driver=name, needs=str(error.name or error)) from error
    return found  # type: ignore[no-any-return] # its contract test proves it


def need(module: str, *, driver: str) -> Any:  # noqa: ANN401 # whatever the library is
    """An optional library; raises MissingDriverError that says what to install."""
    try:
        return import_module(module)
    except ImportError as error:
        raise MissingDriverError(driver=driver, needs=module) from error
