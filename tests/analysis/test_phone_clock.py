import numpy as np
import pytest

from analysis.readings.clock import DRIFT_LIMIT_RATIO, PhoneClock, fit_session
from parsers.runfolder import ClockAnchor

DRIFT_RATIO = 3e-5


def test_latency_is_taken_out_and_drift_followed() -> None:
    rng = np.random.default_rng(3)
    boot_s = 5000.0 + np.arange(0.0, 8 * 3600.0)
    true_offset_s = -4000.0 + DRIFT_RATIO * (boot_s - boot_s[0])
    host_s = boot_s + true_offset_s + 0.004 + rng.exponential(0.05, len(boot_s))
    session = fit_session("aaaaaaaa", boot_s, host_s, 1000.0, -np.inf)
    off_s = session.offset_s - true_offset_s
    assert off_s.min() > 0
    assert off_s.max() < 0.02
    clock = PhoneClock(sessions=(session,))
    wanted = 4 * 3600
    t_s, u_s = clock.from_host(float(boot_s[wanted] + true_offset_s[wanted]))
    assert t_s - session.shift_s == pytest.approx(boot_s[wanted], abs=0.02)
    assert 0.002 < u_s < 0.05


def test_readings_fetched_late_do_not_bend_the_axis() -> None:
    boot_s = np.arange(0.0, 7200.0)
    late_s = np.full(7200, 0.01)
    late_s[2000:5000] = 5200.0 - boot_s[2000:5000]
    session = fit_session("aaaaaaaa", boot_s, boot_s + 100.0 + late_s, 100.0, -np.inf)
    assert np.abs(session.offset_s - 100.01).max() < 1e-4 * 1500 + 1e-9
    clock = PhoneClock(sessions=(session,))
    assert clock.from_host(3600.0)[1] > 5 * clock.from_host(1000.0)[1]


def test_sessions_lie_after_each_other_by_the_computers_clock() -> None:
    boot_s = np.arange(0.0, 100.0)
    first = fit_session("aaaaaaaa", boot_s + 500, boot_s + 1000, 1000.0, -np.inf)
    second = fit_session("bbbbbbbb", boot_s + 20, boot_s + 1200, 1000.0, 99.0)
    clock = PhoneClock(sessions=(first, second))
    assert [clock.from_host(h)[0] for h in (1050.0, 1150.0, 1250.0)] == pytest.approx(
        [50.0, 150.0, 250.0]
    )
    assert second.shift_s + 20 == pytest.approx(200.0)


def test_an_armed_phone_is_known_only_where_its_link_was_up() -> None:
    boot_s = np.arange(0.0, 8 * 3600.0)
    session = fit_session("aaaaaaaa", boot_s, boot_s + 100.0, 100.0, -np.inf)
    assert PhoneClock(sessions=(session,)).from_host(14_500.0)[1] == pytest.approx(0.002)
    armed = ClockAnchor(boot_id="aaaaaaaa", boot_s=0.0, host_s=100.0, u_s=0.01)
    shut_off = PhoneClock(sessions=(session.known_at([armed]),))
    at_end_s = shut_off.from_host(100.0 + 8 * 3600.0)[1]
    assert at_end_s == pytest.approx(DRIFT_LIMIT_RATIO * 8 * 3600 / 3**0.5, rel=0.01)
    fetched = ClockAnchor(boot_id="aaaaaaaa", boot_s=8 * 3600.0, host_s=28_900.0, u_s=0.02)
    both = PhoneClock(sessions=(session.known_at([armed, fetched]),))
    assert both.from_host(100.0 + 8 * 3600.0)[1] == pytest.approx(0.02, rel=0.01)
    assert both.from_host(100.0 + 4 * 3600.0)[1] == pytest.approx(at_end_s / 2, rel=0.01)
