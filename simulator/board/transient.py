"""Capacitors on signal nets: how the board gets from one state to the next.

A netlist's solution with sources in, samples over time out, by the trapezoidal rule: in each step a
capacitor is a source behind a resistance (its companion).  Knows no timeline.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from .circuit import Drive

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from .netlist import Solution

# Ten steps for each time constant: the rule's error is then below 0.1 % of the swing.
_STEPS: Final = 10
_AT_REST_V: Final = 1e-3
_MOST_SAMPLES: Final = 2_000
_SHORTEST_S: Final = 1e-9
# A net that nothing holds keeps its charge; its time constant is no guide for the step.
_LONGEST_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class Sample:
    """The board's solution *after_s* seconds from the change, with the *charged* volts of capacitors."""

    after_s: float
    solution: Solution
    charged: Mapping[str, float]


def swing(
    solve: Callable[[Sequence[Drive]], Solution],
    capacitors: Mapping[str, float],
    start: Mapping[str, float],
) -> list[Sample]:
    """Samples from the instant of the change until no capacitor moves by a millivolt any more.

    *capacitors* are farads by net, *start* their volts at the change.
    """
    end = solve(())
    target = {net: start[net] if end.floats(net) else end.volts(net) for net in capacitors}
    # A capacitor that has just been charged is a stiff source: that gives the first instant.
    volts = dict(start)
    first = solve([Drive(net, volts[net], _stiff(farad)) for net, farad in capacitors.items()])
    samples = [Sample(0.0, first, dict(volts))]
    amps = {net: (volts[net] - first.volts(net)) / _stiff(farad) for net, farad in capacitors.items()}
    now_s = 0.0
    step_s = min(_step_s(end, capacitors), _LONGEST_S)
    while len(samples) < _MOST_SAMPLES:
        if all(abs(volts[net] - target[net]) < _AT_REST_V for net in capacitors):
            break
        ohms = {net: step_s / (2 * farad) for net, farad in capacitors.items()}
        behind = {net: volts[net] - amps[net] * ohms[net] for net in capacitors}
        solution = solve([Drive(net, behind[net], ohms[net]) for net in capacitors])
        amps = {net: (behind[net] - solution.volts(net)) / ohms[net] for net in capacitors}
        volts = {net: solution.volts(net) for net in capacitors}
        now_s += step_s
        samples.append(Sample(now_s, solution, dict(volts)))
        # The resistance of a stage changes on the way: the step follows it, slowly, for stability.
        wanted_s = min(_step_s(solution, capacitors, ohms), _LONGEST_S)
        step_s = min(max(wanted_s, step_s / 2), step_s * 2)
    samples.append(Sample(now_s + step_s, end, target))
    return samples


def _stiff(farad: float) -> float:
    """Ohms that hold a capacitor for the shortest time there is."""
    return _SHORTEST_S / farad


def _step_s(
    solution: Solution, capacitors: Mapping[str, float], companions: Mapping[str, float] | None = None
) -> float:
    """A part of the shortest time constant; *companions* are taken out of what each net shows."""
    shortest_s = _LONGEST_S
    for net, farad in capacitors.items():
        ohms = solution.ohms(net)
        if companions is not None:
            rest = 1 / ohms - 1 / companions[net]
            ohms = 1 / rest if rest > 0 else float("inf")
        shortest_s = min(shortest_s, ohms * farad)
    return max(shortest_s / _STEPS, 10 * _SHORTEST_S)
