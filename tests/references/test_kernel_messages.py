"""`/dev/kmsg` of the simulated host beside this machine's own: the same questions, the same answers.

Source: the kernel that the tests run on (kernel/printk/printk.c of its version).  What is known to differ: it
is no device to stat(2), and a record that is longer than the buffer is not passed over.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from hil.scripts.kept import KeptScripts

QUESTIONS = """
import errno, os, re, select

def ask(what, call):
    try:
        print(what, call())
    except OSError as error:
        print(what, errno.errorcode[error.errno])

file = os.open("/dev/kmsg", os.O_RDONLY | os.O_NONBLOCK)
poll = select.poll()
poll.register(file, select.POLLIN | select.POLLRDNORM | select.POLLPRI)
ask("poll at the beginning:", lambda: [events for _, events in poll.poll(0)])
ask("a short buffer:", lambda: os.read(os.open("/dev/kmsg", os.O_RDONLY), 2))
record = os.read(file, 8192)
print("a record:", bool(re.fullmatch(rb"\\d+,\\d+,\\d+,\\S+;[^\\n]*\\n( [^\\n]*\\n)*", record)))
print("the next one is another:", os.read(file, 8192) != record)
os.lseek(file, 0, os.SEEK_END)
ask("poll at the end:", lambda: poll.poll(0))
ask("select at the end:", lambda: select.select([file], [], [], 0)[0])
ask("a read at the end:", lambda: os.read(file, 8192))
os.lseek(file, 0, os.SEEK_SET)
print("the first again:", os.read(file, 8192) == record)
os.lseek(file, 0, os.SEEK_DATA)
ask("poll after what was cleared:", lambda: [events for _, events in poll.poll(0)])
print("size:", os.fstat(file).st_size)
"""


def _own() -> str:
    """This machine's answers, at an instant at which its kernel says nothing."""
    said = ""
    for _ in range(10):
        command = [sys.executable, "-c", QUESTIONS]
        said = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        if "poll at the end: []" in said:
            break
    return said


@pytest.mark.skipif(not os.access("/dev/kmsg", os.R_OK), reason="this user may not read /dev/kmsg here")
def test_the_file_answers_as_this_machine_s_own_does(tmp_path: Path) -> None:
    (tmp_path / "questions.py").write_text(QUESTIONS)
    own = _own()
    with KeptScripts() as kept:
        made = kept.run(["python3", "questions.py"], bench="already-on", folder=tmp_path)

    assert made.stdout.decode().splitlines() == own.splitlines()
