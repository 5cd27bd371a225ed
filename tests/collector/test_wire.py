"""adb messages: the published layout, the way there and back, and what is refused."""

import asyncio
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.virtual.wire import (
    HEADER,
    MAX_PAYLOAD_BYTES,
    VERSION,
    Command,
    Message,
    WireError,
    checksum,
    pack,
    read_message,
    unpack_header,
)

WORDS = st.integers(0, 0xFFFFFFFF)
MESSAGES = st.builds(Message, st.sampled_from(Command), WORDS, WORDS, st.binary(max_size=300))


def read(data: bytes, *, checksummed: bool) -> list[Message]:
    async def read_all() -> list[Message]:
        reader = asyncio.StreamReader()
        reader.feed_data(data)
        reader.feed_eof()
        messages = []
        while not reader.at_eof():
            messages.append(await read_message(reader, checksummed=checksummed))
        return messages

    return asyncio.run(read_all())


@pytest.mark.reference(
    source="AOSP packages/modules/adb/protocol.txt", locator="MESSAGE FORMAT and command constants"
)
def test_layout_is_the_published_one() -> None:
    packed = pack(Message(Command.WRTE, 7, 9, b"\xff\x01"), checksummed=True)

    assert packed == struct.pack("<IIIIII", 0x45545257, 7, 9, 2, 0x100, 0xBAABADA8) + b"\xff\x01"


@pytest.mark.parametrize("command", Command)
def test_command_words_spell_their_names(command: Command) -> None:
    assert command.to_bytes(4, "little").decode() == command.name


@given(st.lists(MESSAGES, max_size=4), st.booleans())
def test_messages_survive_the_line(messages: list[Message], checksummed: bool) -> None:
    line = b"".join(pack(message, checksummed=checksummed) for message in messages)

    assert read(line, checksummed=checksummed) == messages


@given(MESSAGES, st.data())
def test_a_torn_message_is_an_end_not_a_message(message: Message, data: st.DataObject) -> None:
    packed = pack(message, checksummed=True)
    torn = packed[: data.draw(st.integers(1, len(packed) - 1))]

    with pytest.raises(EOFError):
        read(torn, checksummed=True)


@given(st.binary(min_size=HEADER.size, max_size=200))
def test_garbage_is_refused_with_our_error_only(garbage: bytes) -> None:
    with pytest.raises((WireError, EOFError)):
        read(garbage, checksummed=True)


@given(MESSAGES, st.integers(0, HEADER.size * 8 - 1))
def test_no_flipped_bit_of_the_header_goes_unnoticed(message: Message, bit: int) -> None:
    packed = bytearray(pack(message, checksummed=True))
    packed[bit // 8] ^= 1 << bit % 8
    # Nothing covers the two arguments, nor the checksum where there is none to check.
    exempt = message.command is Command.CNXN and message.arg0 >= VERSION
    covered = not 4 <= bit // 8 < 12 and not (exempt and 16 <= bit // 8 < 20)

    if covered:
        with pytest.raises((WireError, EOFError)):
            read(bytes(packed), checksummed=True)
    else:
        assert unpack_header(bytes(packed[: HEADER.size])).command is message.command


def test_checksum_is_ignored_where_the_version_has_none() -> None:
    packed = pack(Message(Command.OKAY, 1, 2, b"data"), checksummed=False)

    assert read(packed, checksummed=False)[0].payload == b"data"
    with pytest.raises(WireError, match="checksum"):
        read(packed, checksummed=True)


def test_a_newer_host_may_greet_without_checksum() -> None:
    newer = pack(Message(Command.CNXN, VERSION, 1 << 20, b"host::"), checksummed=False)
    older = pack(Message(Command.CNXN, VERSION - 1, 1 << 20, b"host::"), checksummed=False)

    assert read(newer, checksummed=True)[0].payload == b"host::"
    with pytest.raises(WireError, match="checksum"):
        read(older, checksummed=True)


def test_checksum_is_the_sum_of_the_bytes() -> None:
    assert checksum(b"") == 0
    assert checksum(b"\xff" * 1000) == 255_000


@pytest.mark.parametrize("size", [0, 23, 25])
def test_a_header_of_another_size_is_refused(size: int) -> None:
    with pytest.raises(WireError, match="24 bytes"):
        unpack_header(bytes(size))


def test_a_payload_is_bounded_both_ways() -> None:
    length = MAX_PAYLOAD_BYTES + 1
    header = HEADER.pack(Command.WRTE, 1, 1, length, 0, Command.WRTE ^ 0xFFFFFFFF)

    with pytest.raises(WireError, match=str(length)):
        unpack_header(header)
    with pytest.raises(WireError, match=str(length)):
        pack(Message(Command.WRTE, 1, 1, bytes(length)), checksummed=False)


def test_an_unknown_command_is_refused_even_with_right_magic() -> None:
    word = int.from_bytes(b"WHAT", "little")

    with pytest.raises(WireError, match="unknown command"):
        unpack_header(HEADER.pack(word, 0, 0, 0, 0, word ^ 0xFFFFFFFF))
