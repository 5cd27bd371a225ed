"""What was found in one phone's stream of readings, each with the time it holds for."""

from collections.abc import Iterator

import numpy as np

from analysis.estimation.counting import judged, judges
from analysis.estimation.profile import Bools, Floats, n_per_second
from analysis.estimators import charge_counter
from analysis.readings.recording import Recording
from analysis.readings.series import Series
from analysis.readings.unread import frozen, missed
from analysis.report import Finding
from parsers.text import so_many

PLUGGED = "plugged in"
UNTRUSTED = "values simulated or frozen"
SILENT, SPARSE = "no readings", "readings are far apart"
_CLOCK_STEP_S = 2.0
_DOZE_S, _MUCH = 5.0, 0.2
_Span = tuple[str, float, float, bool]


def found_in(recording: Recording, series: Series) -> tuple[Finding, ...]:
    """Everything about a phone's readings that is handled or doubtful, in the order of time."""
    spans = [
        *_source(series),
        *_states(series),
        *_counter(recording, series),
        *_sessions(recording),
    ]
    spans.sort(key=lambda span: span[1])
    utc = recording.utc_at([at_s for _, *ends, _ in spans for at_s in ends])
    return tuple(
        Finding(
            said=said,
            start_s=start_s,
            end_s=end_s,
            start_utc=start_utc,
            end_utc=end_utc,
            harmless=harmless,
            throughout=(start_s, end_s) == (series.t_s[0], series.t_s[-1]),
        )
        for (said, start_s, end_s, harmless), start_utc, end_utc in zip(
            spans, utc[::2], utc[1::2], strict=True
        )
    )


def _source(series: Series) -> Iterator[_Span]:
    """How fresh the readings are."""
    whole = (float(series.t_s[0]), float(series.t_s[-1]))
    names = {"current_ma": "current", "voltage_mv": "voltage"}
    holds = {"current_ma": series.current_hold_s, "voltage_mv": series.look_s["voltage_mv"]}
    for quantity, name in names.items():
        hold_s, known = holds[quantity], series.read(quantity)
        if hold_s is None or hold_s <= 1.5 * series.poll_s or not len(known):
            continue
        repeated = 1 - len(known.news) / len(known)
        yield (
            f"the {name} is refreshed every {hold_s:.3g} s: {repeated:.0%} of its readings repeat "
            "the one before and are not counted again",
            *whole,
            True,
        )
    for quantity, times in series.removed.items():
        for start_s, end_s in _joined(times, series.poll_s):
            n = int(np.sum((times >= start_s) & (times <= end_s)))
            readings = so_many(n, "impossible reading")
            yield f"{readings} of {quantity} left out", start_s, end_s, False


def _states(series: Series) -> Iterator[_Span]:
    """When readings were missing, held back or of another kind."""
    for said, holds in (
        (PLUGGED, series.plugged),
        (UNTRUSTED, ~series.trusted),
    ):
        for start_s, end_s in _spans(series.t_s, holds):
            yield said, start_s, end_s, False
    for first, after in _runs(missed(series)):
        said = SILENT if after == first + 1 else SPARSE
        yield said, float(series.t_s[first]), float(series.t_s[after]), False
    if not series.has("awake_s") and not series.has("counter_mah"):
        yield from _unknown_sleep(series)
    name = "current" if series.has("current_ma") else "voltage"
    for start_s, end_s in frozen(series):
        yield f"the {name} is frozen", float(start_s), float(end_s), False


def _counter(recording: Recording, series: Series) -> Iterator[_Span]:
    """What kind of counter it is, and when it was corrected."""
    whole = (float(series.t_s[0]), float(series.t_s[-1]))
    values = series.known("counter_mah")[1]
    gauge = recording.entry.gauge
    # Of a raw counter that never moves the unit cannot be told, so there are no values of it.
    told = gauge is not None and gauge.counter == "stuck"
    stuck = bool(np.ptp(values) == 0) if len(values) else told
    if not len(values) and not stuck:
        yield "no charge counter was read", *whole, True
        return
    if not charge_counter.can(series):
        kind = "never moves" if stuck else "moves only with the level"
        yield f"the charge counter {kind}; it is not used", *whole, True
        return
    if judges(series):
        beside = judged(series)
        for said in charge_counter.notes_on(beside.found):
            yield said, *whole, not beside.found.contradicts
        for jump_s in beside.jump_s:
            yield "the charge counter jumped; the jump is taken out", jump_s, jump_s, False


def _sessions(recording: Recording) -> Iterator[_Span]:
    """Restarts of the phone, and steps of its wall clock."""
    for session in recording.clock.sessions[1:]:
        yield "the phone restarted", session.first_s, session.first_s, False
    every = n_per_second(recording.readings["t_s"].to_numpy())
    some = recording.readings[["t_s", "phone_utc"]].iloc[::every].dropna()
    times, wall = some["t_s"].to_numpy(), some["phone_utc"]
    wall_us = wall.dt.as_unit("us").astype("int64").to_numpy()
    lead_s = (wall_us - wall_us[:1]) / 1e6 - times
    for at in np.flatnonzero(np.abs(np.diff(lead_s)) > _CLOCK_STEP_S):
        step_s = lead_s[at + 1] - lead_s[at]
        yield f"the phone's clock was set by {step_s:+.0f} s", times[at + 1], times[at + 1], True


def _unknown_sleep(series: Series) -> Iterator[_Span]:
    """Much of the time lies between readings so far apart that the phone may have slept there."""
    spacing_s = np.diff(series.t_s)
    far = (spacing_s > _DOZE_S) & ~missed(series)
    if spacing_s[far].sum() > _MUCH * np.ptp(series.t_s):
        yield (
            f"readings are up to {spacing_s[far].max():.0f} s apart, and nothing tells whether "
            "the phone slept between them: it is taken to have been awake",
            float(series.t_s[0]),
            float(series.t_s[-1]),
            True,
        )


def _spans(t_s: Floats, holds: Bools) -> Iterator[tuple[float, float]]:
    """First and last moment of each run of readings that fulfil a condition."""
    for first, after in _runs(holds):
        yield float(t_s[first]), float(t_s[min(after, len(t_s) - 1)])


def _runs(holds: Bools) -> Iterator[tuple[int, int]]:
    """First of each run of those that fulfil a condition, and the one after its last."""
    if holds.any():
        edges = np.flatnonzero(np.diff(np.concatenate([[False], holds, [False]]).astype(np.int8)))
        yield from ((int(first), int(after)) for first, after in edges.reshape(-1, 2))


def _joined(times: Floats, poll_s: float) -> Iterator[tuple[float, float]]:
    """Moments close to each other as one span each."""
    if not len(times):
        return
    breaks = np.flatnonzero(np.diff(times) > 10 * max(poll_s, 1.0))
    first = np.concatenate([[0], breaks + 1])
    last = np.concatenate([breaks, [len(times) - 1]])
    for a, b in zip(first, last, strict=True):
        yield float(times[a]), float(times[b])
