"""The sandbox's probe and its variables; what a script sees is in test_runner.py."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.errors import BenchUnfitError
from hil.scripts import sandbox
from hil.scripts.sandbox import passed_on, probe


def test_where_all_is_there_the_probe_says_nothing() -> None:
    probe()


def test_without_bubblewrap_the_part_and_the_cure_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nonexistent")

    with pytest.raises(
        BenchUnfitError,
        match="sandbox: there is no bwrap; install the package bubblewrap; suites .* work without",
    ):
        probe()


# What bubblewrap says where it is refused, from memory.
_REFUSED = "bwrap: setting up uid map: Permission denied"


@pytest.mark.parametrize(
    ("said", "number", "cure"),
    [
        (_REFUSED, 0, r"set kernel.apparmor_restrict_unprivileged_userns=0 by sysctl"),
        (_REFUSED, 1, r"set kernel.unprivileged_userns_clone=1 by sysctl"),
        (_REFUSED, 2, r"set user.max_user_namespaces above 0 by sysctl"),
        (_REFUSED, None, "allow this user to make user, process and network namespaces"),
        (
            "bwrap: Can't mount proc on /newroot/proc: Operation not permitted",
            0,
            "in a container: allow it to",
        ),
    ],
)
def test_where_namespaces_are_refused_cause_and_cure_are_named_in_one_line(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, said: str, number: int | None, cure: str
) -> None:
    bwrap = tmp_path / "bwrap"
    bwrap.write_text(f'#!/bin/sh\necho "{said}" >&2\nexit 1\n')
    bwrap.chmod(0o755)
    forbidding = []
    for place, (_, forbids, words) in enumerate(sandbox._FORBIDDING):
        file = tmp_path / str(place)
        file.write_text(f"{forbids if place == number else 7}\n")
        forbidding.append((str(file), forbids, words))
    monkeypatch.setattr(sandbox, "_FORBIDDING", forbidding)
    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    with pytest.raises(BenchUnfitError) as caught:
        probe()
    text = str(caught.value)

    assert f"sandbox: bwrap cannot start ({said}); {cure}" in text
    assert text.endswith("suites (`wakebench test`) and `wakebench simulate` work without it")
    assert "\n" not in text


def test_variables_are_passed_on_by_name_or_value(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("A", "1")
    monkeypatch.delenv("B", raising=False)

    assert passed_on(["A", "B", "C=x=y"]) == {"A": "1", "C": "x=y"}
