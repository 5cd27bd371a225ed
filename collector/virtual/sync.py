"""The file transfer service of a virtual phone, over its in-memory files.

References:
    AOSP packages/modules/adb/SYNC.TXT, file_sync_protocol.h and daemon/file_sync_service.cpp.
"""

import errno
import stat
import struct
from collections.abc import Awaitable, Callable

from collector.virtual.files import Node, VirtualFiles
from collector.virtual.stream import Stream

DATA_MAX_BYTES = 64 << 10
PATH_MAX_BYTES = 1024
_ID = struct.Struct("<4sI")
_STAT_V1 = struct.Struct("<4sIII")
_STAT_V2 = struct.Struct("<4sIQQIIIIQqqq")
_DENT_V1 = struct.Struct("<4sIIII")
_DENT_V2 = struct.Struct("<4sIQQIIIIQqqqI")
_SEND_V2 = struct.Struct("<4sII")
_SHELL_UID = 2000
_WORD = 0xFFFFFFFF


class _RefusedError(Exception):
    """The transfer ends with `FAIL` and this reason."""


async def serve_sync(stream: Stream, files: VirtualFiles) -> None:
    """Answer transfer requests until the host quits or one has failed, then close."""
    try:
        await _Session(stream, files).run()
    except (EOFError, BrokenPipeError):
        pass  # the host went away; an unfinished upload leaves nothing behind
    finally:
        stream.close()


class _Session:
    def __init__(self, stream: Stream, files: VirtualFiles) -> None:
        self._stream = stream
        self._files = files
        self._answers: dict[bytes, Callable[[str], Awaitable[None]]] = {
            b"STAT": self._stat_v1,
            b"STA2": self._stat_v2,
            b"LST2": self._lstat_v2,
            b"LIST": self._list_v1,
            b"LIS2": self._list_v2,
            b"RECV": self._receive_v1,
            b"RCV2": self._receive_v2,
            b"SEND": self._send_v1,
            b"SND2": self._send_v2,
        }

    async def run(self) -> None:
        try:
            while await self._answer_one():
                pass
        except (_RefusedError, OSError) as exc:
            if isinstance(exc, BrokenPipeError):
                raise
            reason = str(exc.strerror if isinstance(exc, OSError) else exc).encode()
            await self._stream.write(_ID.pack(b"FAIL", len(reason)) + reason)

    async def _answer_one(self) -> bool:
        name, path_bytes = _ID.unpack(await self._stream.read_exactly(_ID.size))
        if name == b"QUIT":
            return False
        if path_bytes > PATH_MAX_BYTES:
            raise _RefusedError("path too long")
        path = (await self._stream.read_exactly(path_bytes)).decode(errors="surrogateescape")
        answer = self._answers.get(name)
        if answer is None:
            raise _RefusedError(f"unknown command {name.hex()}")
        await answer(path)
        return True

    async def _stat_v1(self, path: str) -> None:
        await self._stream.write(_STAT_V1.pack(b"STAT", *_facts_v1(self._files.find(path))))

    async def _stat_v2(self, path: str) -> None:
        await self._stream.write(_STAT_V2.pack(b"STA2", *_facts_v2(self._files.find(path))))

    async def _lstat_v2(self, path: str) -> None:
        await self._stream.write(_STAT_V2.pack(b"LST2", *_facts_v2(self._files.find(path))))

    async def _list_v1(self, path: str) -> None:
        entries = [
            _DENT_V1.pack(b"DENT", *_facts_v1(node), len(name)) + name
            for name, node in self._children(path)
        ]
        await self._stream.write(b"".join(entries) + _DENT_V1.pack(b"DONE", 0, 0, 0, 0))

    async def _list_v2(self, path: str) -> None:
        entries = [
            _DENT_V2.pack(b"DNT2", *_facts_v2(node), len(name)) + name
            for name, node in self._children(path)
        ]
        await self._stream.write(b"".join(entries) + _DENT_V2.pack(b"DONE", *[0] * 12))

    def _children(self, path: str) -> list[tuple[bytes, Node]]:
        found = self._files.children(path)
        return [(name.encode(errors="surrogateescape"), node) for name, node in found]

    async def _receive_v1(self, path: str) -> None:
        data = self._files.read(path)
        for start in range(0, len(data), DATA_MAX_BYTES):
            chunk = data[start : start + DATA_MAX_BYTES]
            await self._stream.write(_ID.pack(b"DATA", len(chunk)) + chunk)
        await self._stream.write(_ID.pack(b"DONE", 0))

    async def _receive_v2(self, path: str) -> None:
        name, flags = _ID.unpack(await self._stream.read_exactly(_ID.size))
        _check_setup(name, b"RCV2", flags)
        await self._receive_v1(path)

    async def _send_v1(self, spec: str) -> None:
        path, comma, mode = spec.rpartition(",")
        if not comma or not mode.isascii() or not mode.isdigit():
            raise _RefusedError("missing , and mode in ID_SEND_V1")
        await self._store(path, int(mode))

    async def _send_v2(self, path: str) -> None:
        name, mode, flags = _SEND_V2.unpack(await self._stream.read_exactly(_SEND_V2.size))
        _check_setup(name, b"SND2", flags)
        await self._store(path, mode)

    async def _store(self, path: str, mode: int) -> None:
        # Read to the end even what cannot be kept: hosts may look for an answer only then.
        data = bytearray()
        while True:
            name, number = _ID.unpack(await self._stream.read_exactly(_ID.size))
            if name == b"DONE":
                break
            if name != b"DATA" or number > DATA_MAX_BYTES:
                raise _RefusedError("invalid data message")
            chunk = await self._stream.read_exactly(number)
            if len(data) <= self._files.limit_bytes:
                data += chunk
        if stat.S_IFMT(mode) not in (0, stat.S_IFREG):
            raise _RefusedError("only plain files are kept")
        self._files.write(path, bytes(data), mode=_for_everyone(mode), mtime_s=number)
        await self._stream.write(_ID.pack(b"OKAY", 0))


def _for_everyone(mode: int) -> int:
    """The owner's permissions for group and others too, as file_sync_service.cpp grants them."""
    owner = mode & 0o700
    return (mode & 0o777) | owner >> 3 | owner >> 6


def _check_setup(name: bytes, expected: bytes, flags: int) -> None:
    if name != expected:
        raise _RefusedError("invalid setup message")
    if flags:
        raise _RefusedError("compression is not offered here")


def _facts_v1(node: Node | None) -> tuple[int, int, int]:
    """Mode, size and time; all zero for what does not exist."""
    if node is None:
        return 0, 0, 0
    return node.mode, len(node.data), node.mtime_s & _WORD


def _facts_v2(node: Node | None) -> tuple[int, ...]:
    """Error, device, inode, mode, links, user, group, size and three times."""
    if node is None:
        return errno.ENOENT, *[0] * 10
    times_s = [node.mtime_s] * 3
    return 0, 0, 0, node.mode, 1, _SHELL_UID, _SHELL_UID, len(node.data), *times_s
