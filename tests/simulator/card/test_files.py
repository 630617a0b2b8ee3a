"""The card's files: bytes, status words, who may read and write."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from simulator.card.files import AD, FPLMN, ICCID, IMSI, SPN, Instruction, Request, access
from simulator.model import Model

Build = Callable[..., Model]


@pytest.fixture
def model(build: Build) -> Model:
    """A card without PIN, with a name and a forbidden network."""
    return build(
        start={"module": "ready"},
        card={"pin_enabled": False, "provider": "Ashbeck", "forbidden_plmns": ["00102", "001003"]},
    )


def read(model: Model, file: int, length: int, place: int = 0) -> tuple[int, str]:
    answer = access(
        model.card, Request(instruction=Instruction.READ_BINARY, file=file, place=place, length=length)
    )
    return answer.sw, answer.data.hex()


@pytest.mark.parametrize(
    ("file", "length", "expected"),
    [
        # ITU-T E.118 and TS 102 221 13.2: pairs of digits swapped, filled with F.
        (ICCID, 10, "989909000000000021f1"),
        # TS 31.102 4.2.2: length 8, then 9 for an odd number of digits: 001010123456789.
        (IMSI, 9, "080910101032547698"),
        # TS 31.102 4.2.12: display condition, then the name.
        (SPN, 17, "01" + b"Ashbeck".hex() + "ff" * 9),
        # TS 31.102 4.2.18: the fourth byte is the length of the MNC.
        (AD, 4, "00000002"),
        # TS 31.102 4.2.16, TS 24.008 10.5.1.13: 001/02 is 00 F1 20, 001/003 is 00 31 00.
        (FPLMN, 12, "00f120003100" + "ff" * 6),
    ],
)
def test_a_file_holds_what_the_standard_says(model: Model, file: int, length: int, expected: str) -> None:
    assert read(model, file, length) == (0x9000, expected)


def test_a_part_is_read_from_its_place(model: Model) -> None:
    assert read(model, ICCID, 2, place=8) == (0x9000, "21f1")


@pytest.mark.parametrize(
    ("request_", "status"),
    [
        (Request(instruction=176, file=ICCID, place=0, length=11), 0x6C0A),
        (Request(instruction=176, file=ICCID, place=0, length=0), 0x6C0A),
        (Request(instruction=176, file=ICCID, place=10, length=1), 0x6B00),
        (Request(instruction=176, file=0x6F99, place=0, length=1), 0x6A82),
        (Request(instruction=178, file=ICCID, place=1, length=10), 0x6D00),
        (Request(instruction=214, file=ICCID, place=0, length=1, data=b"\0"), 0x6982),
        (Request(instruction=214, file=FPLMN, place=0, length=3, data=b"\0"), 0x6700),
        (Request(instruction=214, file=FPLMN, place=11, length=3, data=b"\0\0\0"), 0x6700),
    ],
)
def test_what_cannot_be_done_has_its_status_word(model: Model, request_: Request, status: int) -> None:
    # ETSI TS 102 221 10.2.1 (from memory).
    assert access(model.card, request_).sw == status


def test_a_file_behind_the_pin_stays_closed_until_it_is_entered(build: Build) -> None:
    model = build(start={"module": "ready"})

    assert read(model, IMSI, 9)[0] == 0x6982
    assert read(model, ICCID, 10)[0] == 0x9000


def test_a_card_without_a_name_lacks_the_file(build: Build) -> None:
    assert read(build(start={"module": "ready"}), SPN, 17)[0] == 0x6A82


def test_clearing_the_list_of_forbidden_networks_brings_the_module_back(build: Build) -> None:
    model = build(start={"module": "ready"}, card={"pin_enabled": False, "forbidden_plmns": ["00101"]})
    model.timeline.run_until(60 * 10**9)
    before = model.registration.is_registered
    cleared = access(
        model.card,
        Request(instruction=Instruction.UPDATE_BINARY, file=FPLMN, place=0, length=12, data=b"\xff" * 12),
    )
    model.timeline.run_until(120 * 10**9)

    assert (before, cleared.sw, model.registration.is_registered) == (False, 0x9000, True)


def test_the_size_of_a_file_is_told(model: Model) -> None:
    answer = access(model.card, Request(instruction=Instruction.GET_RESPONSE, file=ICCID, place=0, length=0))

    assert answer.data.hex() == "620c" + "82024121" + "83022fe2" + "8002000a"
