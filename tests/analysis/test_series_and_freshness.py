import numpy as np
import pandas as pd
import pytest

from analysis.errors import SeriesError
from analysis.estimation.profile import usual, usual_spacing
from analysis.readings.freshness import Known, hold_period_s, step_size
from analysis.readings.recording import _lasting
from analysis.readings.series import Series
from analysis.readings.sleep import sleeps


def test_times_must_ascend() -> None:
    with pytest.raises(SeriesError, match="strictly ascending") as caught:
        Series.from_arrays(t_s=[0.0, 1.0, 1.0])
    assert caught.value.column == "t_s"
    assert caught.value.exit_code == 2


def test_columns_must_be_as_long_as_times() -> None:
    with pytest.raises(SeriesError) as caught:
        Series.from_arrays(t_s=[0.0, 1.0], voltage_mv=[3800.0])
    assert caught.value.column == "voltage_mv"


def test_untrusted_values_are_absent_but_clocks_stay() -> None:
    series = Series.from_arrays(
        t_s=[0.0, 1.0, 2.0],
        current_ma=[-1.0, -2.0, -3.0],
        awake_s=[0.0, 1.0, 2.0],
        trusted=[True, False, True],
    )
    assert series.known("current_ma")[0].tolist() == [0.0, 2.0]
    assert series.known("awake_s")[0].tolist() == [0.0, 1.0, 2.0]


def test_live_source_is_not_held_and_cached_one_is() -> None:
    rng = np.random.default_rng(2)
    t_s = np.arange(0.0, 600.0)
    live = rng.normal(500.0, 50.0, 600)
    assert hold_period_s(Known.of(t_s, live), 1.0) is None
    cached = np.repeat(live[::5], 5)
    assert hold_period_s(Known.of(t_s, cached), 1.0) == 5.0
    assert hold_period_s(Known.of(t_s, np.full(600, 400.0)), 1.0) is None
    often_equal = np.where(rng.random(600) < 0.3, 400.0, live)
    assert hold_period_s(Known.of(t_s, often_equal), 1.0) is None


@pytest.mark.parametrize(
    ("values", "step"),
    [([10.0, 10.0], None), ([10.0, 8.0, 5.0], 1.0), ([3.02, 3.0, np.nan, 2.95], 0.01)],
)
def test_step_size(values: list[float], step: float | None) -> None:
    found = step_size(Known.of(np.arange(float(len(values))), np.array(values)))
    assert found == (None if step is None else pytest.approx(step))


def test_sleep_is_found_where_no_reading_came() -> None:
    t_s = np.array([0.0, 1.0, 2.0, 40.0, 41.0, 42.0, 43.0])
    awake_s = np.array([100.0, np.nan, np.nan, 103.0, np.nan, np.nan, 106.0])
    series = Series.from_arrays(t_s=t_s, awake_s=awake_s)
    found = sleeps(series)
    assert found.shape == (1, 2)
    assert np.diff(found)[0, 0] == pytest.approx(37.0)
    assert found[0, 0] - 2.0 == pytest.approx(40.0 - found[0, 1])


def test_a_silent_but_awake_phone_did_not_sleep() -> None:
    series = Series.from_arrays(t_s=[0.0, 1.0, 60.0], awake_s=[0.0, 1.0, 60.0])
    assert sleeps(series).shape == (0, 2)


def test_a_part_tells_what_is_usual_among_very_many() -> None:
    rng = np.random.default_rng(4)
    t_s = np.cumsum(rng.uniform(0.09, 0.11, 1_000_000))
    assert usual_spacing(t_s, 0.25) == usual(np.diff(t_s), 0.25)
    assert usual_spacing(t_s) == pytest.approx(float(np.median(np.diff(t_s))), rel=1e-3)
    cached = np.repeat(rng.integers(300, 700, 200_000).astype(np.float64), 5)
    assert hold_period_s(Known.of(t_s, cached), 0.1) == pytest.approx(0.5, rel=0.02)
    assert step_size(Known.of(t_s, cached)) == pytest.approx(1.0)


def test_a_state_lasts_until_it_is_read_again() -> None:
    column = pd.Series([None, True, None, None, False, None], dtype="boolean")
    assert _lasting(column).tolist() == [False, True, True, True, False, False]
    assert not _lasting(pd.Series([None, None], dtype="boolean")).any()


def test_arrays_given_are_kept_and_not_changed() -> None:
    given = np.array([3800.0, np.inf, 99_999.0, 3799.0])
    series = Series.from_arrays(t_s=np.arange(4.0), voltage_mv=given)
    assert series.known("voltage_mv")[1].tolist() == [3800.0, 3799.0]
    assert given.tolist() == [3800.0, np.inf, 99_999.0, 3799.0]
