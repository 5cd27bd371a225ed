"""Blocks come out of the stream whole, in order, whatever the pieces; damage costs one block."""

from hypothesis import given
from hypothesis import strategies as st

from parsers.blocks import MAX_BLOCK_BYTES, Block, BlockReader, parse_block, render_block

SECONDS = st.integers(0, 10**9).map(lambda cs: cs / 100)
BODIES = st.one_of(
    st.binary(max_size=200),
    st.just(b"@end 3 1.00 - -\n@begin 4 0a1b2c3d 1.00\n@part uevent 5\n"),
)
BLOCKS = st.builds(
    Block,
    seq=st.integers(0, 10**9),
    boot_id=st.text("0123456789abcdef", min_size=8, max_size=8),
    begin_boot_s=SECONDS,
    boot_s=SECONDS,
    phone_epoch_s=st.none() | st.integers(0, 2**31).map(float),
    loop_cpu_ticks=st.none() | st.integers(0, 10**6),
    parts=st.lists(
        st.tuples(st.sampled_from(["uevent", "battery", "property_2"]), BODIES), max_size=4
    ).map(tuple),
)


def block(seq: int, body: bytes = b"POWER_SUPPLY_CAPACITY=50\n") -> Block:
    return Block(
        seq=seq,
        boot_id="0a1b2c3d",
        begin_boot_s=float(seq),
        boot_s=seq + 0.25,
        phone_epoch_s=None,
        loop_cpu_ticks=None,
        parts=(("uevent", body),),
    )


@given(BLOCKS)
def test_a_rendered_block_reads_back(one: Block) -> None:
    assert parse_block(render_block(one)) == one


@given(st.lists(BLOCKS, max_size=6), st.data())
def test_any_pieces_give_the_same_blocks(blocks: list[Block], data: st.DataObject) -> None:
    stream = b"".join(map(render_block, blocks))
    reader, found, at = BlockReader(), [], 0
    while at < len(stream):
        length = data.draw(st.integers(1, 400))
        found += list(reader.feed(stream[at : at + length]))
        at += length
    assert [b for _, b in found] == blocks
    assert b"".join(raw for raw, _ in found) == stream
    assert reader.stray_bytes == 0


@given(st.binary(max_size=2000))
def test_any_bytes_never_raise(data: bytes) -> None:
    for raw, _ in BlockReader().feed(data):
        assert raw in data


def test_a_damaged_byte_costs_at_most_the_block_it_is_in() -> None:
    stream = b"".join(render_block(block(seq)) for seq in range(5))
    length = len(render_block(block(0)))
    for at in range(len(stream)):
        damaged = stream[:at] + b"\x00" + stream[at + 1 :]
        found = [b.seq for _, b in BlockReader().feed(damaged)]
        # A damaged line end joins a block's last line to the next one's first.
        hit = {at // length, at // length + 1 if at % length == length - 1 else at // length}
        assert set(range(5)) - set(found) <= hit, at


def test_bytes_between_blocks_are_counted() -> None:
    reader = BlockReader()
    stream = b"motd\n" + render_block(block(1)) + b"sh: noise\n" + render_block(block(2))
    assert [b.seq for _, b in reader.feed(stream)] == [1, 2]
    assert reader.stray_bytes == len(b"motd\n") + len(b"sh: noise\n")


def test_a_part_that_claims_too_much_is_refused() -> None:
    reader = BlockReader()
    flood = f"@begin 1 0a1b2c3d 1.00\n@part uevent {MAX_BLOCK_BYTES + 1}\n".encode()
    found = list(reader.feed(flood + render_block(block(2))))
    assert [b.seq for _, b in found] == [2]


def test_an_endless_line_does_not_fill_memory() -> None:
    reader = BlockReader()
    for _ in range(40):
        assert list(reader.feed(b"x" * 100_000)) == []
    assert reader.stray_bytes > 3_900_000
    assert [b.seq for _, b in reader.feed(b"\n" + render_block(block(7)))] == [7]


def test_an_endless_block_does_not_fill_memory() -> None:
    reader = BlockReader()
    part = b"@part uevent 1000\n" + b"y" * 1000 + b"\n"
    list(reader.feed(b"@begin 1 0a1b2c3d 1.00\n"))
    for _ in range(MAX_BLOCK_BYTES // len(part) + 2):
        list(reader.feed(part))
    assert reader.stray_bytes > MAX_BLOCK_BYTES
    assert [b.seq for _, b in reader.feed(b"\n" + render_block(block(8)))] == [8]


def test_half_a_block_is_not_a_block() -> None:
    raw = render_block(block(1))
    assert parse_block(raw[:-1]) is None
    assert parse_block(raw + b"more\n") is None
    assert parse_block(b"") is None


def test_it_says_how_far_it_got() -> None:
    raw = render_block(block(7))
    reader = BlockReader()
    assert [found for found, _ in reader.feed(raw + b"\n" + raw[:10])] == [raw]
    assert (reader.taken_bytes, reader.waiting_bytes) == (len(raw) + 1, 10)
    assert reader.stray_bytes == 0, "an empty line between blocks is nobody's loss"
    assert len(list(reader.feed(raw[10:]))) == 1
    assert (reader.taken_bytes, reader.waiting_bytes) == (2 * len(raw) + 1, 0)
