"""How fast dumps are read, against the least any reader of lines must do with the same text."""

import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.virtual.dumps import dumpsys_battery
from collector.virtual.handset import HANDSETS, Handset, Stage
from collector.virtual.loads import NAVIGATION
from parsers.errors import ParserError
from parsers.sources import SOURCES, Source, battery_checkin, battery_service
from parsers.text import decode

pytestmark = pytest.mark.benchmark
DUMPS = Path(__file__).parents[2] / "fixtures" / "dumps"
ROUNDS = 9
MOST_TIMES_BARE = 80
MOST_TIMES_BARE_BATTERY = 6
SIZE_BYTES = 5_000_000


def bare_pass(texts: list[str]) -> None:
    """What no reader can do without: lines, and key and value of each."""
    for text in texts:
        for line in text.splitlines():
            _key, _colon, _value = line.partition(":")


def best_s(work: Callable[[], object]) -> float:
    times = []
    for _ in range(ROUNDS):
        start = time.thread_time()
        work()
        times.append(time.thread_time() - start)
    return min(times)


def readable(source: Source) -> list[str]:
    """The fixtures of a source that are no refusals, often enough to be timed."""
    found = []
    for case in sorted((DUMPS / source.__name__.rpartition(".")[2]).glob("*.txt")):
        text = decode(case.read_bytes())
        try:
            source.parse(text)
        except ParserError:
            continue
        found.append(text)
    return found * (2000 // sum(text.count("\n") for text in found) + 1)


def polled_dumps() -> list[str]:
    """A drive of the three virtual phones, polled every 10 s: the battery dump of each moment."""
    texts = []
    for spec in HANDSETS:
        stage = Stage(name="navigation", activity=NAVIGATION, duration_s=1e6)
        handset = Handset(spec, (stage,), seed=1)
        for _ in range(150):
            handset.advance_to(handset.boot_s + 10.0)
            texts.append(dumpsys_battery(handset.state()))
    return texts


def times_bare(source: Source, texts: list[str], tell: Callable[[str], None]) -> float:
    """Time of the parser over that of the bare pass; tells the rates."""

    def parse_all() -> None:
        for text in texts:
            source.parse(text)

    parse_s, bare_s = best_s(parse_all), best_s(lambda: bare_pass(texts))
    n_lines = sum(text.count("\n") for text in texts)
    name = source.__name__.rpartition(".")[2]
    tell(
        f"{name:17} {n_lines / parse_s:11,.0f} lines/s {len(texts) / parse_s:9,.0f} dumps/s"
        f" {parse_s / bare_s:6.1f} times the bare pass"
    )
    return parse_s / bare_s


@pytest.fixture
def tell(request: pytest.FixtureRequest) -> Callable[[str], None]:
    writer = request.config.get_terminal_writer()
    return lambda text: writer.line(f"\n{text}")


@pytest.mark.parametrize("source", SOURCES, ids=lambda source: source.__name__.rpartition(".")[2])
def test_every_parser_against_the_bare_pass(source: Source, tell: Callable[[str], None]) -> None:
    assert times_bare(source, readable(source), tell) <= MOST_TIMES_BARE


def test_the_polled_battery_dump_against_the_bare_pass(tell: Callable[[str], None]) -> None:
    ratios = (times_bare(battery_service, polled_dumps(), tell) for _ in range(3))
    assert min(ratios) <= MOST_TIMES_BARE_BATTERY


def statistics_dump(size_bytes: int) -> str:
    """The worst there can be: the shortest records, each of them a change that is kept."""
    head = "9,0,i,vers,36,215,EX1,EX1\n9,h,0:RESET:TIME:1935561600000\n"
    n_records = (size_bytes - len(head)) // 16
    return head + "".join(f"9,h,{k % 1000:04},Bl={k % 100:03}\n" for k in range(n_records))


@pytest.mark.timeout(90)
def test_five_megabytes_of_statistics(tell: Callable[[str], None]) -> None:
    text, half = statistics_dump(SIZE_BYTES), statistics_dump(SIZE_BYTES // 2)
    half_s = best_s(lambda: battery_checkin.parse(half))
    start = time.thread_time()
    row = battery_checkin.parse(text).rows[0]
    whole_s = time.thread_time() - start
    tracemalloc.start()
    try:
        battery_checkin.parse(half)
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    tell(f"{len(text):,} bytes: {whole_s:.2f} s, {peak_bytes / len(half):.1f} times its size")
    assert len(row.history) == text.count("Bl=")
    assert whole_s < 2.6 * half_s
    assert peak_bytes < 10 * len(half)
