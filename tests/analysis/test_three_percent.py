from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis import energy, load
from analysis.comparison.comparing import verdicts
from analysis.comparison.verdict import Comparison, Verdict
from analysis.report import EnergyReport

STAGES = (("navigation", 1800.0), ("voice call", 1800.0), ("scanning", 1800.0))
CALL = (1800.0, 3600.0)
MORE_RATIO = 1.1
SEED = 5
"""Of a day during which both levels fall by three steps."""


def heavier(truth: Any, ratio: float) -> Any:
    """The same day on a phone that draws more."""
    start_mah = truth.charge_mah[0]
    return replace(
        truth,
        current_ma=ratio * truth.current_ma,
        charge_mah=start_mah + ratio * (truth.charge_mah - start_mah),
        energy_mwh=ratio * truth.energy_mwh,
    )


@pytest.fixture
def recorded(
    tmp_path: Path,
    phones_made: list[Any],
    truth_of: Callable[..., Any],
    reading_of: Callable[..., Any],
    writing: Callable[..., Path],
    tagging: Callable[..., Any],
) -> Callable[[str], EnergyReport]:
    """Two phones of which one draws a tenth more, through a gauge."""

    def made(gauge: str) -> EnergyReport:
        truth = truth_of(SEED, STAGES)
        phones = []
        for label, mine in (("alder-1", truth), ("birch-1", heavier(truth, MORE_RATIO))):
            series = reading_of(mine, gauge, SEED)
            entry = {"capacity_mah": series.capacity_mah}
            phones.append(
                replace(phones_made[0], label=label, truth=mine, series=series, entry=entry)
            )
        begin_s, end_s = CALL
        tags = [tagging("begin", begin_s, "voice call"), tagging("end", end_s)]
        report: EnergyReport = energy(load(writing(tmp_path / gauge, phones, tags)))
        return report

    return made


def call(report: EnergyReport) -> Comparison:
    return next(c for c in verdicts(report) if c.activity == "voice call")


def test_the_same_three_percent_are_no_verdict(recorded: Callable[[str], EnergyReport]) -> None:
    report = recorded("percent")
    assert [p.segments[0].level_used_pct for p in report.phones] == [3.0, 3.0]
    found = call(report)
    assert found.verdict is Verdict.UNRESOLVED
    assert found.contrast.smallest_seen_ratio is not None
    assert found.contrast.smallest_seen_ratio > MORE_RATIO - 1
    ratio = found.contrast.ratio
    assert ratio.lo95 is not None
    assert ratio.hi95 is not None
    assert ratio.lo95 < 1 / MORE_RATIO < ratio.hi95


@pytest.mark.parametrize("gauge", ["fine", "cached"])
def test_current_and_counter_tell_them_apart(
    recorded: Callable[[str], EnergyReport], gauge: str
) -> None:
    found = call(recorded(gauge))
    assert (found.one, found.other) == ("alder-1", "birch-1")
    assert found.verdict is Verdict.LOWER
    assert found.contrast.ratio.value == pytest.approx(1 / MORE_RATIO, abs=0.01)


def test_percents_need_not_add_up_but_energies_do(
    recorded: Callable[[str], EnergyReport],
) -> None:
    for phone in recorded("percent").phones:
        (segment,) = phone.segments
        levels = phone.traces.level_pct[np.isfinite(phone.traces.level_pct)]
        fell_pct = levels[0] - levels[-1]
        share = segment.amount.energy_mwh / phone.total.energy_mwh
        assert segment.level_used_pct is not None
        assert abs(segment.level_used_pct / fell_pct - share) > 0.005, "whole steps, not shares"
        assert segment.amount.energy_mwh + phone.untagged.energy_mwh == pytest.approx(
            phone.total.energy_mwh, rel=1e-12
        )
