"""The comfort above the bench: presses only on proof of off, bounded waits, whose fault a silence is."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from hil.bench.simulated.bench import SimulatedBench
from hil.errors import (
    BenchUnfitError,
    CommandFailedError,
    NoReplyError,
    NotReachedError,
    PartMissingError,
    PortMissingError,
    UsageError,
)
from hil.modem import Modem

Open = Callable[..., Modem]


@pytest.fixture
def open_modem(describe: Callable[..., Any]) -> Iterator[Open]:
    """A modem on a demo bench with changes, its ports in memory."""
    benches: list[SimulatedBench] = []

    def open_modem(name: str = "gauge-station", **overrides: Any) -> Modem:  # noqa: ANN401 # any table
        benches.append(SimulatedBench(describe(name, **overrides), ports="memory"))
        return Modem(benches[-1])

    yield open_modem
    for bench in benches:
        bench.close()


def presses(modem: Modem) -> int:
    return len(modem.bench.recording.pulses("header/16", True))


@pytest.mark.parametrize("name", ["gauge-station", "upper-station"])
@pytest.mark.parametrize(("start", "pressed"), [("off", 1), ("booting", 0), ("ready", 0), ("stopping", 1)])
def test_make_ready_presses_on_proof_of_off_only(
    open_modem: Open, name: str, start: str, pressed: int
) -> None:
    modem = open_modem(name, start={"module": start})
    if start == "stopping":
        modem.wait_off()
        modem.bench.clock.wait(3)
    modem.make_ready()

    assert modem.command("AT").is_ok
    assert presses(modem) == pressed


@pytest.mark.parametrize("name", ["gauge-station", "upper-station"])
@pytest.mark.parametrize(("start", "pressed"), [("off", 0), ("booting", 1), ("ready", 1)])
def test_make_off_from_any_state(open_modem: Open, name: str, start: str, pressed: int) -> None:
    modem = open_modem(name, start={"module": start})
    modem.make_off()

    assert not modem.is_on()
    assert presses(modem) == pressed


def test_a_silent_module_is_the_product_s_fault_on_a_fit_bench(open_modem: Open) -> None:
    modem = open_modem(start={"module": "dead"})

    with pytest.raises(PortMissingError, match="check key and supply first"):
        modem.start()


def test_a_silence_on_a_bench_that_is_not_fit_is_the_bench_s_fault(
    open_modem: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    modem = open_modem(start={"module": "ready"})
    modem.command("AT")
    modem.bench.model.at.channels["at"].close()  # type: ignore[attr-defined] # the module falls silent
    with pytest.raises(NoReplyError):
        modem.command("AT", timeout_s=1)

    def unfit() -> None:
        raise BenchUnfitError(part="adaptor", reason="gone", cure="plug it in")

    monkeypatch.setattr(modem.bench.health, "check", unfit)
    with pytest.raises(BenchUnfitError):
        modem.command("AT", timeout_s=1)


def test_a_refused_command_is_told_unless_any_result_will_do(open_modem: Open) -> None:
    modem = open_modem(start={"module": "ready"})

    with pytest.raises(CommandFailedError, match=r"'AT\+NOSUCH' was answered with 'ERROR'"):
        modem.command("AT+NOSUCH")
    assert modem.command("AT+NOSUCH", demand_ok=False).result == "ERROR"


def test_from_ready_to_registered_the_pin_is_entered_once(open_modem: Open) -> None:
    modem = open_modem(start={"module": "ready"})
    modem.make_registered()
    modem.make_registered()

    assert modem.bench.recording.text("port/at", "to_module").count(b"AT+CPIN=") == 1


def test_the_last_try_of_a_pin_is_never_spent(open_modem: Open) -> None:
    modem = open_modem(start={"module": "ready"}, card={"pin_tries": 1})

    with pytest.raises(NotReachedError, match="1 tries left"):
        modem.unlock_card()
    assert b"AT+CPIN=" not in modem.bench.recording.text("port/at", "to_module")


def test_registration_that_does_not_come_is_told_with_the_wait(open_modem: Open) -> None:
    modem = open_modem(start={"module": "ready"}, network={"present": False})
    modem.unlock_card()

    with pytest.raises(NotReachedError, match=r"expected registered within 5\.000 s"):
        modem.wait_registered(timeout_s=5)


def test_a_bench_without_a_way_to_the_key_says_so(open_modem: Open) -> None:
    modem = open_modem("key-on-rail")

    with pytest.raises(PartMissingError, match="header:power_key: no header pin reaches it"):
        modem.press(1)
    assert "header:power_key" not in modem.bench.parts


def test_a_wrong_setting_of_the_surroundings_names_the_known_ones(open_modem: Open) -> None:
    with pytest.raises(
        UsageError, match=r"surroundings\.network\.level: .*; known are plmn, operator, .*rsrp_dbm"
    ):
        open_modem().bench.surroundings.move("network", level=5)


def test_unsolicited_lines_are_listened_to(open_modem: Open) -> None:
    modem = open_modem(start={"module": "ready"})
    modem.command("AT+CREG=1")
    modem.unlock_card()

    assert modem.listen(30) == ["+CREG: 2", "+CREG: 1"]
