"""Which phones of several runs are one and the same."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.report import EnergyReport
from parsers.text import printable


@dataclass(frozen=True, slots=True, kw_only=True)
class Matched:
    """Phones by the names they go by over all runs.

    Attributes:
        names: of all phones, in the order they appear.
        notes: what was not obvious, in sentences.
    """

    names: tuple[str, ...]
    found: dict[tuple[int, str], str]
    notes: tuple[str, ...] = ()

    def name(self, run: int, label: str) -> str:
        """What the phone of that label in the run of that number goes by."""
        return self.found[run, label]


def matched(
    reports: Sequence[EnergyReport], runs: Sequence[str], same: Sequence[tuple[str, str]] = ()
) -> Matched:
    """Phones are one where their hash is one; where one of them has none, by label.

    Args:
        reports: energies of each run.
        runs: names of the runs.
        same: pairs of labels that mean one phone, whatever their hashes say.

    Raises:
        ValueError: if a pair names a label that no run has, or makes one phone of two in a run.
    """
    labels = {phone.phone for report in reports for phone in report.phones}
    for pair in same:
        if strange := set(pair) - labels:
            raise ValueError(
                f"no run has a phone labelled {', '.join(printable(s) for s in sorted(strange))}; "
                f"there are {', '.join(sorted(labels))}"
            )
    stands_for = _united(same)
    void = _void_hashes(reports)
    found: dict[tuple[int, str], str] = {}
    hashes: dict[str, str] = {}
    notes: list[str] = []
    for number, report in enumerate(reports):
        for phone in report.phones:
            phone_hash = "" if phone.phone_hash in void else phone.phone_hash
            name = stands_for.get(phone.phone, phone.phone)
            if phone.phone not in stands_for and phone_hash:
                known = next((n for n, h in hashes.items() if h == phone_hash), None)
                if known is None and hashes.get(name):
                    where = f"{phone.phone} in {printable(runs[number])}"
                    notes.append(f"{where} is another phone than before; if not, use --pair")
                    name = where
                name = known or name
            if name in {found.get((number, p.phone)) for p in report.phones}:
                raise ValueError(f"{printable(runs[number])} has two phones that count as {name}")
            found[number, phone.phone] = name
            hashes[name] = hashes.get(name) or phone_hash
    return Matched(names=tuple(dict.fromkeys(found.values())), found=found, notes=tuple(notes))


def _void_hashes(reports: Sequence[EnergyReport]) -> set[str]:
    """Hashes that recognise nothing: phones that do not tell their serial have one in common."""
    return {
        phone_hash
        for report in reports
        for phone_hash, n in Counter(phone.phone_hash for phone in report.phones).items()
        if n > 1
    }


def _united(same: Sequence[tuple[str, str]]) -> dict[str, str]:
    """Each paired label, and the one it stands for."""
    groups: list[list[str]] = []
    for pair in same:
        touched = [group for group in groups if set(group) & set(pair)]
        groups = [group for group in groups if group not in touched]
        groups.append(list(dict.fromkeys([*(x for group in touched for x in group), *pair])))
    return {label: group[0] for group in groups for label in group}
