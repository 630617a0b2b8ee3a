"""The explanations that the README gives are those that are looked for."""

from __future__ import annotations

import re
from pathlib import Path

from hil.recording.comparison import Difference

from .explained import EXPLANATIONS, explain

README = Path(__file__).with_name("README.md")


def test_the_readme_tells_each_explanation_in_its_order() -> None:
    told = re.findall(r"^- \*\*(\w+)\*\*: ", README.read_text(encoding="utf-8"), re.MULTILINE)

    assert told == [each.name for each in EXPLANATIONS]


def test_a_message_s_reference_is_explained_and_its_text_is_not() -> None:
    def heard(reference: int, text: str) -> str:
        return f"heard '+CMGS: {reference}\\r\\n\\r\\nOK\\r\\n+CMGR: {text}'"

    reference = Difference("text", "port/at", heard(4, "31"), heard(1, "31"))
    text = Difference("text", "port/at", heard(4, "31"), heard(4, "32"))

    assert explain("test_messages-test_x", reference) == "memory"
    assert explain("test_messages-test_x", text) is None


def test_another_reply_and_another_order_are_not_explained() -> None:
    reply = Difference("text", "port/at", "heard '\\r\\nOK\\r\\n'", "heard '\\r\\nERROR\\r\\n'")
    order = Difference("order", "header/16", "level 1", "level 1", 0, 1)
    time = Difference("time", "header/16", "level 0 0.700 s after level 1", "level 0 3.700 s after level 1")

    assert [explain("test_power_key-test_x", each) for each in (reply, order, time)] == [None] * 3
