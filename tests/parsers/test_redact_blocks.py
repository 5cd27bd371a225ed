"""Journals kept by default hold nothing private, and read as if they had been kept whole."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from parsers.assemble import Assembler
from parsers.blocks import Block, parse_block, render_block
from parsers.parts import PARTS
from parsers.redact import redact_block

DUMPS = Path(__file__).parents[2] / "fixtures" / "dumps"
NOW = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
SECRET = b"Fjordhaus-5G 02:00:5e:10:aa:ff greta@posten.example +46701740605"


def block_of(*parts: tuple[str, bytes]) -> Block:
    return Block(
        seq=7,
        boot_id="0123abcd",
        begin_boot_s=11.5,
        boot_s=12.25,
        phone_epoch_s=1764064800.5,
        loop_cpu_ticks=3,
        parts=parts,
    )


@pytest.mark.parametrize("name", PARTS)
def test_a_masked_part_gives_the_same_rows(name: str) -> None:
    folder = DUMPS / PARTS[name].__name__.rpartition(".")[2]
    for case in sorted(folder.glob("*.txt")):
        if case.stem == "technology_hostile":
            continue
        body = case.read_bytes() + b"vendor says: " + SECRET
        raw = render_block(block_of((name, body), ("unheard_of", SECRET)))
        kept = redact_block(raw)
        masked_block, block = parse_block(kept), parse_block(raw)
        assert masked_block is not None
        assert block is not None
        assert len(kept) == len(raw)
        assert b"greta" not in kept
        assert b"701740" not in kept
        ticks = [Assembler("alder-1").feed(each, NOW, 1.0) for each in (block, masked_block)]
        assert ticks[0] == ticks[1], case


def test_a_part_may_imitate_the_framing() -> None:
    body = b"@part battery 4\nlevel\n@end 7 12.25 - -\n" + SECRET
    raw = render_block(block_of(("thermal", body), ("battery", b"x\n@part power 3\n" + SECRET)))
    kept = redact_block(raw)
    block = parse_block(kept)
    assert block is not None
    assert [(name, len(part)) for name, part in block.parts] == [
        ("thermal", len(body)),
        ("battery", len(SECRET) + 16),
    ]
    assert b"greta" not in kept


def test_what_is_no_block_stays() -> None:
    assert redact_block(b"half a block") == b"half a block"


def test_unread_lines_are_counted_without_what_they_say() -> None:
    assembler = Assembler("alder-1")
    for owner in (b"Greta", b"Fjord"):
        body = b"Current Battery Service state:\n  battery owner: " + owner + b"\n  level: 47\n"
        assembler.feed(block_of(("battery", body)), NOW, 1.0)
    assert assembler.unread == {("battery", "  battery xxxxx: Xxxxx"): 2}
