"""A slice of the known-truth study: shorter days, few phones, the same targets with margin."""

from dataclasses import fields, replace

import numpy as np
import pytest

from analysis.estimation.choose import best
from analysis.estimators import charge_counter, fused, power_integral
from collector.virtual.loads import (
    GAME,
    MUSIC,
    NAVIGATION,
    POCKET_IDLE,
    STANDBY,
    VIDEO_BRIEFING,
)
from collector.virtual.profiles import (
    LEVEL_COUNTER,
    LIVE_MICROAMP,
    MILLIAMP_INVERTED,
    PERCENT_PUSHED,
    RECALIBRATING,
    WINDOWED_HALF_MAH,
)
from tests.known_truth.cells import ALL, Coverage, cells, duel
from tests.known_truth.recordings import Recorded, load, path_of, record, save
from tests.known_truth.targets import TARGETS, default_of, missed
from tests.known_truth.trial import ACTIVE, Outcome, outcomes

pytestmark = pytest.mark.timeout(90)  # the first test waits for eighteen phones

PROFILES = (
    LIVE_MICROAMP,
    WINDOWED_HALF_MAH,
    MILLIAMP_INVERTED,
    LEVEL_COUNTER,
    RECALIBRATING,
    PERCENT_PUSHED,
)
DAY = (
    (NAVIGATION, 900.0),
    (STANDBY, 1200.0),
    (MUSIC, 900.0),
    (POCKET_IDLE, 1200.0),
    (VIDEO_BRIEFING, 900.0),
    (GAME, 900.0),
)
SEEDS = range(3)
MARGIN = 2.5
"""Half as long segments scatter by half as much again, and three runs scatter themselves."""


@pytest.fixture(scope="module")
def recorded() -> list[Recorded]:
    return [r for gauge in PROFILES for seed in SEEDS for r in record(gauge, seed, (1.0,), DAY)]


@pytest.fixture(scope="module")
def found(recorded: list[Recorded]) -> list[Outcome]:
    return [outcome for each in recorded for outcome in outcomes(each)]


def test_targets_coverage_and_comparisons_hold(found: list[Outcome]) -> None:
    by_key = cells(found)
    judged = {t.gauge.name for t in TARGETS} & {key[0] for key in by_key}
    assert judged == {gauge.name for gauge in PROFILES}
    assert not list(missed(found, by_key, MARGIN))


def test_intervals_hold_the_truth_over_the_slice(found: list[Outcome]) -> None:
    stated = [o for o in found if np.isfinite(o.reach_mwh)]
    own = np.mean([abs(o.own_error_mwh) <= o.own_reach_mwh for o in stated])
    whole = np.mean([abs(o.error_mwh) <= o.reach_mwh for o in stated])
    assert len(stated) > 200
    assert 0.9 <= own <= 0.99
    assert 0.9 <= whole <= 0.995


@pytest.mark.parametrize("single", [power_integral.NAME, charge_counter.NAME])
def test_fused_is_no_worse_than_what_it_fuses(found: list[Outcome], single: str) -> None:
    gauges = {o.gauge for o in found if o.estimator == single}
    assert gauges
    for gauge in gauges:
        ours, theirs = (
            [o for o in found if (o.gauge, o.estimator, o.kind) == (gauge, name, ACTIVE)]
            for name in (fused.NAME, single)
        )
        assert not duel(ours, theirs).lost
    fine = (LIVE_MICROAMP.name, RECALIBRATING.name)
    ours, theirs = (
        [o for o in found if o.gauge in fine and o.estimator == name and o.kind == ACTIVE]
        for name in (fused.NAME, single)
    )
    assert duel(ours, theirs).rms_ratio < 0.8


def test_every_phone_gets_the_method_that_it_allows(found: list[Outcome]) -> None:
    by_key = cells(found)
    for gauge in PROFILES:
        assert (gauge.name, default_of(gauge, by_key), 1.0, ALL) in by_key


def test_energies_add_up(recorded: list[Recorded]) -> None:
    for each in recorded[:: len(SEEDS)]:
        series = each.series()
        ends = each.borders_s[[0, -1]]
        parts, whole = best(series, each.borders_s), best(series, ends)
        total, u_mwh = parts.summed(np.ones(len(parts.energy_mwh)))
        if parts.method[0] == fused.NAME:
            assert total == pytest.approx(whole.energy_mwh[0], rel=2e-4)
        assert abs(total - each.true_mwh.sum()) < 3 * u_mwh


def test_a_recording_is_kept_whole(
    recorded: list[Recorded], tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("kept")
    save(recorded[0], folder)
    again = load(path_of(folder, recorded[0].gauge, recorded[0].seed, recorded[0].rate_hz))
    assert all(
        np.array_equal(column, again.columns[name], equal_nan=True)
        for name, column in recorded[0].columns.items()
    )
    for field in {each.name for each in fields(Recorded)} - {"columns"}:
        assert np.all(getattr(recorded[0], field) == getattr(again, field)), field


def test_a_wrong_interval_and_a_lost_comparison_are_seen(found: list[Outcome]) -> None:
    narrow = [replace(o, own_reach_mwh=o.own_reach_mwh / 10) for o in found]
    assert any("too narrow" in said for said in missed(narrow, cells(narrow), MARGIN))
    assert Coverage(ratio=1.0, n=480).verdict == "too wide"
    assert Coverage(ratio=0.95, n=480).verdict == ""
    wrong = [
        replace(o, own_error_mwh=o.own_error_mwh + 0.05 * o.true_mwh)
        if o.estimator == fused.NAME
        else o
        for o in found
    ]
    said = list(missed(wrong, cells(wrong), MARGIN))
    assert any("wanted" in each for each in said)
    assert any("times the error" in each for each in said)
