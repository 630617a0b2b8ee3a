"""Public example PDUs through our codec and two decoders that are not ours, and our PDUs through theirs.

The PDUs are widely copied tutorial examples and test data of PyPI projects; `message_pdus.json` names the
origin of each beside what it says.  smspdudecoder (MIT) decodes SMS-DELIVER and SMS-SUBMIT; python-messaging
(GPL, so run as a program of its own) decodes SMS-DELIVER and SMS-STATUS-REPORT.
"""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from smspdudecoder.easy import read_incoming_sms, read_outgoing_sms

from simulator.codec.addresses import Address
from simulator.codec.message_pdu import MessagePdu, read_pdu
from simulator.codec.times import stamp_text
from simulator.codec.tpdu import (
    LOOPED,
    REJECT_DUPLICATES,
    REPORT,
    Deliver,
    StatusReport,
    Submit,
    decode_from_phone,
    decode_to_phone,
)
from simulator.codec.user_data import parts

EXAMPLES = json.loads(Path(__file__).with_name("message_pdus.json").read_text(encoding="utf-8"))

_DECODE_APART = """
import json, sys
from messaging.sms import SmsDeliver
keep = lambda value: value.isoformat() if hasattr(value, "isoformat") else value
for pdu in json.load(sys.stdin):
    data = SmsDeliver(pdu).data
    report = data.get("sr") or {}
    fields = {name: keep(data[name]) for name in ("text", "number", "csca", "date")}
    fields |= {"report": {name: keep(value) for name, value in report.items()}, "ref": data.get("ref")}
    fields |= {"cnt": data.get("cnt"), "seq": data.get("seq")}
    print(json.dumps(fields))
"""


def decoded_apart(pdus: list[str]) -> list[dict[str, Any]]:
    """What python-messaging reads in *pdus*."""
    command = [sys.executable, "-W", "ignore", "-c", _DECODE_APART]
    result = subprocess.run(command, input=json.dumps(pdus), check=True, capture_output=True, text=True)
    return [json.loads(line) for line in result.stdout.splitlines()]


def ids(example: dict[str, Any]) -> str:
    return str(example["name"])


def test_there_are_seventeen() -> None:
    assert len(EXAMPLES) == 17
    assert {example["type"] for example in EXAMPLES} == {"DELIVER", "SUBMIT", "STATUS-REPORT"}


@pytest.mark.parametrize("example", EXAMPLES, ids=ids)
def test_our_codec_reads_the_example(example: dict[str, Any]) -> None:
    pdu = read_pdu(example["pdu"], length=example["tpdu"])
    decode = decode_from_phone if example["type"] == "SUBMIT" else decode_to_phone
    message = decode(pdu.tpdu)

    assert pdu.text == example["pdu"]
    assert (pdu.centre.text if pdu.centre else None) == example["smsc"]
    if isinstance(message, StatusReport):
        assert (message.recipient.text, message.reference) == (example["number"], example["mr"])
        assert stamp_text(message.stamp) == example["scts"]
        assert stamp_text(message.discharge) == example["dt"]
        assert message.status == example["st"]
        return
    assert isinstance(message, Deliver | Submit)
    assert (message.data.text, message.dcs) == (example["text"], example["dcs"])
    place = message.data.place
    assert (place and [place.reference, place.total, place.number]) == example.get("concat")
    if isinstance(message, Deliver):
        assert message.sender.text == example["number"]
        # The first example has the sign bit set on a zone of zero, which is no other zone.
        assert stamp_text(message.stamp) == example["scts"].replace("-00", "+00")
        return
    assert (message.recipient.text, message.reference) == (example["number"], example["mr"])
    assert bool(message.flags & REJECT_DUPLICATES) is example.get("rd", False)
    assert bool(message.flags & REPORT) is example.get("srr", False)
    if "vp_s" in example:
        span = message.span(datetime.now(timezone.utc))  # noqa: UP017 # relative, so any instant serves
        assert span == timedelta(seconds=example["vp_s"])
    if "vp_abs" in example:
        now = datetime(2013, 7, 10, 13, 39, tzinfo=timezone(timedelta(hours=2)))
        assert message.span(now) == timedelta()
        assert example["vp_abs"] == stamp_text(now)


@pytest.mark.parametrize("example", [one for one in EXAMPLES if one["type"] != "STATUS-REPORT"], ids=ids)
def test_smspdudecoder_reads_in_the_example_what_we_read(example: dict[str, Any]) -> None:
    if example["type"] == "SUBMIT":
        theirs = read_outgoing_sms(example["pdu"])
        if example["dcs"] == 4:
            theirs["content"] = theirs["content"].decode("latin-1")  # octets as octets
        assert (theirs["recipient"], theirs["content"]) == (example["number"], example["text"])
        return
    theirs = read_incoming_sms(example["pdu"])
    ours = decode_to_phone(read_pdu(example["pdu"]).tpdu)

    assert (theirs["sender"], theirs["content"]) == (example["number"], example["text"])
    assert isinstance(ours, Deliver)
    # It reads the year 99 as 2099.
    assert theirs["date"].replace(year=ours.stamp.year) == ours.stamp


def test_python_messaging_reads_in_the_examples_what_we_read() -> None:
    examples = [one for one in EXAMPLES if one["type"] != "SUBMIT"]
    for example, theirs in zip(examples, decoded_apart([one["pdu"] for one in examples]), strict=True):
        ours = decode_to_phone(read_pdu(example["pdu"]).tpdu)
        if isinstance(ours, StatusReport):
            # It gives local times, without their zone.
            stamps = {"scts": ours.stamp, "dt": ours.discharge}
            expected = {name: stamp.replace(tzinfo=None).isoformat() for name, stamp in stamps.items()}
            assert theirs["report"] == {"recipient": example["number"], "status": 0, **expected}
            assert theirs["ref"] == example["mr"]
        else:
            assert (theirs["text"], theirs["number"]) == (example["text"], example["number"])
            assert theirs["csca"] == example["smsc"]
            if "concat" in example:
                assert [theirs["ref"], theirs["cnt"], theirs["seq"]] == example["concat"]


# Not among them: a part that leaves seven bits of its last octet, which smspdudecoder shows as one more "@".
TEXTS = (
    "hellohello",
    "@{tést}! €",
    "Pegel 4,2 m ✓ 水位",
    "a" * 160,
    "b" * 161,
    "[" * 60 + "a" * 50,
    "ж" * 71,
)


def test_both_read_what_we_write() -> None:
    centre = Address.of("+447700900000")
    stamp = datetime(2026, 1, 15, 6, 0, tzinfo=timezone(timedelta(hours=1)))
    written = [
        Deliver(
            sender=Address.of("+447700900123"),
            stamp=stamp,
            data=data,
            dcs=4 * data.alphabet.value,
            flags=LOOPED,
        )
        for text in TEXTS
        for data in parts(text, reference=7)
    ]
    pdus = [MessagePdu(centre, message.encode()).text for message in written]

    assert len(pdus) > len(TEXTS)
    for message, pdu, second in zip(written, pdus, decoded_apart(pdus), strict=True):
        first = read_incoming_sms(pdu)
        assert first["content"] == second["text"] == message.data.text
        assert first["sender"] == second["number"] == "+447700900123"
        assert first["date"] == stamp
        place = message.data.place
        if place is not None:
            assert (first["partial"]["parts_count"], first["partial"]["part_number"]) == (
                place.total,
                place.number,
            )
            assert (second["ref"], second["cnt"], second["seq"]) == (7, place.total, place.number)
    for message in written:
        submit = Submit(recipient=Address.of("+447700900123"), data=message.data, dcs=message.dcs)
        theirs = read_outgoing_sms(MessagePdu(None, submit.encode()).text)
        assert theirs == {"recipient": "+447700900123", "content": message.data.text}
