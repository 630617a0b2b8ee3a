"""What can go wrong, by whose fault it is.

    WakebenchError
    ├── UsageError      a wrong call or a bad file: the user mends it            exit 2
    ├── BenchError      the bench itself is broken: no verdict on the product    exit 3
    ├── ProductError    the thing under test failed                              exit 1
    └── Inconclusive    neither can be said                                      exit 4

Each leaf also inherits the built-in it resembles, keeps its facts as attributes and builds its text:
what was expected, what was seen, what to do.
"""

from __future__ import annotations

from difflib import get_close_matches
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable


class WakebenchError(Exception):
    """The root of all."""


class UsageError(WakebenchError):
    """Wrong use or a bad file."""


class BenchError(WakebenchError):
    """The bench is broken."""


class ProductError(WakebenchError):
    """The thing under test failed."""


class Inconclusive(WakebenchError):  # noqa: N818 # an outcome, not an error of anybody's
    """The run allows no verdict."""


class BadFileError(UsageError, ValueError):
    """A file says something that is not allowed."""

    def __init__(self, *, file: str, key: str, found: str, allowed: str) -> None:
        self.file, self.key, self.found, self.allowed = file, key, found, allowed
        place = f"{file}: {key}" if key else file
        super().__init__(f"{place}: found {found}; allowed: {allowed}")


class MissingFileError(UsageError, FileNotFoundError):
    """A file that was named is not there or cannot be read."""

    def __init__(self, *, path: str, wanted: str, reason: str = "no such file") -> None:
        self.path, self.wanted, self.reason = path, wanted, reason
        super().__init__(f"{path}: {reason}; expected {wanted}")

    def __str__(self) -> str:
        """The text alone: FileNotFoundError would print its own."""
        return str(self.args[0])


class UnknownNameError(UsageError, LookupError):
    """A name that nothing answers to."""

    def __init__(self, *, kind: str, name: str, known: Iterable[str], hint: str = "") -> None:
        self.kind, self.name, self.known = kind, name, tuple(sorted(known))
        close = get_close_matches(name, self.known, n=1)
        meant = f" (did you mean {close[0]!r}?)" if close else ""
        known_text = ", ".join(self.known) or "none"
        super().__init__(f"unknown {kind} {name!r}{meant}; known: {known_text}{hint and '; ' + hint}")


class PartMissingError(UsageError, LookupError):
    """The bench has no such part, or the wiring does not lead there."""

    def __init__(self, *, part: str, why: str = "") -> None:
        self.part, self.why = part, why
        super().__init__(f"this bench has no {part}{why and ': ' + why}")


class MissingDriverError(UsageError, ImportError):
    """A driver is known, and the library that it needs is not installed."""

    def __init__(self, *, driver: str, needs: str) -> None:
        self.driver, self.needs = driver, needs
        super().__init__(
            f"driver {driver!r} needs {needs}, which is not installed: pip install 'wakebench[hardware]'"
        )


class GuardRefusedError(UsageError, PermissionError):
    """A guard let something not pass to the hardware."""

    def __init__(self, *, guard: str, action: str, reason: str, cure: str = "") -> None:
        self.guard, self.action, self.reason, self.cure = guard, action, reason, cure
        super().__init__(f"guard {guard} refused {action}: {reason}{cure and '; ' + cure}")

    def __str__(self) -> str:
        """The text alone."""
        return str(self.args[0])


class PortGoneError(ProductError, ConnectionError):
    """The port vanished while it was held."""

    def __init__(self, *, role: str, node: str) -> None:
        self.role, self.node = role, node
        super().__init__(f"port {role} ({node}) vanished while it was open: the module went away; reopen it")


class PortMissingError(ProductError, TimeoutError):
    """A port did not appear in time."""

    def __init__(self, *, role: str, waited_s: float) -> None:
        self.role, self.waited_s = role, waited_s
        super().__init__(
            f"port {role} was not there within {waited_s:.3f} s: is the module on? check key and supply first"
        )


class NoReplyError(ProductError, TimeoutError):
    """The module gave no final answer in time, on a bench whose health check passed."""

    def __init__(self, *, sent: bytes, waited_s: float, heard: bytes) -> None:
        self.sent, self.waited_s, self.heard = sent, waited_s, heard
        hint = "the answer was cut short" if heard else "silence: check power and wiring first"
        super().__init__(f"no final answer to {sent!r} in {waited_s:.3f} s, heard {heard!r} ({hint})")


class CommandFailedError(ProductError, ValueError):
    """The module refused a command that was expected to succeed."""

    def __init__(self, *, sent: str, result: str, lines: tuple[str, ...] = ()) -> None:
        self.sent, self.result, self.lines = sent, result, lines
        super().__init__(
            f"{sent!r} was answered with {result!r} instead of 'OK'{f' after {lines}' * bool(lines)}"
        )


class NotReachedError(ProductError, TimeoutError):
    """A state was not reached in time."""

    def __init__(self, *, wanted: str, waited_s: float, seen: str = "") -> None:
        self.wanted, self.seen, self.waited_s = wanted, seen, waited_s
        super().__init__(
            f"expected {wanted} within {waited_s:.3f} s, {f'saw {seen}' if seen else 'it did not come'}"
        )


class BenchUnfitError(BenchError, OSError):
    """The health check says that the bench cannot be used."""

    def __init__(self, *, part: str, reason: str, cure: str) -> None:
        self.part, self.reason, self.cure = part, reason, cure
        super().__init__(f"the bench is not fit: {part}: {reason}; {cure}")

    def __str__(self) -> str:
        """The text alone."""
        return str(self.args[0])


class BenchUndecidedError(Inconclusive):
    """The health check cannot tell bench from product."""

    def __init__(self, *, reason: str) -> None:
        self.reason = reason
        super().__init__(f"neither bench nor product can be blamed: {reason}")


class LateRunError(Inconclusive):
    """A timing was measured in a run that was itself late."""

    def __init__(self, *, late_s: float, allowed_s: float) -> None:
        self.late_s, self.allowed_s = late_s, allowed_s
        super().__init__(
            f"the run was late by {late_s * 1e3:.1f} ms where {allowed_s * 1e3:.1f} ms are allowed: "
            "the timing says nothing; repeat it on a quieter machine or at virtual pace"
        )
