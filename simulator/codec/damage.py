"""What is wrong with octets that a decoder was given."""

from __future__ import annotations


class PduError(ValueError):
    """Octets that are no such thing; *part* says where, the text what was expected and what was found."""

    def __init__(self, part: str, problem: str) -> None:
        self.part = part
        super().__init__(f"{part}: {problem}")
