"""Every test of a suite begins with the module off, unless it says otherwise."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from hil.bench.interface import Bench
    from hil.modem import Modem
    from hil.verbatim import Verbatim


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


@pytest.fixture
def verbatim(modem_ready: Modem, bench: Bench) -> Iterator[Verbatim]:
    """The bytes of the AT port of a module that is ready, echo off."""
    from hil.verbatim import Verbatim

    modem_ready.close()
    found = Verbatim(bench)
    found.ask(b"ATE0\r")
    yield found
    found.close()
