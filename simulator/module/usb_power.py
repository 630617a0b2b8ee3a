"""What the host decides about the bus: whether an idle device may sleep, and when.

The rules are those of Linux runtime power management: `power/control` on or auto, a delay after the last
traffic, a driver that supports it, and remote wake-up where a port is held open (Documentation/driver-api/
usb/power-management.rst, from memory).  Knows no file: edges show the values as files.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from .usb import UsbState
from .usb_timing import SUSPENDED_NS

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.kernel.machine import Change
    from simulator.kernel.timeline import Timeline, Wakeup

    from .usb import UsbDevice

_MS: Final = 1_000_000
# usbcore's parameter `autosuspend`, in milliseconds (from memory).
DEFAULT_DELAY_MS: Final = 2000

RuntimeStatus = Literal["active", "suspending", "suspended", "resuming"]


class UsbPower:
    """The host's side of one device's power; its settings begin anew with each enumeration.

    *supported*: the driver supports autosuspend.  *is_held* says whether a port of the device is held open:
    it then sleeps only if it can wake the host by itself.
    """

    def __init__(
        self,
        device: UsbDevice,
        *,
        timeline: Timeline,
        supported: bool,
        is_held: Callable[[], bool],
    ) -> None:
        self._device, self._timeline = device, timeline
        self._supported, self._is_held = supported, is_held
        self.control: Literal["on", "auto"] = "on"
        self.delay_ms = DEFAULT_DELAY_MS
        self.is_watching = self._is_new = False
        self.busy_ns = 0
        self._wakeup: Wakeup | None = None
        self._connected_ns = self._since_ns = 0
        self._active_ns = self._suspended_ns = 0
        device.changed.listen(self._on_change)

    def set_control(self, control: Literal["on", "auto"]) -> None:
        """Never let the device sleep, waking it if it does (on), or let it (auto)."""
        self.control = control
        self._settle()

    def set_delay_ms(self, delay_ms: int) -> None:
        """Sleep after so many milliseconds without traffic; below 0: never."""
        self.delay_ms = delay_ms
        self._settle()

    @property
    def may_sleep(self) -> bool:
        """Whether an idle device will be suspended as things are."""
        can_wake = self._device.profile.remote_wakeup
        return (
            self._supported
            and self.control == "auto"
            and self.delay_ms >= 0
            and (can_wake or not self._is_held())
        )

    @property
    def wakes_host(self) -> bool:
        """Whether the module may wake the bus: its ports are held open and it can."""
        return self._device.profile.remote_wakeup and self._is_held()

    @property
    def status(self) -> RuntimeStatus:
        """`power/runtime_status`."""
        state = self._device.state
        if state is UsbState.SUSPENDED:
            is_there = self._timeline.now_ns - self._since_ns >= SUSPENDED_NS
            return "suspended" if is_there else "suspending"
        return "resuming" if state is UsbState.RESUMING else "active"

    def values(self) -> dict[str, str]:
        """The files of `power/` by name, as they read; times are in milliseconds."""
        active_ns, suspended_ns = self._times()
        connected_ns = self._timeline.now_ns - self._connected_ns
        return {
            "control": self.control,
            "level": self.control,
            "autosuspend_delay_ms": str(self.delay_ms),
            "autosuspend": str(self.delay_ms // 1000),
            "runtime_status": self.status,
            "runtime_active_time": str(active_ns // _MS),
            "runtime_suspended_time": str(suspended_ns // _MS),
            "connected_duration": str(connected_ns // _MS),
            "active_duration": str(active_ns // _MS),
            "persist": "1",
            "wakeup": "disabled" if self._device.profile.remote_wakeup else "",
        }

    def traffic(self) -> None:
        """Bytes pass (called only while `is_watching`)."""
        self.busy_ns = self._timeline.now_ns

    def use_changed(self) -> None:
        """A port was opened or closed."""
        self.busy_ns = self._timeline.now_ns
        self._settle()

    def _times(self) -> tuple[int, int]:
        passed_ns = self._timeline.now_ns - self._since_ns
        if self._device.state is UsbState.SUSPENDED:
            return self._active_ns, self._suspended_ns + passed_ns
        return self._active_ns + passed_ns, self._suspended_ns

    def _on_change(self, change: Change[UsbState]) -> None:
        now_ns = self._timeline.now_ns
        passed_ns = now_ns - self._since_ns
        if change.before is UsbState.SUSPENDED:
            self._suspended_ns += passed_ns
        else:
            self._active_ns += passed_ns
        self._since_ns = self.busy_ns = now_ns
        if change.after is UsbState.ADDRESS:
            self._is_new = change.before is UsbState.DEFAULT
        if change.before is UsbState.ADDRESS and self._is_new:  # configured: a new device to the host
            self.control, self.delay_ms = "on", DEFAULT_DELAY_MS
            self._connected_ns, self._active_ns, self._suspended_ns = now_ns, 0, 0
        self._settle()

    def _settle(self) -> None:
        """Let the device sleep when it has been idle for long enough, or wake it."""
        if self._wakeup is not None:
            self._wakeup.cancel()
            self._wakeup = None
        state = self._device.state
        self.is_watching = state is UsbState.CONFIGURED and self.may_sleep
        if self.is_watching:
            due_ns = max(self.busy_ns + self.delay_ms * _MS, self._timeline.now_ns)
            self._wakeup = self._timeline.call_at(due_ns, self._maybe_sleep)
        elif state is UsbState.SUSPENDED and not self.may_sleep:
            self._device.resume("host")

    def _maybe_sleep(self) -> None:
        self._wakeup = None
        due_ns = self.busy_ns + self.delay_ms * _MS
        if due_ns > self._timeline.now_ns:
            self._settle()
        else:
            self._device.suspend()
