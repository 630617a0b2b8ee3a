"""Rules about time: what a capacitor on the way does to a pulse."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.kernel.timeline import ns

from .finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from .finding import ReviewedBoard

# What may be missing of a pulse before it is worth a word.
_SHARE: Final = 0.02


def pulse(board: ReviewedBoard) -> Iterator[Finding]:
    """A press of the guaranteed length at the header: how much of it arrives at the key."""
    carrier, timeline = board.board()
    if not carrier.reader.netlist.signal_capacitors:
        return
    route = carrier.route("POWER_KEY")
    line = carrier.lines.on_pin(route.pin) if route else None
    if route is None or line is None:
        return
    line.drive(not route.active_high, by="review")
    timeline.run_until(timeline.now_ns + ns(board.press_s) * 100)
    edges: dict[bool, int] = {}

    def note(news: tuple[str, bool]) -> None:
        edges.setdefault(news[1], timeline.now_ns)

    carrier.asserted.listen(note)
    line.drive(route.active_high, by="review")
    timeline.run_until(timeline.now_ns + ns(board.press_s))
    line.drive(not route.active_high, by="review")
    timeline.run_until(timeline.now_ns + ns(board.press_s) * 100)
    arrives_s = (edges[False] - edges[True]) / 1e9 if len(edges) == 2 else 0.0  # noqa: PLR2004 # both edges
    eaten_s = board.press_s - arrives_s
    if eaten_s <= _SHARE * board.press_s:
        return
    nets = ", ".join(sorted(carrier.reader.netlist.signal_capacitors))
    yield Finding(
        name="pulse-eaten",
        pins=(route.pin,),
        proof=f"{board.proof('POWER_KEY')}; of {board.press_s:g} s at the header {arrives_s:.3f} s arrive",
        consequence="the guaranteed press no longer starts the module on every unit",
        cure=f"press {eaten_s:.3f} s longer, or remove the capacitor on {nets}",
    )
