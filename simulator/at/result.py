"""Replies and result codes in, their bytes under V, Q, S3 and S4 out (ITU-T V.250 5.7, tables 1 and 3)."""

from __future__ import annotations

import re
from enum import Enum
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from .errors import CME, CMS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from .session import Session

# The name in front of information text; what else has a colon is content.
_NAMED: Final = re.compile(r"^(\S[A-Z]+): ")


class Result(Enum):
    """Result codes with their numeric form (V.250 table 1; 5 does not exist there)."""

    OK = 0
    CONNECT = 1
    RING = 2
    NO_CARRIER = 3
    ERROR = 4
    NO_DIALTONE = 6
    BUSY = 7
    NO_ANSWER = 8

    @property
    def words(self) -> str:
        """The verbose form."""
        return self.name.replace("_", " ")


def information(session: Session, lines: Sequence[str]) -> bytes:
    """The information text of one command; sent also under Q1 (V.250 6.2.5)."""
    if session.quiet and session.quirks.quiet_hides_information:
        return b""
    end = session.line_end
    if session.quirks.no_space_after_colon:
        lines = [_NAMED.sub(r"\1:", line, count=1) for line in lines]
    text = end.join(lines)
    return (f"{end}{text}{end}" if session.verbose else f"{text}{end}").encode("latin-1", "replace")


def ok(session: Session) -> bytes:
    """The result that nearly every line ends with."""
    return b"" if session.quiet else _formatted("OK", session.verbose, session.line_end, session.numeric_end)


def result(session: Session, code: Result) -> bytes:
    """A basic result code; nothing under Q1."""
    if session.quiet:
        return b""
    return _formatted(code.name, session.verbose, session.line_end, session.numeric_end)


@lru_cache(maxsize=128)
def _formatted(name: str, verbose: bool, line_end: str, numeric_end: str) -> bytes:
    """The bytes of one result code; every command line ends with one, so they are kept."""
    code = Result[name]
    text = f"{line_end}{code.words}{line_end}" if verbose else f"{code.value}{numeric_end}"
    return text.encode("latin-1")


def extended_result(session: Session, text: str) -> bytes:
    """An extended result code such as an unsolicited line: in words under V0 too (V.250 5.4.4)."""
    if session.quiet and not session.quirks.unsolicited_in_quiet:
        return b""
    if session.verbose:
        return f"{session.line_end}{text}{session.line_end}".encode("latin-1", "replace")
    return f"{text}{session.numeric_end}".encode("latin-1", "replace")


def error(session: Session, cme: int | None) -> bytes:
    """The final result of a command that failed.

    +CME ERROR is the same under V0 and V1 (3GPP TS 07.07 R98 9.2); under +CMEE=0 it is a plain ERROR.
    """
    if cme is None or session.error_level == 0:
        return result(session, Result.ERROR)
    if session.quiet:
        return b""
    text = str(cme) if session.error_level == 1 else CME.get(cme, CME[100])
    header = "" if session.quirks.cme_follows_verbose and not session.verbose else session.line_end
    return f"{header}+CME ERROR: {text}{session.line_end}".encode("latin-1")


def message_error(session: Session, cms: int) -> bytes:
    """The final result of a message command that failed (3GPP TS 27.005 3.2.5).

    In words under +CMEE=2, else as a number: +CMEE=0 hides +CME ERROR alone (common practice, no source).
    """
    if session.error_level == 0 and session.quirks.cms_follows_error_level:
        return result(session, Result.ERROR)
    if session.quiet:
        return b""
    text = CMS.get(cms, CMS[500]) if session.error_level == 2 else str(cms)  # noqa: PLR2004 # in words
    header = "" if session.quirks.cme_follows_verbose and not session.verbose else session.line_end
    return f"{header}+CMS ERROR: {text}{session.line_end}".encode("latin-1")
