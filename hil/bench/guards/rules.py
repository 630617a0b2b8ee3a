"""A command in, what it asks of the bench out: the one table of what guards watch.

What is not in the table passes.  A maker's own commands are known by what the profile says of them; those of
`limits.refused_commands` in the bench file never pass.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

from .command_scan import Found, scan
from .numbers import dialled, is_packet_call, written_to

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

Kind: TypeAlias = Literal[
    "call", "message", "pin", "attach", "transmit", "prompt", "mode", "tries", "leave", "never"
]


@dataclass(frozen=True, slots=True)
class Ask:
    """What one command asks for.

    *number* is whom it reaches.  *never*: no bench allows it; *guard* and *reason* say why, *cure* what to do
    instead.  *leave*: the module may leave its ports for it.  *prompt*: bytes of a message follow, in *mode*
    `pdu`, of *length* octets, or `text`.
    """

    kind: Kind
    number: str = ""
    guard: str = ""
    reason: str = ""
    cure: str = ""
    mode: Literal["pdu", "text", ""] = ""
    length: int | None = None


Rule: TypeAlias = "Callable[[Found], list[Ask]]"

_RADIO_OFF: Final = ("0", "4")
# TS 31.101: VERIFY, CHANGE, DISABLE, ENABLE and UNBLOCK are not among what only reads.
_READING_INSTRUCTIONS: Final = frozenset({0xA4, 0xB0, 0xB2, 0xC0, 0xF2})
_READING_ACCESS: Final = frozenset({"176", "178", "192", "242"})  # TS 27.007 8.18
_NO_SEARCH: Final = ("2", "3")  # TS 27.007 7.3: <mode> that does not register


def _never(guard: str, reason: str, cure: str = "") -> list[Ask]:
    return [Ask("never", guard=guard, reason=reason, cure=cure)]


def _dial(found: Found) -> list[Ask]:
    text = found.text
    plain = text.upper().strip()
    if ">" in text:
        return _never("numbers", "the phonebook knows the number, the guard does not", "dial it in full")
    if plain.startswith(("L", "S")):
        return _never("numbers", "the number dialled before is not shown", "dial it in full")
    if is_packet_call(text):
        return [Ask("transmit")]
    if "*" in text or "#" in text:
        return _never("numbers", "a service code can divert calls and change the card's PIN")
    return [Ask("call", number=dialled(text))]


def _pin(found: Found) -> list[Ask]:
    if not found.text:
        return []  # nothing is entered
    if len(found.values) > 1:
        return _never("card", "a PUK is never entered: ten wrong ones lose the card")
    return [Ask("pin")]


def _lock(found: Found) -> list[Ask]:
    facility, mode, password = found.value(0).upper(), found.value(1), found.value(2)
    if mode == "2":
        return []
    if facility == "SC" and password:
        return [Ask("pin")]
    return _never("card", f"+CLCK changes a lock ({facility or 'none named'}) that not every bench can undo")


def _password(found: Found) -> list[Ask]:
    del found
    return _never("card", "+CPWD changes a password: the next run would enter the old one")


def _send(found: Found) -> list[Ask]:
    first = found.value(0)
    is_quoted = found.text[1:].lstrip().startswith('"')
    if not is_quoted and first.isdigit():
        return [Ask("prompt", mode="pdu", length=int(first), reason="send"), Ask("message")]
    return [
        Ask("prompt", mode="text", reason="send"),
        Ask("message", number=written_to(first, found.value(1)) or "nobody"),
    ]


def _write(found: Found) -> list[Ask]:
    first = found.value(0)
    is_length = first.isdigit() and not found.text[1:].lstrip().startswith('"')
    return [Ask("prompt", mode="pdu", length=int(first)) if is_length else Ask("prompt", mode="text")]


def _send_stored(found: Found) -> list[Ask]:
    number = written_to(found.value(1), found.value(2))
    if not number:
        return _never(
            "numbers", "the store knows the number, the guard does not", "name it: +CMSS=<index>,<da>"
        )
    return [Ask("message", number=number)]


def _send_command(found: Found) -> list[Ask]:
    values = found.values
    if len(values) == 1 and values[0].isdigit():
        return [Ask("prompt", mode="pdu", length=int(values[0]), reason="send"), Ask("message")]
    number = written_to(found.value(4), found.value(5))
    return [Ask("prompt", mode="text", reason="send"), Ask("message", number=number or "nobody")]


def _acknowledge(found: Found) -> list[Ask]:
    return [Ask("prompt", mode="pdu")] if found.value(1) else []


def _format(found: Found) -> list[Ask]:
    return [Ask("mode", mode="text" if found.value(0) == "1" else "pdu")]


def _functionality(found: Found) -> list[Ask]:
    if found.value(1) == "1":
        return [Ask("attach"), Ask("transmit"), Ask("leave"), Ask("mode")]
    if found.value(0) in _RADIO_OFF:
        return []
    return [Ask("attach"), Ask("transmit")] if found.text else []


def _select_network(found: Found) -> list[Ask]:
    return [Ask("attach"), Ask("transmit")] if found.value(0) not in _NO_SEARCH else []


def _on(found: Found) -> list[Ask]:
    return [] if found.value(0) == "0" else [Ask("attach"), Ask("transmit")]


def _transmit(found: Found) -> list[Ask]:
    del found
    return [Ask("transmit")]


def _multiplexer(found: Found) -> list[Ask]:
    del found
    return _never("commands", "the guards cannot read what passes inside multiplexer frames")


def _card_access(found: Found) -> list[Ask]:
    command = found.values[-1] if found.values else ""
    try:
        reads = bytes.fromhex(command)[1] in _READING_INSTRUCTIONS
    except (ValueError, IndexError):
        reads = False
    return [] if reads else _never("card", f"{found.name} with an instruction that does not only read")


def _restricted_access(found: Found) -> list[Ask]:
    return [] if found.value(0) in _READING_ACCESS else _never("card", "+CRSM that does not only read")


def _keypad(found: Found) -> list[Ask]:
    del found
    return _never("numbers", "keys pressed by +CKPD can dial any number")


def _emergency_call(found: Found) -> list[Ask]:
    del found
    return _never("emergency", "an emergency call is never made, also not for a test")


def _supplementary_data(found: Found) -> list[Ask]:
    if not found.value(1):
        return []
    return _never("numbers", "a service code can divert calls and cost money")


def _forward(found: Found) -> list[Ask]:
    number = written_to(found.value(2), found.value(3))
    return [Ask("call", number=number)] if number else []


def _transfer(found: Found) -> list[Ask]:
    return [Ask("call", number=written_to(found.value(0), found.value(1)) or "nobody")]


def _hold(found: Found) -> list[Ask]:
    text = found.value(0)
    return [Ask("call", number=dialled(text[2:]))] if text.startswith("4*") else []


def _defaults(found: Found) -> list[Ask]:
    del found
    return [Ask("mode")]


# Name to rule; only names that begin with one of these are looked at.  V.250 6.3 (D, A), TS 27.007 and
# TS 27.005 by the clause of each command.
RULES: Final[Mapping[str, Rule]] = {
    "D": _dial,
    "A": _transmit,
    "Z": _defaults,
    "&F": _defaults,
    "+CPIN": _pin,
    "+CLCK": _lock,
    "+CPWD": _password,
    "+CPINR": lambda found: [Ask("tries")] if not found.text.startswith("=?") else [],
    "+CSIM": _card_access,
    "+CGLA": _card_access,
    "+CRSM": _restricted_access,
    "+CMGF": _format,
    "+CMGS": _send,
    "+CMGW": _write,
    "+CMSS": _send_stored,
    "+CMGC": _send_command,
    "+CNMA": _acknowledge,
    "+CFUN": _functionality,
    "+COPS": _select_network,
    "+CGATT": _on,
    "+CGACT": _on,
    "+CGDATA": _transmit,
    "+CMUX": _multiplexer,
    "+CKPD": _keypad,
    "+CECALL": _emergency_call,
    "+CUSD": _supplementary_data,
    "+CCFC": _forward,
    "+CTFR": _transfer,
    "+CHLD": _hold,
}


def _restarts(found: Found) -> list[Ask]:
    return [] if found.asks_only else [Ask("attach"), Ask("transmit"), Ask("leave"), Ask("mode")]


# What the effects of a maker's own commands ask for (`simulator.module.extension_schema`).
_EFFECTS: Final[Mapping[str, Rule]] = {
    "radio": lambda found: [] if found.value(0) in _RADIO_OFF else [Ask("attach"), Ask("transmit")],
    "restart": _restarts,
    "stop": lambda _: [Ask("leave"), Ask("mode")],
    "composition": lambda _: [Ask("leave")],
}


class RuleBook:
    """The rules for one module: the standards' and those of its maker's own commands.

    *effects* are the profile's extension commands by their full name; *refused* never pass.
    """

    def __init__(self, *, effects: Mapping[str, str] | None = None, refused: tuple[str, ...] = ()) -> None:
        own = {
            name.upper(): _EFFECTS[effect] for name, effect in (effects or {}).items() if effect in _EFFECTS
        }
        self._rules: dict[str, Rule] = {**RULES, **own}
        self._refused = {name.upper().removeprefix("AT") for name in refused}
        self.watched: frozenset[str] = frozenset(self._rules) | self._refused
        self.asks = lru_cache(maxsize=1024)(self._asks)

    def _asks(self, body: str) -> tuple[Ask, ...]:
        """What the line *body* asks for, in order."""
        return tuple(ask for found in scan(body) for ask in self._of(found))

    def _of(self, found: Found) -> list[Ask]:
        if found.name in self._refused:
            return _never("commands", f"limits.refused_commands in the bench file names {found.name}")
        rule = self._rules.get(found.name)
        if rule is None:
            return []
        if found.name == "+CPINR":
            return rule(found)
        return [] if found.asks_only else rule(found)
