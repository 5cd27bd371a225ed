"""The answer in sentences: who lasted how long, who drew less, and what cannot be told."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from analysis.comparison.comparing import verdicts
from analysis.comparison.verdict import TOTAL, Comparison, Verdict
from analysis.outputs import wording
from analysis.report import EnergyReport, PhoneEnergy
from analysis.statistics.inference import Interval
from parsers.text import printable

_MOST_PHONES = 4
_MOST_NAMED = 3
_MOST_CHARS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """One phone that drew less than another, by how much."""

    less: str
    more: str
    saved: Interval


def answers(report: EnergyReport) -> list[str]:
    """How long phones lasted, then the whole run, then one sentence per activity.

    Phones that were not seen to shut off are only named; one phone alone is compared with nothing.
    """
    several = wording.repeated(report)
    return [
        *_lasted(report),
        *(
            sentence(list(group), several=activity in several)
            for (activity, _), group in groupby(verdicts(report), key=lambda c: c.key)
        ),
    ]


def _lasted(report: EnergyReport) -> list[str]:
    off = [phone for phone in report.phones if phone.shut_off_utc is not None]
    if not off:
        return []
    off.sort(key=lambda phone: -phone.total.duration_s)
    begun_at = [_first_level(phone) for phone in off]
    alike = len(set(begun_at)) == 1
    times = [
        f"{phone.phone} {wording.duration_text(phone.total.duration_s)}"
        f"{'' if alike else f' ({level})'}"
        for phone, level in zip(off, begun_at, strict=True)
    ]
    still_on = [phone.phone for phone in report.phones if phone.shut_off_utc is None]
    said = f"{begun_at[0] + ' ' if alike else ''}to shut-off: {', '.join(times)}"
    if still_on:
        said += f"; not seen to shut off: {_listed(still_on)}"
    return [printable(said.strip(), _MOST_CHARS)]


def _first_level(phone: PhoneEnergy) -> str:
    levels = phone.traces.level_pct[np.isfinite(phone.traces.level_pct)]
    return f"from {levels[0]:.0f} %" if len(levels) else "from an unknown level"


def sentence(comparisons: Sequence[Comparison], *, several: bool = False) -> str:
    """What the comparisons of all pairs of phones at one activity amount to."""
    first = comparisons[0]
    where = (
        TOTAL
        if first.occurrence == 0
        else wording.segment_name(first.activity, first.occurrence, several=several)
    )
    order = _by_power(comparisons)
    told = [_told(c) for c in comparisons if c.verdict is not Verdict.UNRESOLVED]
    told.sort(key=lambda t: (order.index(t.less), order.index(t.more)))
    open_ = [c for c in comparisons if c.verdict is Verdict.UNRESOLVED]
    if len(order) > _MOST_PHONES:
        clauses = _least(order, told, open_)
    else:
        clauses = [*_lower(_direct(told)), *_unresolved(comparisons, open_)]
    return printable(f"{where}: {'; '.join(clauses)}", _MOST_CHARS)


def saved_text(saved: Interval) -> str:
    """How much less, in percent: `11.4 % (95 %: 9.7 to 13.1 %)`."""
    low, high = saved.lo95 or 0.0, saved.hi95
    digits = 1 if high is None or high - low < 0.2 else 0
    figures = [f"{100 * x:.{digits}f}" for x in (saved.value, low, 1.0 if high is None else high)]
    return f"{figures[0]} % less than {{}} (95 %: {figures[1]} to {figures[2]} %)"


def _by_power(comparisons: Sequence[Comparison]) -> list[str]:
    """The phones, least mean power first."""
    above: dict[str, float] = {}
    for c in comparisons:
        above[c.one] = above.get(c.one, 0.0) + c.contrast.difference_mw.value
        above[c.other] = above.get(c.other, 0.0) - c.contrast.difference_mw.value
    return sorted(above, key=lambda name: above[name])


def _least(order: Sequence[str], told: Sequence[_Told], open_: Sequence[Comparison]) -> list[str]:
    """Of many phones only the least, what ties with it, and by how much it leads the rest."""
    least = order[0]
    ties = [c for c in open_ if least in (c.one, c.other)]
    if len(ties) == len(order) - 1:
        return [f"nothing tells {least} from any of the other {len(ties)}{_unseen(ties)}"]
    names = [name for name in order if any(name in (c.one, c.other) for c in ties)]
    next_ = min((t for t in told if t.less == least), key=lambda t: order.index(t.more))
    clauses = [
        f"{least} drew least of {len(order)}: {saved_text(next_.saved).format(next_.more)}, the "
        "next that can be told from it"
    ]
    rivals = [name for name in names if name != least]
    if len(rivals) > _MOST_NAMED:
        rivals = [*rivals[:_MOST_NAMED], f"{len(rivals) - _MOST_NAMED} more"]
    if rivals:
        clauses.append(f"{_listed(rivals)} cannot be told from it{_unseen(ties)}")
    return clauses


def _told(comparison: Comparison) -> _Told:
    ratio = comparison.contrast.ratio
    if comparison.verdict is Verdict.LOWER:
        return _Told(less=comparison.one, more=comparison.other, saved=_saved(ratio))
    turned = Interval(
        value=1 / ratio.value,
        lo95=0.0 if ratio.hi95 is None else 1 / ratio.hi95,
        hi95=1 / ratio.lo95 if ratio.lo95 else None,
    )
    return _Told(less=comparison.other, more=comparison.one, saved=_saved(turned))


def _saved(ratio: Interval) -> Interval:
    return Interval(
        value=1 - ratio.value,
        lo95=None if ratio.hi95 is None else 1 - ratio.hi95,
        hi95=1 - (ratio.lo95 or 0.0),
    )


def _direct(told: Sequence[_Told]) -> list[_Told]:
    """What does not follow: not A below C, where A is below B and B below C."""
    known = {(t.less, t.more) for t in told}
    between = {name for pair in known for name in pair}
    return [
        t for t in told if not any((t.less, b) in known and (b, t.more) in known for b in between)
    ]


def _lower(told: Sequence[_Told]) -> list[str]:
    clauses = []
    for less in dict.fromkeys(t.less for t in told):
        than = [saved_text(t.saved).format(t.more) for t in told if t.less == less]
        clauses.append(f"{less} drew {_listed(than)}")
    return clauses


def _unresolved(every: Sequence[Comparison], open_: Sequence[Comparison]) -> list[str]:
    """Phones that nothing tells from any other, then the pairs that are left."""
    names = list(dict.fromkeys(name for c in every for name in (c.one, c.other)))
    pairs = {frozenset((c.one, c.other)): c for c in open_}
    if len(pairs) == len(every):
        return [f"nothing tells {_listed(names)} apart{_unseen(open_)}"]
    alone = [
        name
        for name in names
        if all(frozenset((name, other)) in pairs for other in names if other != name)
    ]
    clauses = []
    for name in alone:
        mine = [pairs.pop(pair) for pair in list(pairs) if name in pair]
        others = "either" if len(names) == 3 else "any other"
        if mine:
            clauses.append(f"{name} cannot be told from {others}{_unseen(mine)}")
    while pairs:
        first = next(iter(pairs.values()))
        mine = [c for c in pairs.values() if first.one in (c.one, c.other)]
        others = _listed([c.other if c.one == first.one else c.one for c in mine])
        clauses.append(f"{first.one} cannot be told from {others}{_unseen(mine)}")
        pairs = {k: c for k, c in pairs.items() if c not in mine}
    return clauses


def _unseen(comparisons: Iterable[Comparison]) -> str:
    seen = [c.contrast.smallest_seen_ratio for c in comparisons]
    known = [ratio for ratio in seen if ratio is not None]
    if not known or max(known) >= 1:
        return " (not even a difference of double would be seen)"
    return f" (differences under {share_text(max(known))} cannot be seen)"


def share_text(ratio: float) -> str:
    """A share in percent, two figures of it."""
    digits = 1 if abs(ratio) < 0.0995 else 0
    return f"{100 * ratio:.{digits}f} %"


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
