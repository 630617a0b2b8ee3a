"""The gpiod drivers with the real binding (libgpiod 2, from PyPI) on the simulated host's character device.

The binding and libgpiod within it are not ours; the device's ioctls are answered by the script supervisor.
No kernel with real lines was at hand.
"""

from __future__ import annotations

import importlib.util
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from hil.scripts.kept import KeptScripts

TOP = Path(__file__).parents[2]
# What sees the compiled parts of packages: the interpreter that the tests run under, outside its environment.
PYTHON = str(Path(sys.executable).resolve())
NEEDED = ("gpiod", "pydantic", "pydantic_core", "annotated_types", "typing_inspection", "typing_extensions")

PROGRAM = """
import time
from hil.bench.drivers.gpiod_line import GpiodLine, GpiodOptions
from hil.bench.drivers.gpiod_sense import GpiodSense
from hil.errors import BenchUnfitError

key = GpiodLine(GpiodOptions(line="MODEM_KEY"), "header pin 16")
sense = GpiodSense(GpiodOptions(line=86), "sense input 22")
print(key.check())
key.drive(True)
print(key.read())
time.sleep(0.5)
key.drive(False)
time.sleep(0.25)
for options in ({"line": 84}, {"line": 999}, {"line": "NO_SUCH"}, {"chip": "/dev/none", "line": 1}):
    try:
        GpiodLine(GpiodOptions(**options), "header pin 16")
    except BenchUnfitError as error:
        print(error)
time.sleep(30)
now_ns = time.monotonic_ns()
edges = sense.edges()
print([edge.level for edge in edges], sense.level(), sense.edges())
print(now_ns - edges[0].t_ns)
key.drive(True)
key.release()
key.close()
key.close()
sense.close()
GpiodLine(GpiodOptions(line=84), "header pin 16").close()
print("free again")
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The program, and all that it imports."""
    for name in NEEDED:
        spec = importlib.util.find_spec(name)
        assert spec is not None
        assert spec.origin is not None
        origin = Path(spec.origin)
        if origin.name == "__init__.py":
            shutil.copytree(origin.parent, tmp_path / name)
        else:
            shutil.copy(origin, tmp_path)
    for name in ("hil", "simulator"):
        shutil.copytree(TOP / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))
    (tmp_path / "program.py").write_text(PROGRAM)
    return tmp_path


@pytest.fixture
def kept() -> Iterator[KeptScripts]:
    with KeptScripts() as place:
        yield place


@pytest.mark.slow
def test_the_drivers_press_and_sense_and_meet_busy_and_missing_lines(kept: KeptScripts, folder: Path) -> None:
    result = kept.run(
        [PYTHON, "program.py"],
        bench="upper-station",
        folder=folder,
        environment=[f"PYTHONPATH={folder}"],
        limit_s=120,
    )
    pulses = result.recording.pulses("header/16", True)
    [status] = [event.t_ns for event in result.recording.on("header/22", "level") if event.more["value"] == 1]

    assert result.status == 0, result
    assert pulses[0].width_ns == 500_000_000
    check, read, busy, *missing, sensed, age, free = result.stdout.decode().splitlines()
    assert (check, read, free) == ("line MODEM_KEY of /dev/gpiochip0 reads low", "True", "free again")
    fits = "the bench is not fit: header pin 16: line"
    assert busy == f"{fits} 84 of /dev/gpiochip0 is in use; end the program that holds it, or name another"
    assert missing == [
        f"{fits} 999 of /dev/gpiochip0: line offset of out range; look at what gpioinfo lists",
        f"{fits} NO_SUCH of /dev/gpiochip0 is not there; plug it in, or mend its name in the bench file",
        f"{fits} 1 of /dev/none is not there; plug it in, or mend its name in the bench file",
    ]
    assert sensed == "[True] True []"
    assert int(age) == 30_750_000_000 - status
