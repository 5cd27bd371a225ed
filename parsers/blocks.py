r"""One block of the on-phone loop: how it is framed on the stream and read back.

A block is lines of text around length-prefixed parts::

    @begin <seq> <boot_id, 8 hex digits> <boot_s>
    @part <name> <n_bytes>
    <n_bytes of the part, then a line end>
    @end <seq> <boot_s> <wall clock, s> <CPU time of the loop so far, clock ticks>

The length prefix lets a part hold anything, even lines that look like ours.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass

MAX_BLOCK_BYTES = 1024 * 1024
"""A phone that sends a longer block is flooding; the block is dropped and counted."""

_SECONDS = rb"\d{1,12}(?:\.\d{1,9})?"
_BEGIN = re.compile(rb"@begin (\d{1,18}) ([0-9a-f]{8}) (" + _SECONDS + rb")\n")
_PART = re.compile(rb"@part ([a-z0-9_]{1,40}) (\d{1,8})\n")
_END = re.compile(rb"@end (\d{1,18}) (" + _SECONDS + rb") (" + _SECONDS + rb"|-) (\d{1,18}|-)\n")
_LINE_MAX_BYTES = 4096
_NEWLINE = 0x0A


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One tick of the loop.

    Attributes:
        seq: the loop's own count.
        boot_id: first eight hexadecimal digits of the boot session's id.
        begin_boot_s: phone clock (suspend included) before the first source was read.
        boot_s: the same after the last.
        phone_epoch_s: the phone's wall clock at the end; None if it could not tell.
        loop_cpu_ticks: CPU time of the loop and its children so far, in clock ticks.
        parts: name and bytes of each source, in the order read.
    """

    seq: int
    boot_id: str
    begin_boot_s: float
    boot_s: float
    phone_epoch_s: float | None
    loop_cpu_ticks: int | None
    parts: tuple[tuple[str, bytes], ...]


class BlockReader:
    """Cuts a byte stream, fed in any pieces, into whole blocks; every byte is looked at once.

    Attributes:
        stray_bytes: bytes so far that belong to no whole block; they are dropped. Empty lines
            between blocks are not counted.
        taken_bytes: bytes so far that are done with: blocks given out, and what was dropped.
    """

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._at = 0
        self._begin: re.Match[bytes] | None = None
        self._parts: list[tuple[str, bytes]] = []
        self._part: tuple[str, int] | None = None
        self.stray_bytes = 0
        self.taken_bytes = 0

    @property
    def waiting_bytes(self) -> int:
        """Bytes of a block that is not whole yet."""
        return len(self._buffer)

    def feed(self, data: bytes) -> Iterator[tuple[bytes, Block]]:
        """Yields each block completed by `data`: its bytes as sent, and what they say."""
        self._buffer += data
        while self._part_is_whole() and (line := self._line()) is not None:
            if (begin := _BEGIN.fullmatch(line)) is not None:
                self._drop(self._at - len(line))
                self._begin = begin
            elif self._begin is None:
                self._drop(self._at)
            elif (part := _PART.fullmatch(line)) is not None:
                self._part = part[1].decode(), int(part[2])
            elif (end := _END.fullmatch(line)) is not None and end[1] == self._begin[1]:
                raw = bytes(self._buffer[: self._at])
                block = _block(self._begin, end, self._parts)
                del self._buffer[: self._at]
                self.taken_bytes += self._at
                self._reset()
                yield raw, block
            else:
                self._drop(self._at)
        if len(self._buffer) > MAX_BLOCK_BYTES:
            self._drop(len(self._buffer))

    def _part_is_whole(self) -> bool:
        if self._part is None:
            return True
        name, length = self._part
        end = self._at + length
        if length > MAX_BLOCK_BYTES:
            self._drop(self._at)
        elif len(self._buffer) <= end:
            return False
        elif self._buffer[end] == _NEWLINE:
            self._parts.append((name, bytes(self._buffer[self._at : end])))
            self._at = end + 1
            self._part = None
        else:
            self._drop(self._at)
        return True

    def _line(self) -> bytes | None:
        end = self._buffer.find(b"\n", self._at, self._at + _LINE_MAX_BYTES)
        if end == -1:
            if len(self._buffer) - self._at >= _LINE_MAX_BYTES:
                end = self._at + _LINE_MAX_BYTES - 1
            else:
                return None
        line = bytes(self._buffer[self._at : end + 1])
        self._at = end + 1
        return line

    def _drop(self, count: int) -> None:
        self.stray_bytes += count if self._buffer[:count] != b"\n" else 0
        self.taken_bytes += count
        del self._buffer[:count]
        self._reset(self._at - count)

    def _reset(self, at: int = 0) -> None:
        self._at = max(at, 0)
        self._begin = None
        self._parts = []
        self._part = None


def parse_block(data: bytes) -> Block | None:
    """The block that `data` is, from first to last byte; None if it is not one."""
    found = list(BlockReader().feed(data))
    return found[0][1] if len(found) == 1 and found[0][0] == data else None


def _block(begin: re.Match[bytes], end: re.Match[bytes], parts: list[tuple[str, bytes]]) -> Block:
    return Block(
        seq=int(begin[1]),
        boot_id=begin[2].decode(),
        begin_boot_s=float(begin[3]),
        boot_s=float(end[2]),
        phone_epoch_s=None if end[3] == b"-" else float(end[3]),
        loop_cpu_ticks=None if end[4] == b"-" else int(end[4]),
        parts=tuple(parts),
    )


def render_block(block: Block) -> bytes:
    """The block as the loop prints it; `parse_block` reads it back."""
    wall = "-" if block.phone_epoch_s is None else f"{block.phone_epoch_s:.6f}"
    cpu = "-" if block.loop_cpu_ticks is None else str(block.loop_cpu_ticks)
    pieces = [f"@begin {block.seq} {block.boot_id} {block.begin_boot_s:.2f}\n".encode()]
    for name, body in block.parts:
        pieces += [f"@part {name} {len(body)}\n".encode(), body, b"\n"]
    pieces.append(f"@end {block.seq} {block.boot_s:.2f} {wall} {cpu}\n".encode())
    return b"".join(pieces)
