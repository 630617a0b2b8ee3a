"""Recordings as files: JSON Lines, the head first; a cut last line is tolerated."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from hil.errors import BadFileError, MissingFileError
from simulator.kernel.recorder import Event, encode

from .head import FORMAT, encode_head
from .query import Recording

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path


class RecordingFile:
    """A recording being written; every `add` is on its way to the disk when it returns."""

    def __init__(self, path: Path, head: Mapping[str, Any]) -> None:
        self.path = path
        self._file = path.open("w", encoding="utf-8", newline="\n")
        self._file.write(encode_head(head) + "\n")
        self._file.flush()

    def add(self, events: Iterable[Event]) -> None:
        """Append *events*."""
        self._file.writelines(f"{encode(event)}\n" for event in events)
        self._file.flush()

    def add_lines(self, lines: Iterable[str]) -> None:
        """Append events that are encoded already."""
        self._file.writelines(f"{line}\n" for line in lines)
        self._file.flush()

    def close(self) -> None:
        """The recording is complete; harmless when called again."""
        self._file.close()


def load(path: Path) -> Recording:
    """Read a recording; raises MissingFileError or BadFileError, names the line."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise MissingFileError(path=str(path), wanted="a recording", reason=str(error)) from error
    lines = text.split("\n")
    is_cut = lines[-1] != ""
    rows: list[dict[str, Any]] = []
    for number, line in enumerate(lines, 1):
        if not line:
            continue
        row = _object(line)
        if row is not None:
            rows.append(row)
        elif not (is_cut and number == len(lines)):
            raise BadFileError(
                file=str(path), key=f"line {number}", found=repr(line[:40]), allowed="one JSON object a line"
            )
    if not rows or rows[0].get("wakebench") != FORMAT:
        raise BadFileError(
            file=str(path),
            key="line 1",
            found=repr(lines[0][:40]),
            allowed=f'a head with "wakebench": {FORMAT}',
        )
    events = [
        Event(row.pop("t_ns"), row.pop("lane"), row.pop("what"), row) for row in rows[1:] if "t_ns" in row
    ]
    return Recording(rows[0], events)


def _object(line: str) -> dict[str, Any] | None:
    try:
        row = json.loads(line)
    except ValueError:
        return None
    return row if isinstance(row, dict) else None
