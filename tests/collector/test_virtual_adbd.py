"""The virtual phone as clients see it that others wrote: two adb programs, two libraries."""

import subprocess
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from adb_shell.adb_device import AdbDeviceTcp
from adb_shell.exceptions import DeviceAuthError
from adbutils import AdbClient, AdbDevice

from collector.adb_server import PrivateAdbServer
from collector.errors import PhoneRefusedError
from collector.virtual.connection import FEATURES
from collector.virtual.farm import Hosted, VirtualFarm

THREE_MB = bytes(range(256)) * 12288
WAIT_S = 15.0
Adb = Callable[..., subprocess.CompletedProcess[bytes]]


@pytest.fixture
def adb(server: PrivateAdbServer, address: str) -> Adb:
    def run(*arguments: str | Path, **options: Any) -> subprocess.CompletedProcess[bytes]:
        command = [str(server.binary), "-P", str(server.port), "-s", address, *map(str, arguments)]
        if "input" not in options:
            options["stdin"] = subprocess.DEVNULL
        return subprocess.run(
            command,
            env=server.environment,
            capture_output=True,
            timeout=WAIT_S,
            check=False,
            **options,
        )

    return run


@pytest.fixture
def device(server: PrivateAdbServer, address: str) -> AdbDevice:
    return AdbClient("127.0.0.1", server.port, socket_timeout=WAIT_S).device(address)


@pytest.fixture
def direct(hosted: Hosted) -> Iterator[AdbDeviceTcp]:
    host, port = hosted.address.split(":")
    device = AdbDeviceTcp(host, int(port), default_transport_timeout_s=WAIT_S)
    device.connect()
    yield device
    device.close()


class TestAdbProgram:
    @pytest.mark.parametrize("code", [0, 1, 42, 255])
    def test_exit_code_and_separate_outputs(self, adb: Adb, code: int) -> None:
        done = adb("shell", f"both {code}")

        assert (done.returncode, done.stdout, done.stderr) == (code, b"to out\n", b"to err\n")

    def test_without_v2_one_pipe_and_no_exit_code(self, adb: Adb) -> None:
        done = adb("shell", "-x", "both 42")

        assert (done.returncode, done.stdout, done.stderr) == (0, b"to out\nto err\n", b"")

    def test_terminal(self, adb: Adb) -> None:
        done = adb("shell", "-tt", "both 42")

        assert (done.returncode, done.stdout) == (42, b"to out\r\nto err\r\n")

    def test_unknown_command(self, adb: Adb) -> None:
        done = adb("shell", "frobnicate now")

        assert done.returncode == 127
        assert done.stderr == b"sh: frobnicate: inaccessible or not found\n"

    def test_command_that_is_no_utf8_arrives_unharmed(self, adb: Adb) -> None:
        done = adb("shell", b"say \xc3\xbc \xe2\x82\xac".decode())

        assert done.stdout == "ü €\n".encode()

    def test_unknown_service_is_refused(self, adb: Adb) -> None:
        done = adb("root")

        assert done.returncode == 1
        assert b"closed" in done.stderr

    @pytest.mark.parametrize("form", [("shell", "-T"), ("exec-out",)])
    def test_every_byte_passes(self, adb: Adb, form: tuple[str, ...]) -> None:
        assert adb(*form, "bytes 4096").stdout == bytes(range(256)) * 4096

    def test_standard_input_comes_back(self, adb: Adb) -> None:
        text = THREE_MB[:700_001]

        done = adb("shell", "-T", "cat", input=text)

        assert done.stdout == text
        assert done.returncode == 0

    def test_features_are_the_implemented_ones(self, adb: Adb, server: PrivateAdbServer) -> None:
        told = set(adb("features").stdout.decode().split())

        assert {"shell_v2", "cmd", "stat_v2", "fixed_push_mkdir"} <= told <= set(FEATURES)

    def test_push_and_pull(self, adb: Adb, phone: Any, tmp_path: Path) -> None:
        (tmp_path / "there").write_bytes(THREE_MB)

        pushed = adb("push", tmp_path / "there", "/data/local/tmp/deep/down/file")
        pulled = adb("pull", "/data/local/tmp/deep/down/file", tmp_path / "back")

        assert (pushed.returncode, pulled.returncode) == (0, 0)
        assert phone.files.read("/data/local/tmp/deep/down/file") == THREE_MB
        assert (tmp_path / "back").read_bytes() == THREE_MB

    def test_pull_keeps_time_and_mode_when_asked(
        self, adb: Adb, phone: Any, tmp_path: Path
    ) -> None:
        phone.files.write("/sdcard/log", b"text", mode=0o640, mtime_s=1_600_000_000)

        adb("pull", "-a", "/sdcard/log", tmp_path / "log")

        facts = (tmp_path / "log").stat()
        assert facts.st_mtime == 1_600_000_000
        assert facts.st_mode & 0o600 == 0o600

    def test_folders_travel_whole(self, adb: Adb, tmp_path: Path) -> None:
        contents = {"a": b"", "b/c": b"x" * 65536, "b/d/ü €": b"y" * 65537, "b/d/f": b"\0"}
        for name, data in contents.items():
            (tmp_path / "out" / name).parent.mkdir(parents=True, exist_ok=True)
            (tmp_path / "out" / name).write_bytes(data)

        pushed = adb("push", tmp_path / "out", "/data/local/tmp/tree")
        pulled = adb("pull", "/data/local/tmp/tree", tmp_path / "in")

        assert (pushed.returncode, pulled.returncode) == (0, 0)
        found = {str(p.relative_to(tmp_path / "in")): p for p in (tmp_path / "in").rglob("*")}
        assert {n: p.read_bytes() for n, p in found.items() if p.is_file()} == contents

    def test_list(self, adb: Adb, phone: Any) -> None:
        phone.files.write("/data/local/tmp/one", b"12345", mode=0o755, mtime_s=0x5F5E1000)
        phone.files.make_folder("/data/local/tmp/two", mtime_s=1)

        listed = adb("ls", "/data/local/tmp").stdout.decode().splitlines()

        assert listed == ["000081ed 00000005 5f5e1000 one", "000041ed 00000000 00000001 two"]

    def test_missing_file_and_full_phone_are_said(
        self, adb: Adb, phone: Any, tmp_path: Path
    ) -> None:
        phone.files.limit_bytes = 1_000_000
        (tmp_path / "big").write_bytes(THREE_MB)

        pulled = adb("pull", "/nowhere", tmp_path / "x")
        pushed = adb("push", tmp_path / "big", "/sdcard/big")

        assert pulled.returncode != 0
        assert b"No such file" in pulled.stdout + pulled.stderr
        assert pushed.returncode != 0
        assert b"No space left" in pushed.stdout + pushed.stderr
        assert phone.files.find("/sdcard/big") is None
        assert adb("shell", "say still here").stdout == b"still here\n"

    @pytest.mark.parametrize("stdin", [b"", b"unread " * 20_000])
    def test_end_of_the_client_hangs_up(
        self, server: PrivateAdbServer, address: str, phone: Any, stdin: bytes
    ) -> None:
        command = [
            str(server.binary),
            "-P",
            str(server.port),
            "-s",
            address,
            "shell",
            "-T",
            "tick",
        ]
        with subprocess.Popen(
            command, env=server.environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE
        ) as client:
            assert client.stdin is not None
            assert client.stdout is not None
            assert client.stdout.readline() == b"tick\n"
            feeder = threading.Thread(target=_feed, args=(client.stdin, stdin))
            feeder.start()
            assert client.stdout.readline() == b"tick\n"
            client.kill()
            feeder.join()

        assert phone.ended.get(timeout=WAIT_S) == "hung up"


def _feed(pipe: Any, data: bytes) -> None:
    try:
        pipe.write(data)
        pipe.close()
    except BrokenPipeError:
        pass


class TestStates:
    def test_unauthorized(
        self, server: PrivateAdbServer, farm: VirtualFarm, phone: Any, hosted: Hosted
    ) -> None:
        shut = farm.add(phone, require_auth=True)

        with pytest.raises(PhoneRefusedError):
            server.connect(shut.address)

        assert server.states()[shut.address] == "unauthorized"
        with pytest.raises(PhoneRefusedError) as again:
            server.connect(shut.address)
        assert again.value.serial == shut.address
        server.disconnect(shut.address)
        farm.call(shut.adbd.stop)

    @pytest.mark.parametrize(
        "text",
        [
            "../../etc/passwd",
            "a/b\\c",
            "line\nemulator-5554\tdevice",
            "\x1b[2J\x1b]0;title\x07",
            "\u202erevo thgir\u200b",
            "semi;colon=equals;features=",
            "x" * 4096,
            "\udcff\udc80",
        ],
        ids=["dots", "slashes", "newline", "escape", "rtl", "semicolon", "long", "no-utf8"],
    )
    def test_hostile_properties_reach_the_host_and_harm_no_transfer(
        self, server: PrivateAdbServer, farm: VirtualFarm, new_phone: Any, text: str
    ) -> None:
        hosted = farm.add(new_phone(name=text, model=text, device=text))
        server.connect(hosted.address)
        try:
            device = AdbClient("127.0.0.1", server.port, socket_timeout=WAIT_S).device(
                hosted.address
            )
            assert server.states()[hosted.address] == "device"
            assert device.shell2("both 7", v2=True).returncode == 7
        finally:
            server.disconnect(hosted.address)
            farm.call(hosted.adbd.stop)


class TestAdbutils:
    def test_v2(self, device: AdbDevice) -> None:
        done = device.shell2("both 9", v2=True)

        assert (done.returncode, done.stdout, done.stderr) == (9, "to out\n", "to err\n")

    def test_files(self, device: AdbDevice, tmp_path: Path) -> None:
        device.sync.push(THREE_MB, "/data/local/tmp/x", mode=0o700, check=True)
        device.sync.pull("/data/local/tmp/x", tmp_path / "x")

        assert (tmp_path / "x").read_bytes() == THREE_MB
        assert device.sync.stat("/data/local/tmp/x").mode == 0o100777
        assert not device.sync.exists("/data/local/tmp/y")
        assert [(f.path, f.size) for f in device.sync.list("/data/local/tmp")] == [
            ("x", len(THREE_MB))
        ]

    def test_many_streams_at_once_stay_apart(self, device: AdbDevice) -> None:
        def whole(tag: int) -> str:
            with device.shell(f"count {tag} 300", stream=True) as stream:
                return str(stream.read_until_close())

        with ThreadPoolExecutor(20) as pool:
            texts = list(pool.map(whole, range(20)))

        assert texts == ["".join(f"{tag} {n}\n" for n in range(300)) for tag in range(20)]


class TestIndependentClient:
    """Straight to the port, with the older protocol version and its checksums."""

    def test_shell(self, direct: AdbDeviceTcp) -> None:
        assert direct.shell("both 1") == "to out\nto err\n"
        assert direct.exec_out("bytes 3", decode=False) == bytes(range(256)) * 3

    def test_streaming(self, direct: AdbDeviceTcp) -> None:
        assert "".join(direct.streaming_shell("count a 50")) == "".join(
            f"a {n}\n" for n in range(50)
        )

    def test_files(self, direct: AdbDeviceTcp, tmp_path: Path) -> None:
        (tmp_path / "there").write_bytes(THREE_MB)

        direct.push(str(tmp_path / "there"), "/data/x", mtime=1_700_000_000)
        direct.pull("/data/x", str(tmp_path / "back"))

        assert (tmp_path / "back").read_bytes() == THREE_MB
        assert direct.stat("/data/x")[1:] == (len(THREE_MB), 1_700_000_000)
        assert [f.filename for f in direct.list("/data")] == [b"x"]

    def test_key_required(self, farm: VirtualFarm, phone: Any) -> None:
        shut = farm.add(phone, require_auth=True)
        device = AdbDeviceTcp("127.0.0.1", shut.adbd.port, default_transport_timeout_s=WAIT_S)

        with pytest.raises(DeviceAuthError):
            device.connect()
        farm.call(shut.adbd.stop)
