"""Rules about the serial interface: open, or crossed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from .finding import ReviewedBoard


def uart(board: ReviewedBoard) -> Iterator[Finding]:
    """Whether the host's UART reaches the module's, transmit to receive."""
    if board.uart_pins is None:
        return
    transmit, receive = board.uart_pins
    by_pin = {path.pin: path for path in board.paths if path.module_pin in ("UART_RX", "UART_TX")}
    for pin, wanted, wrong in ((transmit, "UART_RX", "UART_TX"), (receive, "UART_TX", "UART_RX")):
        path = by_pin.get(pin)
        if path is not None and path.module_pin == wrong:
            yield Finding(
                name="uart-crossed",
                pins=(pin,),
                proof=str(path),
                consequence="neither side hears the other, and two outputs fight",
                cure="swap the two lines",
            )
        elif path is None or path.open_at:
            yield Finding(
                name="uart-open",
                pins=(pin,),
                proof=str(path) if path else f"pin {pin} reaches neither {wanted} nor {wrong}",
                consequence="the module is deaf or dumb on its UART; on USB all is well",
                cure=f"close {', '.join(path.open_at)}" if path else f"connect pin {pin} with {wanted}",
            )
