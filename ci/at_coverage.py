"""The commands of ITU-T V.250 (chapter 6), 3GPP TS 27.007 (5, 7 to 9) and TS 27.005 beside those there are.

Usage: python ci/at_coverage.py           print the table
       python ci/at_coverage.py --write   put it into simulator/README.md
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import NamedTuple

import simulator.at.commands  # noqa: F401 # registers every command
from simulator.at.registry import COMMANDS
from simulator.at.session import REGISTERS

README = Path(__file__).parent.parent / "simulator" / "README.md"
BEGIN, END = "<!-- commands: made by ci/at_coverage.py --write -->\n", "<!-- end of commands -->\n"

V250, TS27005, TS27007 = "ITU-T V.250", "3GPP TS 27.005", "3GPP TS 27.007"

_CALLS = "calls are not modelled yet"
_DATA = "data connections are not modelled yet"
_LINE = "wired-line modems only"
_SOUND = "no speaker, microphone, bell or vibrator"
_PANEL = "no keypad, display or touch screen"
_BOOK = "no phonebook yet"
_MONEY = "charge metering of circuit-switched calls"
_SAVING = "power saving is not modelled yet"
_CARD = "files and channels of the card are not modelled yet"


class Entry(NamedTuple):
    """One command of a standard; *why_not* where it is left out.

    *from_memory*: the clause's number has not been seen in the standard's text.
    """

    standard: str
    clause: str
    name: str
    why_not: str = ""
    from_memory: bool = False

    @property
    def is_there(self) -> bool:
        """Whether the register has it under this standard and clause."""
        if self.name.startswith("S") and self.name[1:].isdigit():
            return int(self.name[1:]) in REGISTERS
        found = COMMANDS.get(self.name)
        return found is not None and (found.standard, found.clause) == (self.standard, self.clause)


def _v250(clause: str, name: str, why_not: str = "", *, from_memory: bool = False) -> Entry:
    return Entry(V250, clause, name, why_not, from_memory)


def _ts(clause: str, name: str, why_not: str = "", *, from_memory: bool = True) -> Entry:
    return Entry(TS27007, clause, name, why_not, from_memory)


def _messages(clause: str, name: str, why_not: str = "", *, from_memory: bool = True) -> Entry:
    return Entry(TS27005, clause, name, why_not, from_memory)


ENTRIES = (
    _v250("6.1.1", "Z"),
    _v250("6.1.2", "&F"),
    _v250("6.1.3", "I"),
    _v250("6.1.4", "+GMI"),
    _v250("6.1.5", "+GMM"),
    _v250("6.1.6", "+GMR"),
    _v250("6.1.7", "+GSN"),
    _v250(
        "6.1.8", "+GOI", "optional; no invented module has a registered object identifier", from_memory=True
    ),
    _v250("6.1.9", "+GCAP"),
    _v250("6.1.10", "+GCI", _LINE, from_memory=True),
    _v250("6.2.1", "S3"),
    _v250("6.2.2", "S4"),
    _v250("6.2.3", "S5"),
    _v250("6.2.4", "E"),
    _v250("6.2.5", "Q"),
    _v250("6.2.6", "V"),
    _v250("6.2.7", "X"),
    _v250("6.2.8", "&C"),
    _v250("6.2.9", "&D"),
    _v250("6.2.10", "+IPR"),
    _v250("6.2.11", "+ICF"),
    _v250("6.2.12", "+IFC"),
    _v250("6.2.13", "+ILRR", _DATA, from_memory=True),
    _v250("6.3.1", "D", f"{_CALLS}; no emergency call is ever made", from_memory=True),
    _v250("6.3.2", "T", _LINE, from_memory=True),
    _v250("6.3.3", "P", _LINE, from_memory=True),
    _v250("6.3.5", "A", _CALLS, from_memory=True),
    _v250("6.3.6", "H"),
    _v250("6.3.7", "O", _DATA),
    _v250("6.3.8", "S0"),
    _v250("6.3.9", "S6"),
    _v250("6.3.10", "S7"),
    _v250("6.3.11", "S8"),
    _v250("6.3.12", "S10"),
    _v250("6.3.13", "L", _SOUND, from_memory=True),
    _v250("6.3.14", "M", _SOUND, from_memory=True),
    _v250("6.4", "modulation control (+MS, +MR and others)", _LINE, from_memory=True),
    _v250("6.5", "error control (+ES, +ER and others)", _LINE, from_memory=True),
    _v250("6.6", "data compression (+DS, +DR and others)", _LINE, from_memory=True),
    _v250("6.7", "tests of the modem's own", _LINE, from_memory=True),
    _ts("5.1", "+CGMI"),
    _ts("5.2", "+CGMM"),
    _ts("5.3", "+CGMR"),
    _ts("5.4", "+CGSN"),
    _ts("5.5", "+CSCS"),
    _ts("5.6", "+CIMI"),
    _ts("5.7", "+CMUX", "the multiplexer is not modelled yet"),
    _ts("5.9", "+WS46", "one access technology at a time, that of the cell"),
    _ts("7.1", "+CNUM"),
    _ts("7.2", "+CREG", from_memory=False),
    _ts("7.3", "+COPS", from_memory=False),
    _ts("7.4", "+CLCK", from_memory=False),
    _ts("7.5", "+CPWD"),
    _ts("7.6", "+CLIP", _CALLS),
    _ts("7.7", "+CLIR", _CALLS),
    _ts("7.8", "+CCUG", _CALLS),
    _ts("7.9", "+COLP", _CALLS),
    _ts("7.10", "+CCFC", _CALLS),
    _ts("7.11", "+CCWA", _CALLS),
    _ts("7.12", "+CHLD", _CALLS),
    _ts("7.13", "+CTFR", _CALLS),
    _ts("7.14", "+CUSD", "no sessions of supplementary services yet"),
    _ts("7.15", "+CAOC", _MONEY),
    _ts("7.16", "+CSSN", _CALLS),
    _ts("7.17", "+CLCC", _CALLS),
    _ts("7.18", "+CPOL"),
    _ts("7.19", "+COPN", "names are the network's own; the module has no list of them"),
    _ts("7.20", "+CPLS", "one list of preferred operators: +CPOL"),
    _ts("7.38", "+CPSMS", _SAVING, from_memory=False),
    _ts("7.40", "+CEDRXS", _SAVING, from_memory=False),
    _ts("7", "the others of this chapter", "calls, closed user groups, several subscribers, 5G"),
    _ts("8.1", "+CPAS", from_memory=False),
    _ts("8.2", "+CFUN", from_memory=False),
    _ts("8.3", "+CPIN"),
    _ts("8.4", "+CBC", "no battery: the module is fed by its carrier"),
    _ts("8.5", "+CSQ", from_memory=False),
    _ts("8.6", "+CMEC", "nothing to hand over: neither keypad nor display; indicators are read only"),
    _ts("8.7", "+CKPD", _PANEL),
    _ts("8.8", "+CDIS", _PANEL),
    _ts("8.9", "+CIND"),
    _ts("8.10", "+CMER"),
    _ts("8.11", "+CPBS", _BOOK),
    _ts("8.12", "+CPBR", _BOOK),
    _ts("8.13", "+CPBF", _BOOK),
    _ts("8.14", "+CPBW", _BOOK),
    _ts("8.15", "+CCLK", from_memory=False),
    _ts("8.16", "+CALA", "alarms of the clock wake nobody here: the host has its own"),
    _ts("8.17", "+CSIM", _CARD),
    _ts("8.18", "+CRSM", from_memory=False),
    _ts("8.19", "+CSCC", "no secure control"),
    _ts("8.20", "+CALM", _SOUND),
    _ts("8.21", "+CRSL", _SOUND),
    _ts("8.22", "+CVIB", _SOUND),
    _ts("8.23", "+CLVL", _SOUND),
    _ts("8.24", "+CMUT", _SOUND),
    _ts("8.25", "+CACM", _MONEY),
    _ts("8.26", "+CAMM", _MONEY),
    _ts("8.27", "+CPUC", _MONEY),
    _ts("8.28", "+CCWE", _MONEY),
    _ts("8.29", "+CPWC", "no power class to choose"),
    _ts("8.30", "+CLAN", "one language"),
    _ts("8.31", "+CLAE", "one language"),
    _ts("8.32", "+CSGT", _PANEL),
    _ts("8.33", "+CSVM", _CALLS),
    _ts("8.34", "+CRMP", _SOUND),
    _ts("8.37", "+CLAC"),
    _ts("8.38", "+CALD", "as +CALA"),
    _ts("8.39", "+CAPD", "as +CALA"),
    _ts("8.40", "+CTZU", from_memory=False),
    _ts("8.41", "+CTZR", from_memory=False),
    _ts("8.42", "+CPROT", "no protocol of its own to enter"),
    _ts("8.65", "+CPINR"),
    _ts("8.69", "+CESQ", from_memory=False),
    _ts("8", "the others of this chapter", "logical channels of the card, screens, sounds, broadcast, eCall"),
    _ts("9.1", "+CMEE", from_memory=False),
    _messages("2", "block mode (binary frames)", "text and PDU mode only"),
    _messages("3.2.1", "+CSMS", from_memory=False),
    _messages("3.2.2", "+CPMS", from_memory=False),
    _messages("3.2.3", "+CMGF"),
    _messages("3.2.4", "+CESP", "enters the block mode, which is not there"),
    _messages("3.3.1", "+CSCA"),
    _messages("3.3.2", "+CSMP"),
    _messages("3.3.3", "+CSDH"),
    _messages("3.3.4", "+CSCB", "no cell broadcasts here"),
    _messages("3.3.5", "+CSAS"),
    _messages("3.3.6", "+CRES"),
    _messages("3.4.1", "+CNMI", from_memory=False),
    _messages("3.4.2", "+CMGL", from_memory=False),
    _messages("3.4.3", "+CMGR"),
    _messages("3.4.4", "+CNMA"),
    _messages("3.5.1", "+CMGS", from_memory=False),
    _messages("3.5.2", "+CMSS"),
    _messages("3.5.3", "+CMGW", from_memory=False),
    _messages("3.5.4", "+CMGD", from_memory=False),
    _messages("3.5.5", "+CMGC"),
    _messages("3.5.6", "+CMMS"),
)


def table() -> str:
    """The table in Markdown."""
    lines = ["| clause | command | here | left out because |", "|---|---|---|---|"]
    for entry in ENTRIES:
        clause = f"{entry.standard.split()[-1]} {entry.clause}{'*' if entry.from_memory else ''}"
        name = f"`{entry.name}`" if " " not in entry.name else entry.name
        lines.append(f"| {clause} | {name} | {'' if entry.why_not else 'yes'} | {entry.why_not} |")
    there = sum(not entry.why_not for entry in ENTRIES)
    lines += ["", f"{there} of {len(ENTRIES)} rows. `*`: the clause's number is from memory."]
    return "\n".join(lines) + "\n"


# The chapters whose commands all have a row.
_CHAPTERS = {V250: ("6.",), TS27005: ("3.",), TS27007: ("5.", "7.", "8.", "9.")}


def faults() -> list[str]:
    """What the table says that is not so."""
    found = [
        f"{entry.name}: the register {'has' if entry.is_there else 'lacks'} it at {entry.clause}"
        for entry in ENTRIES
        if entry.is_there == bool(entry.why_not)
    ]
    listed = {entry.name for entry in ENTRIES}
    for command in COMMANDS:
        chapters = _CHAPTERS[command.standard]
        if command.clause.startswith(chapters) and command.name not in listed:
            found.append(f"{command.name}: not in the table")
    return found


def with_table(text: str) -> str:
    """*text* of the README with the present table in its place."""
    before, rest = text.split(BEGIN)
    return before + BEGIN + "\n" + table() + "\n" + END + rest.split(END)[1]


def main(arguments: list[str]) -> int:
    """Print or write the table; 1 where it is not true."""
    for fault in faults():
        print(fault, file=sys.stderr)
    if arguments == ["--write"]:
        README.write_text(with_table(README.read_text(encoding="utf-8")), encoding="utf-8")
    else:
        print(table(), end="")
    return 1 if faults() else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
