"""An in-memory file tree for a virtual phone."""

import errno
import os
import posixpath
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field

DEFAULT_LIMIT_BYTES = 64 << 20
NAME_MAX_BYTES = 255
MAX_NODES = 16384


@dataclass(slots=True, kw_only=True)
class Node:
    """One file or folder.

    Attributes:
        mode: type and permission bits, as in `st_mode`.
        mtime_s: seconds since 1970, on the phone's clock.
        data: content; stays empty for a folder.
    """

    mode: int
    mtime_s: int
    data: bytearray = field(default_factory=bytearray)

    @property
    def is_folder(self) -> bool:
        """Whether other nodes may live below this one."""
        return stat.S_ISDIR(self.mode)


class VirtualFiles:
    """Files and folders by absolute path, with an upper limit on what they hold together.

    Parents are created as needed, and failures are the `OSError`s a real file system gives. Not
    for several threads: use it on the event loop that serves the phone.
    """

    def __init__(self, *, limit_bytes: int = DEFAULT_LIMIT_BYTES) -> None:
        self.limit_bytes = limit_bytes
        self.used_bytes = 0
        self._nodes = {"/": Node(mode=stat.S_IFDIR | 0o755, mtime_s=0)}

    def find(self, path: str) -> Node | None:
        """The node at this path, None if there is none."""
        return self._nodes.get(_absolute(path))

    def read(self, path: str) -> bytes:
        """Content of a file.

        Raises:
            OSError: it does not exist (ENOENT) or is a folder (EISDIR).
        """
        return bytes(self._file(path).data)

    def write(self, path: str, data: bytes, *, mode: int = 0o644, mtime_s: int = 0) -> None:
        """Create or replace a file.

        Raises:
            OSError: no room (ENOSPC), a folder is there (EISDIR), a parent is a file (ENOTDIR), a
                name is too long (ENAMETOOLONG).
        """
        where = _absolute(path)
        old = self._nodes.get(where)
        if old is not None and old.is_folder:
            raise _error(errno.EISDIR, path)
        self.make_folder(posixpath.dirname(where), mtime_s=mtime_s)
        n_old_bytes = len(old.data) if old else 0
        self._check_room(path, len(data) - n_old_bytes)
        mode = stat.S_IFREG | stat.S_IMODE(mode)
        self._put(where, Node(mode=mode, mtime_s=mtime_s, data=bytearray(data)))
        self.used_bytes += len(data) - n_old_bytes

    def append(self, path: str, data: bytes, *, mtime_s: int = 0) -> None:
        """Add to the end of a file, which is created if it is missing.

        Raises:
            OSError: as for `write`.
        """
        if self.find(path) is None:
            self.write(path, data, mtime_s=mtime_s)
            return
        node = self._file(path)
        self._check_room(path, len(data))
        self.used_bytes += len(data)
        node.data += data
        node.mtime_s = mtime_s

    def make_folder(self, path: str, *, mtime_s: int = 0) -> None:
        """Create a folder and its parents where they are missing.

        Raises:
            OSError: something on the way is a file (ENOTDIR) or has too long a name.
        """
        where = _absolute(path)
        missing = []
        while where not in self._nodes:
            missing.append(where)
            where = posixpath.dirname(where)
        if not self._nodes[where].is_folder:
            raise _error(errno.ENOTDIR, path)
        for folder in reversed(missing):
            self._put(folder, Node(mode=stat.S_IFDIR | 0o755, mtime_s=mtime_s))

    def remove(self, path: str) -> None:
        """Delete a file, or a folder with all that is in it.

        Raises:
            OSError: it does not exist (ENOENT) or is the root (EBUSY).
        """
        where = _absolute(path)
        if where == "/":
            raise _error(errno.EBUSY, path)
        gone = [name for name in self._nodes if name == where or name.startswith(where + "/")]
        if not gone:
            raise _error(errno.ENOENT, path)
        for name in gone:
            self.used_bytes -= len(self._nodes.pop(name).data)

    def children(self, path: str) -> Iterator[tuple[str, Node]]:
        """Name and node of everything directly in a folder, by name; nothing if it is none."""
        where = _absolute(path)
        for name in sorted(self._nodes):
            if name != "/" and posixpath.dirname(name) == where:
                yield posixpath.basename(name), self._nodes[name]

    def _file(self, path: str) -> Node:
        node = self.find(path)
        if node is None:
            raise _error(errno.ENOENT, path)
        if node.is_folder:
            raise _error(errno.EISDIR, path)
        return node

    def _check_room(self, path: str, more_bytes: int) -> None:
        if self.used_bytes + more_bytes > self.limit_bytes:
            raise _error(errno.ENOSPC, path)

    def _put(self, where: str, node: Node) -> None:
        name = posixpath.basename(where).encode(errors="surrogateescape")
        if len(name) > NAME_MAX_BYTES:
            raise _error(errno.ENAMETOOLONG, where)
        if where not in self._nodes and len(self._nodes) >= MAX_NODES:
            raise _error(errno.ENOSPC, where)
        self._nodes[where] = node


def _absolute(path: str) -> str:
    return posixpath.normpath("/" + path.lstrip("/"))


def _error(code: int, path: str) -> OSError:
    return OSError(code, os.strerror(code), path)
