"""Simulates phones of known energy, runs every estimator on them, and says what is missed.

    python tests/known_truth/run.py --seeds 60 --cache /tmp/known-truth

Prints Markdown tables; ends with 1 if a target, a coverage or a comparison is missed. Recordings
are kept in the cache and made once; the same seed makes the same phone.
"""

import argparse
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import TypeVar

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from collector.virtual.profiles import PROFILES  # noqa: E402 - runs as a script
from tests.known_truth import tables  # noqa: E402
from tests.known_truth.cells import cells  # noqa: E402
from tests.known_truth.recordings import load, path_of, record, save  # noqa: E402
from tests.known_truth.targets import missed  # noqa: E402
from tests.known_truth.trial import Outcome, outcomes  # noqa: E402

RATES_HZ = (0.2, 1.0)
FAST_HZ, FAST_EVERY = 10.0, 10
"""Ten times the readings cost ten times the time: every tenth phone is polled at that rate too."""

N_PROCESSES = 2
Item = TypeVar("Item")
Result = TypeVar("Result")


def rates_of(seed: int) -> tuple[float, ...]:
    """At which rates a seed's phone is polled; all at once, so that they share one truth."""
    return (*RATES_HZ, FAST_HZ) if seed % FAST_EVERY == FAST_EVERY - 1 else RATES_HZ


def simulate(cache: Path, phone: tuple[int, int]) -> None:
    """Makes and keeps what the cache lacks of one phone, given as index of its gauge and seed."""
    gauge, seed = PROFILES[phone[0]], phone[1]
    rates_hz = rates_of(seed)
    if not all(path_of(cache, gauge.name, seed, rate_hz).exists() for rate_hz in rates_hz):
        for recorded in record(gauge, seed, rates_hz):
            save(recorded, cache)


def judge(cache: Path, phone: tuple[int, int]) -> list[Outcome]:
    """All outcomes of one phone."""
    gauge, seed = PROFILES[phone[0]], phone[1]
    paths = (path_of(cache, gauge.name, seed, rate_hz) for rate_hz in rates_of(seed))
    return [outcome for path in paths for outcome in outcomes(load(path))]


def each_of(
    pool: ProcessPoolExecutor, what: str, do: Callable[[Item], Result], items: list[Item]
) -> Iterator[Result]:
    """The results in order; progress goes to stderr."""
    for n_done, result in enumerate(pool.map(do, items), start=1):
        print(f"\r{what} {n_done} of {len(items)}", end="", file=sys.stderr, flush=True)
        yield result
    print(file=sys.stderr)


def report(found: list[Outcome], *, every: bool) -> Iterable[str]:
    """The tables, then what is missed."""
    by_key = cells(found)
    yield tables.summary(by_key)
    yield tables.baselines(by_key)
    if every:
        for rate_hz in sorted({outcome.rate_hz for outcome in found}):
            yield f"At {rate_hz:g} Hz:\n\n{tables.details(by_key, rate_hz)}"


def main() -> int:
    """Ends with the number that the shell gets."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=60, help="phones per gauge (60)")
    parser.add_argument("--first", type=int, default=0, help="number of the first phone (0)")
    parser.add_argument("--cache", type=Path, help="folder for recordings (a temporary one)")
    parser.add_argument("--gauge", action="append", help="only this gauge; may be repeated")
    parser.add_argument("--details", action="store_true", help="also by kind of segment")
    given = parser.parse_args()
    cache = given.cache or Path(tempfile.gettempdir()) / "rundown-known-truth"
    cache.mkdir(parents=True, exist_ok=True)
    names = given.gauge or [profile.name for profile in PROFILES]
    gauges = [k for k, profile in enumerate(PROFILES) if profile.name in names]
    seeds = range(given.first, given.first + given.seeds)
    phones = [(gauge, seed) for seed in seeds for gauge in gauges]
    with ProcessPoolExecutor(N_PROCESSES) as pool:
        for _ in each_of(pool, "simulated", partial(simulate, cache), phones):
            pass
        judged = each_of(pool, "estimated", partial(judge, cache), phones)
        found = [outcome for outcomes_ in judged for outcome in outcomes_]
    n_recorded = sum(len(rates_of(seed)) for _, seed in phones)
    print(f"{len(phones)} phones, {n_recorded} recordings, {len(found)} estimates of segments\n")
    for part in report(found, every=given.details):
        print(part, end="\n\n")
    faults = list(missed(found, cells(found)))
    print("\n".join(faults) if faults else "nothing missed")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
