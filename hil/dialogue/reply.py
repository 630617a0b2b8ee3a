"""What a dialogue hands out: final replies."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

# Final results in words (V.250 table 1); CONNECT ends the dialogue as it begins data.
_FINAL: Final = re.compile(
    r"OK|ERROR|NO CARRIER|NO DIALTONE|NO ANSWER|BUSY|CONNECT(?: .*)?|\+CM[ES] ERROR: ?.*"
)
# Their numeric forms under V0; 2 (RING) is unsolicited, 5 does not exist.
_NUMERIC: Final = {
    "0": "OK",
    "1": "CONNECT",
    "3": "NO CARRIER",
    "4": "ERROR",
    "6": "NO DIALTONE",
    "7": "BUSY",
    "8": "NO ANSWER",
}
_CODE: Final = re.compile(r"\+CM[ES] ERROR: ?(\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """The answer to one command line: its information lines and its final result, in words."""

    lines: tuple[str, ...]
    result: str

    @property
    def is_ok(self) -> bool:
        """Whether the command succeeded."""
        return self.result == "OK"

    @property
    def error_code(self) -> int | None:
        """The number of a +CME or +CMS error; None for anything else."""
        found = _CODE.fullmatch(self.result)
        return int(found[1]) if found else None

    def value(self, name: str) -> str:
        """What follows `name: ` in the first line that has it; raises LookupError where none has."""
        prefix = f"{name}: "
        for line in self.lines:
            if line.startswith(prefix):
                return line[len(prefix) :]
        raise LookupError(f"no line begins with {prefix!r} in {self.lines!r}")


def final_result(line: str, *, verbose: bool) -> str | None:
    """The final result that *line* is, in words; None where it is none."""
    if _FINAL.fullmatch(line):
        return line
    return None if verbose else _NUMERIC.get(line)
