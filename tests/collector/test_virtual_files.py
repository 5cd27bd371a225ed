"""The in-memory file tree: what it keeps, what it refuses, what it counts."""

import errno

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.virtual.files import MAX_NODES, VirtualFiles

PATHS = st.lists(st.sampled_from(["a", "b", "..", ".", ""]), max_size=5).map("/".join)
ACTIONS = st.lists(
    st.tuples(
        st.sampled_from(["write", "append", "make_folder", "remove"]), PATHS, st.binary(max_size=9)
    ),
    max_size=30,
)


@pytest.fixture
def files() -> VirtualFiles:
    return VirtualFiles(limit_bytes=100)


def test_a_file_is_kept_with_its_folders(files: VirtualFiles) -> None:
    files.write("/data/local/tmp/x", b"abc", mode=0o755, mtime_s=5)

    node = files.find("data//local/./tmp/y/../x")
    assert node is not None
    assert (node.mode, node.mtime_s, bytes(node.data)) == (0o100755, 5, b"abc")
    assert [name for name, _ in files.children("/")] == ["data"]
    assert [(n, node.is_folder) for n, node in files.children("/data/local")] == [("tmp", True)]


def test_append_creates_then_adds(files: VirtualFiles) -> None:
    files.append("/log", b"one ", mtime_s=1)
    files.append("/log", b"two", mtime_s=2)

    node = files.find("/log")
    assert files.read("/log") == b"one two"
    assert node is not None
    assert node.mtime_s == 2


def test_room_is_bounded_and_comes_back(files: VirtualFiles) -> None:
    files.write("/a", bytes(60))
    files.write("/a", bytes(90))
    for method, path, data in (
        ("write", "/b", bytes(11)),
        ("append", "/a", bytes(11)),
        ("write", "/a", bytes(101)),
    ):
        with pytest.raises(OSError, match="No space") as raised:
            getattr(files, method)(path, data)
        assert raised.value.errno == errno.ENOSPC
    assert files.read("/a") == bytes(90)
    files.remove("/a")
    files.write("/b", bytes(100))
    assert files.used_bytes == 100


def test_remove_takes_a_whole_folder_but_not_its_namesake(files: VirtualFiles) -> None:
    files.write("/d/x/y", b"1")
    files.write("/dd", b"2")

    files.remove("/d")

    assert files.find("/d/x/y") is None
    assert files.read("/dd") == b"2"


@pytest.mark.parametrize(
    ("method", "arguments", "code"),
    [
        ("read", ["/none"], errno.ENOENT),
        ("read", ["/folder"], errno.EISDIR),
        ("append", ["/folder", b""], errno.EISDIR),
        ("write", ["/folder", b""], errno.EISDIR),
        ("write", ["/file/below", b""], errno.ENOTDIR),
        ("make_folder", ["/file"], errno.ENOTDIR),
        ("write", ["/" + "ü" * 128, b""], errno.ENAMETOOLONG),
        ("remove", ["/none"], errno.ENOENT),
        ("remove", ["/"], errno.EBUSY),
    ],
    ids=str,
)
def test_failures_are_those_of_a_file_system(
    method: str, arguments: list[object], code: int
) -> None:
    files = VirtualFiles()
    files.make_folder("/folder")
    files.write("/file", b"x")

    with pytest.raises(OSError, match=r"\[Errno") as raised:
        getattr(files, method)(*arguments)

    assert raised.value.errno == code
    assert files.used_bytes == 1


def test_the_number_of_files_is_bounded() -> None:
    files = VirtualFiles()
    for number in range(MAX_NODES - 1):
        files.write(f"/{number}", b"")

    with pytest.raises(OSError, match="No space"):
        files.write("/one more", b"")
    files.write("/0", b"still writable")


def test_a_very_deep_folder_is_no_problem() -> None:
    files = VirtualFiles()
    files.write("/a" * 5000, b"x")

    assert files.read("/a" * 5000) == b"x"


@given(ACTIONS)
def test_the_count_is_the_sum_and_every_parent_is_a_folder(
    actions: list[tuple[str, str, bytes]],
) -> None:
    files = VirtualFiles(limit_bytes=40)
    for name, path, data in actions:
        try:
            getattr(files, name)(path, *([data] if name in ("write", "append") else []))
        except OSError:
            continue
    nodes = files._nodes
    assert files.used_bytes == sum(len(node.data) for node in nodes.values()) <= 40
    assert all(nodes[path.rpartition("/")[0] or "/"].is_folder for path in nodes)
