"""The known-truth results as Markdown tables."""

from collections.abc import Iterable, Iterator, Mapping

from analysis.estimators import ESTIMATORS
from collector.virtual.profiles import PROFILES
from tests.known_truth.cells import ALL, Cell, Coverage, Key
from tests.known_truth.targets import AT_HZ, default_of
from tests.known_truth.trial import ACTIVE, IDLE, KINDS, LIGHT, SLEEPY, TRAPEZOID, WHOLE_PERCENTS

_METHODS = tuple(estimator.NAME for estimator in ESTIMATORS)
_NOTHING = "–"


def summary(cells: Mapping[Key, Cell]) -> str:
    """One row per gauge and method: the errors at all rates, coverage and width at 1 Hz."""
    head = (
        "gauge",
        "method",
        "bias %",
        "RMS % at 1 Hz",
        "0.2 Hz",
        "10 Hz",
        "music %",
        "standby mWh",
        "idle mWh",
        "holds, own",
        "holds, whole",
        "± %",
    )
    return _table(head, _summary_rows(cells))


def _summary_rows(cells: Mapping[Key, Cell]) -> Iterator[tuple[str, ...]]:
    for gauge, method in _pairs(cells, _METHODS):

        def of(kind: str, rate_hz: float = AT_HZ, key: tuple[str, str] = (gauge, method)) -> Cell:
            return cells[*key, rate_hz, kind]

        rates = ((gauge, method, rate_hz, ACTIVE) for rate_hz in (0.2, 10.0))
        yield (
            gauge,
            method,
            f"{of(ACTIVE).bias_pct:+.3f}",
            f"{of(ACTIVE).rms_pct:.3f}",
            *(f"{cells[key].rms_pct:.3f}" if key in cells else _NOTHING for key in rates),
            f"{of(LIGHT).rms_pct:.2f}",
            f"{of(SLEEPY).rms_mwh:.2f}",
            f"{of(IDLE).rms_mwh:.2f}",
            _coverage(of(ALL).own),
            _coverage(of(ALL).whole),
            f"{of(ACTIVE).reach_pct:.2f}",
        )


def baselines(cells: Mapping[Key, Cell]) -> str:
    """What the default method gains over whole percents and over integrating readings as read."""
    head = (
        "gauge",
        "whole percents, active %",
        "trapezoid",
        "ours",
        "trapezoid, idle mWh",
        "ours",
    )
    rows = []
    for gauge in (profile.name for profile in PROFILES):
        ours = default_of(gauge, cells)
        if (gauge, ours, AT_HZ, ACTIVE) not in cells:
            continue
        active, idle = (
            [cells.get((gauge, method, AT_HZ, kind)) for method in (TRAPEZOID, ours)]
            for kind in (ACTIVE, IDLE)
        )
        whole = cells[gauge, WHOLE_PERCENTS, AT_HZ, ACTIVE]
        rows.append(
            (
                gauge,
                f"{whole.rms_pct:.1f}",
                *(f"{each.rms_pct:.3f}" if each else _NOTHING for each in active),
                *(f"{each.rms_mwh:.1f}" if each else _NOTHING for each in idle),
            )
        )
    return _table(head, rows)


def details(cells: Mapping[Key, Cell], rate_hz: float) -> str:
    """One row per gauge, method and kind of segment at one rate; unjudged coverage in brackets."""
    head = ("gauge", "method", "segments", "n", "runs", "bias %", "RMS %", "RMS mWh")
    rows = []
    for gauge, method in _pairs(cells, (*_METHODS, TRAPEZOID, WHOLE_PERCENTS), rate_hz):
        for kind in (*KINDS, ALL):
            each = cells.get((gauge, method, rate_hz, kind))
            if each is not None:
                rows.append((gauge, method, kind, *_figures(each)))
    return _table((*head, "holds, own", "holds, whole", "± %"), rows)


def _figures(each: Cell) -> tuple[str, ...]:
    sides = "{}" if each.judged else "({})"
    stated = each.reach_pct == each.reach_pct  # NaN where a method states none
    return (
        str(each.n),
        str(each.n_runs),
        f"{each.bias_pct:+.3f}",
        f"{each.rms_pct:.3f}",
        f"{each.rms_mwh:.3f}",
        sides.format(_coverage(each.own)) if stated else _NOTHING,
        sides.format(_coverage(each.whole)) if stated else _NOTHING,
        f"{each.reach_pct:.2f}" if stated else _NOTHING,
    )


def _pairs(
    cells: Mapping[Key, Cell], methods: Iterable[str], rate_hz: float = AT_HZ
) -> Iterator[tuple[str, str]]:
    for profile in PROFILES:
        for method in methods:
            if (profile.name, method, rate_hz, ACTIVE) in cells:
                yield profile.name, method


def _coverage(each: Coverage) -> str:
    return f"{100 * each.ratio:.1f}"


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    ruler = ("---", "---", *("--:" for _ in head[2:]))
    return "\n".join(f"| {' | '.join(row)} |" for row in (head, ruler, *rows))
