"""Imports point one way: suites -> hil -> simulator, and inside the simulator from edges to kernel."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

TOP = Path(__file__).parent.parent

# What each layer of the simulator may import, beside itself.
_SUBJECTS = {"card", "network", "messages", "packet", "calls", "position"}
LAYERS: dict[str, set[str]] = {
    "kernel": set(),
    "codec": {"kernel"},
    "board": {"kernel"},
    "module": {"kernel", "board", "codec"},
    "host": {"kernel", "board", "module", "codec"},
    "at": {"kernel", "board", "module", "codec", *_SUBJECTS},
    "profiles": set(),
    "wirings": set(),
}
LAYERS |= {subject: {"kernel", "board", "module", "codec", *_SUBJECTS} for subject in _SUBJECTS}
LAYERS["faults"] = {"at", *LAYERS["at"]}
LAYERS["model"] = {"faults", "host", *LAYERS["faults"]}  # the assembly: simulator/model.py
LAYERS["edges"] = {"model", *LAYERS["model"]}

# The same for the folders that run scripts.
SCRIPTS: dict[str, set[str]] = {
    "linux": set(),
    "gpio_device": {"linux"},
    "virtual_time": {"linux", "gpio_device"},
}

# The model is sans-I/O: only the edges may touch the outside.
OUTSIDE = {"os", "select", "serial", "socket", "threading", "time", "subprocess", "asyncio", "signal", "pty"}
OUTSIDE |= {
    "termios",
    "fcntl",
    "multiprocessing",
    "concurrent",
    "pathlib",
    "io",
    "tempfile",
    "shutil",
    "ctypes",
}
OUTSIDE |= {"inotify_simple", "mfusepy"}


def imports(text: str, package: str) -> Iterator[str]:
    """The modules that *text*, a file of *package*, imports, as absolute names."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package.split(".")[: len(package.split(".")) - node.level + 1] if node.level else []
            stem = ".".join([*base, *([node.module] if node.module else [])])
            yield stem
            yield from (f"{stem}.{alias.name}" for alias in node.names)


def violations(path: str, text: str) -> list[str]:
    """What a file at *path* (from the top of the checkout) imports against the rules."""
    parts = Path(path).with_suffix("").parts
    package = ".".join(parts[:-1])
    found = []
    for name in imports(text, package):
        root, *rest = name.split(".")
        if parts[0] == "simulator":
            layer = parts[1] if len(parts) > 1 else ""
            if root in ("hil", "suites", "tests"):
                found.append(f"{path}: imports {name}")
            if layer != "edges" and root in OUTSIDE:
                found.append(f"{path}: imports {name}, which only edges may")
            if root == "random" and layer != "kernel" and not _is_typing_only(text, "random"):
                found.append(f"{path}: imports random, which only the kernel may")
            target = rest[0] if rest else ""
            is_judged = root == "simulator" and target in LAYERS and layer in LAYERS and target != layer
            if is_judged and target not in LAYERS[layer]:
                found.append(f"{path}: {layer} imports {name}")
        elif parts[0] == "hil" and root in ("suites", "tests"):
            found.append(f"{path}: imports {name}")
        elif _breaks_the_order_of_scripts(parts, name):
            found.append(f"{path}: {parts[2]} imports {name}")
        elif parts[0] == "suites" and root == "simulator":
            found.append(f"{path}: imports {name}: a suite knows only the bench")
    return found


def _breaks_the_order_of_scripts(parts: tuple[str, ...], name: str) -> bool:
    if parts[:2] != ("hil", "scripts") or not name.startswith("hil.scripts."):
        return False
    own, target = parts[2], name.split(".")[2]
    return own in SCRIPTS and target in SCRIPTS and target not in SCRIPTS[own] | {own}


def _is_typing_only(text: str, name: str) -> bool:
    """Whether *name* is imported for annotations alone."""
    for node in ast.parse(text).body:
        if isinstance(node, ast.Import) and any(alias.name == name for alias in node.names):
            return False
    return True


def files() -> list[Path]:
    return [
        path for folder in ("simulator", "hil", "suites") for path in sorted((TOP / folder).rglob("*.py"))
    ]


def test_every_file_keeps_the_rules() -> None:
    found = [
        violation
        for path in files()
        for violation in violations(str(path.relative_to(TOP)), path.read_text(encoding="utf-8"))
    ]

    assert found == []
    assert len(files()) > 60


@pytest.mark.parametrize(
    ("path", "text"),
    [
        ("simulator/module/x.py", "import hil.errors"),
        ("simulator/module/x.py", "from hil import errors"),
        ("simulator/module/x.py", "import time"),
        ("simulator/at/x.py", "from os import path"),
        ("simulator/module/x.py", "from simulator.at import engine"),
        ("simulator/module/x.py", "from simulator.card.card import Card"),
        ("simulator/kernel/x.py", "from simulator.module.port import Port"),
        ("simulator/board/x.py", "from ..module import port"),
        ("simulator/board/x.py", "from simulator import module"),
        ("simulator/module/x.py", "import random"),
        ("simulator/codec/x.py", "from simulator.board import wiring"),
        ("simulator/at/x.py", "from simulator.edges import pacing"),
        ("simulator/at/x.py", "from simulator.model import Model"),
        ("hil/x.py", "import suites.conftest"),
        ("hil/scripts/linux/x.py", "from hil.scripts.virtual_time.tasks import Task"),
        ("hil/scripts/gpio_device/x.py", "from ..virtual_time import chains"),
        ("hil/scripts/gpio_device/x.py", "from hil.scripts import virtual_time"),
        ("suites/x.py", "from simulator.model import Model"),
        ("simulator/module/x.py", "def f():\n    import socket"),
    ],
)
def test_what_breaks_a_rule_is_found(path: str, text: str) -> None:
    assert violations(path, text)


@pytest.mark.parametrize(
    ("path", "text"),
    [
        ("simulator/edges/x.py", "import os, select\nfrom simulator.model import Model"),
        ("simulator/kernel/x.py", "import random"),
        ("simulator/at/x.py", "from simulator.card.card import Card\nfrom .grammar import parse"),
        ("hil/x.py", "import os\nfrom simulator.model import Model"),
        ("hil/scripts/virtual_time/calls/x.py", "from hil.scripts.gpio_device.answers import answer"),
        ("hil/scripts/runner.py", "from .virtual_time.supervisor import Supervisor"),
        ("suites/x.py", "from hil.modem import Modem"),
    ],
)
def test_what_keeps_the_rules_is_let_pass(path: str, text: str) -> None:
    assert violations(path, text) == []
