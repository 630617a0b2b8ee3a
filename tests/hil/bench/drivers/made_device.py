"""A USB device on a made tree: what drivers of either kind write to it is what the kernel would be told."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from hil.testing import UsbContract


class MadeDevice(UsbContract):
    """Provide `device`, the folder of its files, beside what the contract wants of a driver."""

    @pytest.fixture
    def power(self, device: Path) -> Callable[[], tuple[str, str]]:
        names = ("power/control", "power/autosuspend_delay_ms")
        return lambda: tuple((device / name).read_text().strip() for name in names)  # type: ignore[return-value] # two

    @pytest.fixture
    def cycles(self, monkeypatch: pytest.MonkeyPatch) -> Callable[[], int]:
        written: list[str] = []
        write = Path.write_text

        def noted(path: Path, text: str) -> int:
            if path.name == "authorized":
                written.append(text.strip())
            return write(path, text)

        monkeypatch.setattr(Path, "write_text", noted)
        return lambda: "".join(written).count("01")
