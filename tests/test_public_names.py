"""What is promised to users is there, and importing it costs nothing until it is used."""

from __future__ import annotations

import subprocess
import sys

import pytest

import hil


def test_every_promised_name_is_there_and_documented() -> None:
    assert sorted(hil._PLACES) == sorted(hil.__all__)
    for name in hil.__all__:
        assert getattr(hil, name).__doc__, name


def test_another_name_is_refused_with_the_promised_ones() -> None:
    with pytest.raises(AttributeError, match="no attribute 'Bank'; for users are Bench, BenchDescription"):
        _ = hil.Bank


def test_importing_the_package_loads_nothing_heavy() -> None:
    code = (
        "import sys, hil; sys.exit(bool({'pydantic', 'transitions', 'serial', 'typer'} & set(sys.modules)))"
    )

    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_user_s_program_drives_a_bench_by_promised_names() -> None:
    bench = hil.SimulatedBench(hil.load_bench(hil.find_bench("already-on")), ports="memory")
    revision = hil.Modem(bench).command("AT+CGMR").lines
    bench.close()

    assert revision == ("TL4-1.4.2",)
