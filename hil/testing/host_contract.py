"""What every `HostDriver` keeps."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .broken import tells_what_broke

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from hil.bench.drivers.contracts import HostDriver


class HostContract:
    """Inherit as `Test…`; provide `host`, made with the part "host", and *break_it*: the connection is cut.

    Files written there are looked at below *tmp_path*, which has to be on that host.
    """

    def test_status_and_output_come_back(self, host: HostDriver) -> None:
        assert host.run("printf 'a\\nb\\n'; (exit 7)", timeout_s=10) == (
            7,
            b"a\nb\n",
        )
        assert host.run("echo error >&2", timeout_s=10) == (0, b"error\n")
        assert host.run("true", timeout_s=10) == (0, b"")

    def test_commands_of_several_lines_and_odd_characters_arrive(self, host: HostDriver) -> None:
        command = "for one in 1 2\ndo printf '%s;' \"$one\"\ndone\nprintf '%s' '$HOME \"*\" \\\\'"

        assert host.run(command, timeout_s=10) == (0, b'1;2;$HOME "*" \\\\')

    def test_the_shell_stays_the_same(self, host: HostDriver) -> None:
        host.run("kept=5", timeout_s=10)

        assert host.run('echo "$kept"', timeout_s=10).output == b"5\n"

    def test_much_output_comes_whole(self, host: HostDriver) -> None:
        found = host.run("seq 1 5000", timeout_s=20)

        assert found.output.split() == [str(number).encode() for number in range(1, 5001)]

    def test_a_file_arrives_byte_by_byte_and_can_be_run(self, host: HostDriver, tmp_path: Path) -> None:
        data = b'#!/bin/sh\necho "$1 arrived"\nexit 3\n#' + bytes(range(256)) * 16
        path = tmp_path / "a script.sh"
        host.put(data, str(path))

        assert path.read_bytes() == data
        assert host.run(f"'{path}' it", timeout_s=10) == (3, b"it arrived\n")

    def test_a_command_that_does_not_end_is_told(self, host: HostDriver) -> None:
        tells_what_broke(lambda: host.run("sleep 30", timeout_s=0.5), part="host")

    def test_a_connection_that_is_cut_names_part_and_cure(
        self, host: HostDriver, break_it: Callable[[], None]
    ) -> None:
        assert host.check()
        break_it()

        tells_what_broke(lambda: host.run("true", timeout_s=5), part="host")

    def test_closing_may_be_done_twice(self, host: HostDriver) -> None:
        host.close()
        host.close()
