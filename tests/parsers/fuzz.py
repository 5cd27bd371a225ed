"""Throws mutated dumps, journals and tags at everything that reads, and counts what goes wrong.

    python tests/parsers/fuzz.py --inputs 1000000

Inputs are bent copies of the fixtures and bytes out of nowhere, the same for the same seed. Wrong
is any exception but ours, and a text that takes more than linear time: every so often an input is
repeated to tens of kilobytes, as lines, as one line, and as a line of one token over and over;
twice that must take about twice as long.
"""

import argparse
import json
import random
import re
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from parsers.blocks import BlockReader, parse_block  # noqa: E402 - runs as a script
from parsers.errors import RundownError  # noqa: E402
from parsers.journal import MAGIC, Framer, RecordKind, read_journal  # noqa: E402
from parsers.recognise import as_json, recognise  # noqa: E402
from parsers.redact import redact_bytes  # noqa: E402
from parsers.sources import SOURCES, Source, settings  # noqa: E402
from parsers.tags import read_tags  # noqa: E402
from parsers.text import decode, lines_of  # noqa: E402

LINEAR_EVERY = 250
LONG_BYTES = 24_000
MOST_TIMES_AS_LONG = 2.7
TRIES = 10
TOKENS = (
    *(b"\n", b"\r\n", b"\n\n", b"\x00", b"\xff", b"\xef\xbb\xbf", b" ", b"\t", b":", b"=", b": "),
    *(b"-1", b"0", b"-22", b"2147483647", b"-2147483648", b"9223372036854775807", b"9" * 40),
    *(b"-9223372036854775808", b"NaN", b"Infinity", b"1E999", b"null", b"true", b"{", b"}", b"["),
    *(b"]", b"(", b")", b'"', b",", b"\xe2\x80\xa8", "٣".encode(), "²".encode(), b"\x1b[2J"),
    *(b"@begin 1 0123abcd 1.0\n", b"@part battery 5\n", b"@end 1 1.0 - -\n", b"RJ", b"9,h,"),
)
NUMBER = re.compile(rb"-?[0-9]+")


@dataclass(frozen=True)
class Target:
    """Something that reads, and texts it should be able to read."""

    name: str
    read: Callable[[bytes], object]
    texts: list[bytes]


def reads_dump(source: Source) -> Callable[[bytes], object]:
    def read(data: bytes) -> object:
        if len(redact_bytes(data, source)) != len(data):
            raise AssertionError("redacted to another length")
        text = decode(data)
        source.looks_like(lines_of(text))
        return json.dumps(as_json(source, source.parse(text)), allow_nan=False)

    return read


def reads_file(path: Path, reader: Callable[[Path], object]) -> Callable[[bytes], object]:
    def read(data: bytes) -> object:
        path.write_bytes(data)
        return reader(path)

    return read


def reads_blocks(data: bytes) -> object:
    parse_block(data)
    reader, half = BlockReader(), len(data) // 2
    found = [*reader.feed(data[:half]), *reader.feed(data[half:])]
    return len(found), reader.stray_bytes


def targets(folder: Path) -> list[Target]:
    dumps = ROOT / "fixtures" / "dumps"
    found = []
    every: list[bytes] = []
    for source in SOURCES:
        name = source.__name__.rpartition(".")[2]
        texts = [path.read_bytes() for path in sorted((dumps / name).glob("*.txt"))]
        found.append(Target(name, reads_dump(source), texts))
        every += texts
    block = b"@begin 7 0123abcd 12.50\n@part battery %d\n%s\n@end 7 12.75 1764063600.1 31\n"
    blocks = [block % (len(text), text) for text in every[::9]]
    tag = b'{"what":"begin","name":"call","at_utc":"2026-11-25T10:00:00Z"}\n'
    return [
        *found,
        Target("setting", lambda d: settings.parse_value("low_power", decode(d)), [b"1\n"]),
        Target("recognise", lambda d: recognise(decode(d)).KIND, every),
        Target("blocks", reads_blocks, [*blocks, b"".join(blocks[:3])]),
        Target("journal", reads_file(folder / "j", read_journal), [MAGIC, *journals(blocks)]),
        Target("tags", reads_file(folder / "t", read_tags), [tag * n for n in (1, 3)]),
    ]


def journals(blocks: list[bytes]) -> list[bytes]:
    """Whole journals of a few blocks, as recorded."""
    framer, now = Framer(), datetime(2026, 11, 25, tzinfo=UTC)
    records = [framer.frame(RecordKind.BLOCK, now, 1.0, block) for block in blocks[:6]]
    records.append(framer.frame(RecordKind.EVENT, now, 2.0, b'{"what": "end"}'))
    whole = MAGIC + b"".join(records)
    return [whole, whole[: len(whole) // 2]]


def bent(rng: random.Random, texts: list[bytes]) -> bytes:
    """A text, changed in one to eight places; one in twenty is bytes out of nowhere."""
    if rng.random() < 0.05:
        return rng.randbytes(rng.randrange(400))
    data = rng.choice(texts)
    for _ in range(rng.randint(1, 8)):
        data = rng.choice(CHANGES)(rng, data, texts)
    return data[:20_000]


def _insert(rng: random.Random, data: bytes, _: list[bytes]) -> bytes:
    at = rng.randint(0, len(data))
    return data[:at] + rng.choice(TOKENS) + data[at:]


def _flip(rng: random.Random, data: bytes, _: list[bytes]) -> bytes:
    at = rng.randrange(len(data)) if data else 0
    return data[:at] + rng.randbytes(1) + data[at + 1 :]


def _cut(rng: random.Random, data: bytes, _: list[bytes]) -> bytes:
    at = rng.randint(0, len(data))
    return data[:at] + data[at + rng.randint(0, 30) :]


def _end(rng: random.Random, data: bytes, _: list[bytes]) -> bytes:
    return data[: rng.randint(0, len(data))]


def _repeat(rng: random.Random, data: bytes, _: list[bytes]) -> bytes:
    at = rng.randint(0, len(data))
    return data[: at + rng.randint(0, 80)] + data[at:]


def _splice(rng: random.Random, data: bytes, texts: list[bytes]) -> bytes:
    other = rng.choice(texts)
    return data[: rng.randint(0, len(data))] + other[rng.randint(0, len(other)) :]


def _number(rng: random.Random, data: bytes, _: list[bytes]) -> bytes:
    spans = [found.span() for found in NUMBER.finditer(data[:4000])]
    if not spans:
        return data
    start, end = rng.choice(spans)
    other = str(rng.randint(-(2**70), 2**70) >> rng.randrange(70))
    return data[:start] + other.encode() + data[end:]


def _swap_lines(rng: random.Random, data: bytes, _: list[bytes]) -> bytes:
    lines = data.split(b"\n")
    a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
    lines[a], lines[b] = lines[b], lines[a]
    return b"\n".join(lines)


CHANGES = (_insert, _insert, _flip, _cut, _end, _repeat, _splice, _number, _number, _swap_lines)


def trouble(target: Target, data: bytes) -> str | None:
    """The foreign exception an input causes, in words."""
    try:
        target.read(data)
    except RundownError:
        return None
    except Exception as exc:  # noqa: BLE001 - what we are here for
        return f"{type(exc).__name__}: {exc}"
    return None


def more_than_linear(rng: random.Random, target: Target, data: bytes) -> str | None:
    """Which text takes much more than twice as long when it is doubled, and doubled again.

    The text as lines, as one line, and a beginning of a line with a token over and over.
    """
    head = rng.choice(data.split(b"\n"))[: rng.randrange(60)]
    for start, piece in (
        (b"", data),
        (b"", data.replace(b"\n", b" ")),
        (head, rng.choice(TOKENS)),
    ):
        n_times = LONG_BYTES // max(1, len(piece)) + 1
        texts = [start + piece * (n_times * factor) + b"!" for factor in (1, 2, 4)]
        if all(_grows(target, texts) for _ in range(TRIES)):
            return f"more than linear time: {start!r} + {piece[:40]!r}"
    return None


def _grows(target: Target, texts: list[bytes]) -> bool:
    """Whether both doublings take much more than twice as long.

    One alone is no proof: where a text outgrows a cache of the processor, time steps up once.
    """
    times_s = [max(_best_s(target, text), 20e-6) for text in texts]
    return all(b >= MOST_TIMES_AS_LONG * a for a, b in pairwise(times_s))


def _best_s(target: Target, data: bytes) -> float:
    times = []
    for _ in range(2):
        start = time.thread_time()
        trouble(target, data)
        times.append(time.thread_time() - start)
    return min(times)


def main() -> int:
    """Runs and reports; 1 if anything was wrong."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--inputs", type=int, default=1_000_000)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--keep", type=Path, help="folder for inputs that cause trouble")
    given = options.parse_args()
    rng = random.Random(given.seed)
    wrong: Counter[str] = Counter()
    n_linear = 0
    start = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        aims = targets(Path(folder))
        for number in range(given.inputs):
            target = rng.choice(aims)
            data = bent(rng, target.texts)
            said = trouble(target, data)
            if said is None and number % LINEAR_EVERY == 0:
                n_linear += 1
                said = more_than_linear(rng, target, data)
            if said is not None:
                wrong[f"{target.name}: {said[:100]}"] += 1
                if given.keep is not None:
                    given.keep.mkdir(parents=True, exist_ok=True)
                    (given.keep / f"{target.name}-{number}.bin").write_bytes(data)
            if number % 100_000 == 99_999:
                print(f"{number + 1} inputs, {wrong.total()} wrong", file=sys.stderr, flush=True)
    for said, count in wrong.most_common(20):
        print(f"{count} × {said}")
    print(
        f"{given.inputs} inputs for {len(aims)} readers, seed {given.seed}: {wrong.total()} wrong;"
        f" {n_linear} of them doubled for time; {time.monotonic() - start:.0f} s"
    )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
