"""Where uncertainties come from: shares, sums, and all segments of a phone in one table."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from analysis.outputs import wording
from analysis.outputs.rounding import decimals
from analysis.report import Amount, BudgetLine, EnergyReport, PhoneEnergy

SCOPES = {True: "common", False: "own"}
EXPLAINED = (
    "Lines are independent of each other: together they are the root of the sum of their squares. "
    "Type A: from the readings' own scatter; B: from anything else (JCGM 100:2008). Common: one "
    "and the same error in all segments of the phone, which all but cancels in their ratios, but "
    "not between phones; own: of this segment."
)
_LEAST_RATIO = 0.001
_LARGE_RATIO = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One source of doubt and what it leaves in each segment.

    Attributes:
        line: one of its lines, for name, type, shape, scope and source.
        u_mwh: standard uncertainties as texts, a dash where there is none.
    """

    line: BudgetLine
    u_mwh: tuple[str, ...]

    @property
    def scope(self) -> str:
        """`common` or `own`."""
        return SCOPES[self.line.shared]


def share_of(line: BudgetLine, amount: Amount) -> float:
    """Share of a line in the variance."""
    return (line.u_mwh / amount.u_mwh) ** 2 if amount.u_mwh > 0 else 0.0


def u_text(u_mwh: float, amount: Amount) -> str:
    """A line's standard uncertainty in mWh, one place finer than that of all together."""
    return wording.number(u_mwh, max(decimals(amount.u_mwh) + 1, 0))


def parted(amount: Amount) -> tuple[list[BudgetLine], list[BudgetLine]]:
    """Lines that matter, largest first, and those of less than a thousandth of the variance."""
    large = [line for line in amount.budget if share_of(line, amount) >= _LEAST_RATIO]
    return large, [line for line in amount.budget if share_of(line, amount) < _LEAST_RATIO]


def together(lines: Iterable[BudgetLine]) -> float:
    """Standard uncertainty in mWh that lines leave together."""
    return math.hypot(*(line.u_mwh for line in lines))


def own_u_mwh(amount: Amount) -> float:
    """Standard uncertainty of the amount's own errors."""
    return together(line for line in amount.budget if not line.shared)


def largest(amount: Amount) -> list[str]:
    """The lines with a tenth of the variance or more, in words."""
    shares = {line.name: share_of(line, amount) for line in amount.budget}
    return [f"{name} {share:.0%}" for name, share in shares.items() if share >= _LARGE_RATIO]


def matrix(phone: PhoneEnergy) -> list[Row]:
    """Sources of doubt down, the phone's segments across; the largest first."""
    amounts = [segment.amount for segment in phone.segments]
    budgets = [{_key(line): line for line in amount.budget} for amount in amounts]
    lines = {key: line for budget in budgets for key, line in budget.items()}

    def weight(key: tuple[object, ...]) -> float:
        pairs = zip(budgets, amounts, strict=True)
        return max(share_of(budget[key], amount) for budget, amount in pairs if key in budget)

    return [
        Row(
            line=lines[key],
            u_mwh=tuple(
                u_text(budget[key].u_mwh, amount) if key in budget else "–"
                for budget, amount in zip(budgets, amounts, strict=True)
            ),
        )
        for key in sorted(lines, key=weight, reverse=True)
    ]


def _key(line: BudgetLine) -> tuple[object, ...]:
    return line.name, line.kind, line.distribution, line.shared, line.source


def names(report: EnergyReport, phone: PhoneEnergy) -> list[str]:
    """How the segments of a phone are called, in the order of `matrix`."""
    several = wording.repeated(report)
    return [wording.name_among(s, several) for s in phone.segments]
