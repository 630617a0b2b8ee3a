"""gammu, unmodified and at virtual pace, sends messages to itself, lists, reads and deletes them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hil.scripts.kept import KeptScripts

# 300 characters are two parts; the other text needs UCS2.
LONG = ("Gauge 7 of the Ashbeck River Watch reports 4.2 m and rising. " * 5)[:299] + "."
UCS2 = "Pegel 4,2 m ✓ 水位"

SCRIPT = """
set -eu
export LC_ALL=C.UTF-8
g() { gammu -c "$PWD/gammurc" "$@"; }
sleep 30
g getsmsc
g sendsms TEXT +447700900123 -len 300 -text "$1"
g sendsms TEXT +447700900123 -unicode -text "$2"
sleep 20
echo == all; g getallsms
echo == each; g geteachsms
echo == one; g getsms 1 3
g deletesms 1 1 3
echo == left; g getallsms
"""


@pytest.mark.slow
def test_gammu_sends_lists_reads_and_deletes_its_own_messages(tmp_path: Path) -> None:
    (tmp_path / "gammurc").write_text("[gammu]\ndevice = /dev/ttyUSB3\nconnection = at115200\n")
    (tmp_path / "messages.sh").write_text(SCRIPT)
    with KeptScripts() as kept:
        result = kept.run(
            ["sh", "messages.sh", LONG, UCS2],
            bench="gauge-station",
            overrides={"start": {"module": "ready"}, "card": {"pin": None}},
            folder=tmp_path,
        )
    output = result.stdout.decode()
    sent, listed, whole, one, left = re.split(r"== \w+\n", output)
    accepted = [
        e for e in result.recording if e.lane == "surroundings/service_centre" and e.what == "accepted"
    ]

    assert result.status == 0, (output, result.stderr)
    assert result.is_exact
    assert re.search(r'Number +: "\+447700900000"', sent)
    assert re.findall(r"message reference=(\d+)", sent) == ["1", "2", "3"]
    assert len(accepted) == 3
    assert "3 SMS parts in 3 SMS sequences" in listed
    assert re.findall(r"part (\d) of (\d)", listed) == [("1", "2"), ("2", "2")]
    assert "3 SMS parts in 2 SMS sequences" in whole
    assert LONG in whole.replace("\n", "")
    assert UCS2 in whole
    assert UCS2 in one
    assert re.findall(r"Status +: (\w+)", listed + whole + one) == ["UnRead"] * 3 + ["Read"] * 3
    assert re.findall(r"Remote number +: (\S+)", listed) == ['"+447700900123"'] * 3
    assert "0 SMS parts in 0 SMS sequences" in left
