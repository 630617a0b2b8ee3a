"""However many scripts run in one kept place, nothing of them stays."""

from __future__ import annotations

import contextlib
import os
import time
from collections import Counter
from pathlib import Path

import pytest

from hil.scripts.kept import KeptScripts

from .test_apart import descendants

WARM_UP = 8
_QUIET_S = 1.0
# In all, from the middle on: in 250 scripts 16 kB for each would be as much.
_GROWTH_KB = 4000
# All ways in which a script leaves things: processes, files, ptys, exported lines, held lines, open ports.
UNTIDY = """
echo 84 >/sys/class/gpio/export; echo high >/sys/class/gpio/gpio84/direction
exec 4</sys/class/gpio/gpio84/value 5<>/dev/ttyUSB3 6</dev/kmsg
gpioset --mode=signal gpiochip0 85=1 2>/dev/null &
(sleep 1000 & sleep 2000) &
setsid sleep 3000 &
touch /tmp/file ~/file /dev/shm/file; mkfifo /tmp/pipe
printf 'AT\\r' >&5; timeout 5 head -n 1 <&5; sleep 0.01
"""


def _state(pids: list[int], folder: Path) -> dict[str, object]:
    """What processes hold: descriptors by kind (one pty is as good as another), mounts below *folder*."""
    kinds: Counter[str] = Counter()
    mounts: Counter[str] = Counter()
    for pid in pids:
        with contextlib.suppress(FileNotFoundError):  # one that is just going; it is looked at again
            for descriptor in Path(f"/proc/{pid}/fd").iterdir():
                kind = str(descriptor.readlink()).partition(":")[0].partition("/wakebench-")[0]
                kinds[kind.rstrip("0123456789")] += 1
            lines = Path(f"/proc/{pid}/mountinfo").read_text().splitlines()
            mounts.update(line.rpartition(" - ")[2].split()[0] for line in lines if str(folder) in line)
    return {"processes": len(pids), "descriptors": kinds, "mounts": mounts}


def _resident_kb(pids: list[int]) -> int:
    """The memory of those that last; a sandbox that waits is another one each time."""
    total = 0
    for pid in pids:
        folder = Path(f"/proc/{pid}")
        with contextlib.suppress(OSError):  # gone meanwhile
            if "bwrap" not in (folder / "comm").read_text():
                lines = (folder / "status").read_text().splitlines()
                total += sum(int(line.split()[1]) for line in lines if line.startswith("VmRSS"))
    return total


@pytest.mark.slow
def test_many_scripts_in_one_kept_place_leave_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    time.sleep(_QUIET_S)  # a fixture that lives as long as the session may be getting ready for its next run
    others = set(descendants(os.getpid()))
    count = int(os.environ.get("WAKEBENCH_SCRIPTS", "8"))  # ci/nightly: 500
    with KeptScripts() as kept:

        def run() -> None:
            result = kept.run(["sh", "-c", UNTIDY], bench="already-on", folder=Path("/usr"))
            assert result.status == 0, result

        for _ in range(WARM_UP):
            run()
        time.sleep(_QUIET_S)  # what gets ready for the next run is ready
        pids = descendants(os.getpid())
        before, folders = _state(pids, tmp_path), len(list(tmp_path.rglob("*")))
        for _ in range(count // 2):
            run()
        resident_kb = _resident_kb(pids)  # what is kept for the next run has been made by then
        for _ in range(count - count // 2):
            run()
        deadline = time.monotonic() + 10
        while _state(pids := descendants(os.getpid()), tmp_path) != before and time.monotonic() < deadline:
            time.sleep(0.1)

        assert _state(pids, tmp_path) == before
        assert len(list(tmp_path.rglob("*"))) == folders
        assert _resident_kb(pids) - resident_kb < _GROWTH_KB
    assert set(descendants(os.getpid())) <= others
