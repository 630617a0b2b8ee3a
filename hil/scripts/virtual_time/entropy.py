"""Random bytes for programs, the same in every run: one stream from one seed."""

from __future__ import annotations

import random


class Entropy:
    """The stream of one run."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(f"script/{seed}")

    def take(self, size: int) -> bytes:
        """The next *size* bytes."""
        return self._random.randbytes(size)
