"""Two recordings of one test in; where they differ in outcome, text, order or time out.

Compared is what every kind of bench records: header pins, ports, quantities.  What only a model
knows (states, nets, currents), lanes that one of the two lacks, and how a bench was when the test began are
left out.  A question that is asked again and again counts once for each answer: how often is a matter of how
fast a bench is.  So are the pieces in which bytes come and go.
"""

from __future__ import annotations

from ast import literal_eval
from bisect import bisect_right
from dataclasses import dataclass
from difflib import SequenceMatcher
from itertools import pairwise, zip_longest
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from simulator.kernel.recorder import Event

    from .query import Recording

# Lanes that any bench has, by their first part.
_COMPARED: Final = ("header", "port", "suite")
# Two steps lie equally far apart where the difference is no more than this, or this share of the distance: a
# state is asked for every quarter second, and every occurrence has a spread of its own.
_ALLOWED_NS, _ALLOWED_SHARE = 300_000_000, 0.05

_HEARD: Final = "heard "
_SENT: Final = "sent "
_LINE_ENDS: Final = ("\r", "\n")

Kind = Literal["outcome", "text", "order", "time"]


class Step(NamedTuple):
    """One thing that happened on a lane; *text* is what is compared."""

    t_ns: int
    lane: str
    text: str

    @property
    def at_ns(self) -> int | None:
        """When it happened; None for the step that did not."""
        return None if self is _NO_STEP else self.t_ns


_NO_STEP: Final = Step(0, "", "")


@dataclass(frozen=True, slots=True)
class Difference:
    """One place where two recordings differ; a side that lacks the step has no time."""

    kind: Kind
    lane: str
    ours: str
    theirs: str
    ours_ns: int | None = None
    theirs_ns: int | None = None

    def __str__(self) -> str:
        """One line: lane, kind, both sides with their seconds."""
        sides = (("here", self.ours_ns, self.ours), ("there", self.theirs_ns, self.theirs))
        told = "; ".join(
            f"{where} {'nothing' if at_ns is None else f'{text} at {at_ns / 1e9:.3f} s'}"
            for where, at_ns, text in sides
        )
        return f"{self.lane}: {self.kind}: {told}"


def differences(ours: Recording, theirs: Recording) -> list[Difference]:
    """Where *ours* and *theirs* differ: first in text, by lane; then what is equal in order and in time.

    Where the test had another outcome, that alone.
    """
    here, there = _ended(ours), _ended(theirs)
    if here is not None and there is not None and here.text != there.text:
        return [Difference("outcome", here.lane, here.text, there.text, here.t_ns, there.t_ns)]
    lanes = [lane for lane in ours.lanes() if lane.split("/")[0] in _COMPARED and lane in theirs.lanes()]
    ours_since, theirs_since = _since_start(ours), _since_start(theirs)
    found: list[Difference] = []
    pairs: list[tuple[Step, Step]] = []
    for lane in lanes:
        alone, together = _align(
            _steps(event for event in ours_since if event.lane == lane),
            _steps(event for event in theirs_since if event.lane == lane),
        )
        found += alone
        pairs += together
    pairs.sort(key=lambda pair: (pair[0].t_ns, pair[1].t_ns))
    in_order = _longest_in_order(pairs)
    found += [
        Difference("order", here.lane, here.text, there.text, here.t_ns, there.t_ns)
        for place, (here, there) in enumerate(pairs)
        if place not in in_order
    ]
    found += _late([pairs[place] for place in sorted(in_order)])
    return found


def _since_start(recording: Recording) -> list[Event]:
    """What happened since the test began, where it says so: what was before is how its bench was."""
    events = list(recording)
    starts = [place for place, event in enumerate(events) if _is_suite(event) and event.what == "start"]
    return events[starts[0] :] if starts else events


def _ended(recording: Recording) -> Step | None:
    """How the test ended, where it says so."""
    ends = [event for event in recording if _is_suite(event) and "outcome" in event.more]
    return Step(ends[-1].t_ns, ends[-1].lane, str(ends[-1].more["outcome"])) if ends else None


def _is_suite(event: Event) -> bool:
    return event.lane.startswith("suite/")


def _steps(events: Iterable[Event]) -> list[Step]:
    """The steps of one lane, and of a question that is asked again and again the first only."""
    steps: list[Step] = []
    for event in events:
        match event.what:
            case "to_module":
                t_ns, text = event.t_ns, str(event.more["text"])
                if steps and steps[-1].text.startswith(_SENT) and _goes_on(_unquoted(steps[-1].text), text):
                    before = steps.pop()
                    t_ns, text = before.t_ns, _unquoted(before.text) + text
                for line in text.splitlines(keepends=True):
                    _drop_repeated(steps)
                    steps.append(Step(t_ns, event.lane, f"{_SENT}{line!r}"))
            case "from_module":
                if steps and steps[-1].text.startswith(_HEARD):
                    text = _unquoted(steps.pop().text) + str(event.more["text"])
                else:
                    text = str(event.more["text"])
                steps.append(Step(event.t_ns, event.lane, f"{_HEARD}{text!r}"))
            case "level":
                steps.append(Step(event.t_ns, event.lane, f"level {event.more['value']}"))
            case "quantity":
                steps.append(Step(event.t_ns, event.lane, f"quantity {event.more['name']}"))
            case "appear" | "vanish" | "start" | "end":
                steps.append(Step(event.t_ns, event.lane, event.what))
    _drop_repeated(steps)
    return steps


def _unquoted(text: str) -> str:
    return str(literal_eval(text.removeprefix(_HEARD).removeprefix(_SENT)))


def _goes_on(line: str, text: str) -> bool:
    """Whether *text* belongs to the *line* that was sent before."""
    return not line.endswith(_LINE_ENDS) or (line.endswith("\r") and text.startswith("\n"))


def _drop_repeated(steps: list[Step]) -> None:
    """Forget the last question with its answer where the one before it was the same."""
    for length in (1, 2):
        if len(steps) < 2 * length:
            return
        texts = [step.text for step in steps[-2 * length :]]
        if texts[:length] == texts[length:] and texts[0].startswith("sent "):
            del steps[-length:]
            return


def _align(ours: Sequence[Step], theirs: Sequence[Step]) -> tuple[list[Difference], list[tuple[Step, Step]]]:
    """What has no counterpart, and what has one."""
    alone: list[Difference] = []
    together: list[tuple[Step, Step]] = []
    matcher = SequenceMatcher(
        None, [step.text for step in ours], [step.text for step in theirs], autojunk=False
    )
    for _, here_from, here_to, there_from, there_to in matcher.get_opcodes():
        here, there = ours[here_from:here_to], theirs[there_from:there_to]
        for left, right in zip_longest(here, there):
            if left is not None and right is not None and left.text == right.text:
                together.append((left, right))
                continue
            alone.append(_alone(left, right))
    return alone, together


def _alone(here: Step | None, there: Step | None) -> Difference:
    """A step that the other side lacks, or has another in place of."""
    lane = (here or there or _NO_STEP).lane
    here, there = here or _NO_STEP, there or _NO_STEP
    return Difference("text", lane, here.text, there.text, here.at_ns, there.at_ns)


def _longest_in_order(pairs: Sequence[tuple[Step, Step]]) -> set[int]:
    """The places of the longest run of pairs that both sides have in the same order."""
    tails: list[int] = []
    ends: list[int] = []
    before: list[int | None] = []
    for place, (_, there) in enumerate(pairs):
        at = bisect_right(tails, there.t_ns)
        before.append(ends[at - 1] if at else None)
        tails[at:] = [there.t_ns, *tails[at + 1 :]]
        ends[at:] = [place, *ends[at + 1 :]]
    found: set[int] = set()
    last = ends[-1] if ends else None
    while last is not None:
        found.add(last)
        last = before[last]
    return found


def _late(pairs: Sequence[tuple[Step, Step]]) -> Iterator[Difference]:
    """Where the distance to the step before is not the same on both sides."""
    for (here_before, there_before), (here, there) in pairwise(pairs):
        ours_ns, theirs_ns = here.t_ns - here_before.t_ns, there.t_ns - there_before.t_ns
        allowed_ns = max(_ALLOWED_NS, round(_ALLOWED_SHARE * max(ours_ns, theirs_ns)))
        if abs(ours_ns - theirs_ns) > allowed_ns:
            yield Difference(
                "time",
                here.lane,
                f"{here.text} {ours_ns / 1e9:.3f} s after {here_before.text}",
                f"{there.text} {theirs_ns / 1e9:.3f} s after {there_before.text}",
                here.t_ns,
                there.t_ns,
            )
