"""One seed in, a stream of chance for each subject out.

Each subject has its own stream, so that a subject that draws once more moves no other's values.
"""

from __future__ import annotations

import random
from hashlib import sha256


class Randomness:
    """Seeded streams by subject name; the same seed and name give the same stream on every machine."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._streams: dict[str, random.Random] = {}

    def stream(self, subject: str) -> random.Random:
        """The stream of *subject* (one object for each name, so draws go on where they stopped)."""
        stream = self._streams.get(subject)
        if stream is None:
            digest = sha256(f"{self.seed}/{subject}".encode()).digest()
            stream = self._streams[subject] = random.Random(int.from_bytes(digest[:16]))
        return stream
