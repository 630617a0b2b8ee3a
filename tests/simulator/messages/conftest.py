"""A phone that is registered, and its service centre."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from simulator.card.card import CardState
from simulator.codec.addresses import Address
from simulator.codec.tpdu import REPORT, Submit
from simulator.codec.user_data import UserData
from simulator.kernel.recorder import Event
from simulator.kernel.timeline import ns
from simulator.messages.messages import Sent
from simulator.messages.routing import Routing
from simulator.model import Model

OWN, OTHER = "+447700900123", "+447700900999"


class Station:
    """A registered module; `look` gives the events about messages since the last look."""

    def __init__(self, model: Model) -> None:
        self.model = model
        self.messages, self.centre = model.messages, model.service_centre
        self.routing = Routing(mode=2, messages=1, reports=2)
        self.messages.routings = lambda: (self.routing,)
        if model.card.state is CardState.PIN:
            model.card.enter_pin("1234")
        self.later(60)
        self.look()

    def later(self, seconds: float) -> None:
        self.model.timeline.run_until(self.model.timeline.now_ns + ns(seconds))

    def look(self) -> list[Event]:
        lanes = ("module/messages", "surroundings/service_centre")
        return [event for event in self.model.recorder.take() if event.lane in lanes]

    def seen(self) -> list[str]:
        return [event.what for event in self.look()]

    def submit(self, text: str, to: str = OWN, *, flags: int = 0, **more: Any) -> bytes:  # noqa: ANN401 # any field
        data = UserData.of(text)
        dcs = 4 * data.alphabet.value
        return Submit(recipient=Address.of(to), data=data, dcs=dcs, flags=flags, **more).encode()

    def send(self, text: str, to: str = OWN, *, report: bool = False, **more: Any) -> list[Sent]:  # noqa: ANN401 # as above
        found: list[Sent] = []
        octets = self.submit(text, to, flags=REPORT if report else 0, **more)
        self.messages.send(octets, None, found.append)
        return found

    def texts(self, name: str = "SM") -> list[str]:
        return [stored.message.data.text for _, stored in self.messages.stores[name]]  # type: ignore[union-attr] # delivered


@pytest.fixture
def station(build: Callable[..., Model]) -> Callable[..., Station]:
    """A registered module; what is to be different is passed on."""

    def station(**overrides: Any) -> Station:  # noqa: ANN401 # any table
        return Station(build(**{"start": {"module": "ready"}, **overrides}))

    return station
