"""Every test of a suite begins with the module off, unless it says otherwise."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from hil.modem import Modem


@pytest.fixture
def modem_off(modem: Modem) -> Modem:
    """The modem, off for longer than its dead window."""
    modem.make_off()
    return modem


@pytest.fixture
def modem_ready(modem: Modem) -> Modem:
    """The modem, answering AT."""
    modem.make_ready()
    return modem


@pytest.fixture
def modem_registered(modem_ready: Modem) -> Modem:
    """The modem, registered with the network."""
    modem_ready.make_registered()
    return modem_ready
