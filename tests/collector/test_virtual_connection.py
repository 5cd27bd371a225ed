"""What only a host of our own can do: count messages, break rules, send rubbish."""

import asyncio
import socket
import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from collector.virtual.farm import Hosted, VirtualFarm
from collector.virtual.shell import PACKET, _Packets
from collector.virtual.stream import INBOX_BYTES, Stream
from collector.virtual.wire import HEADER, VERSION, Command, Message, pack, unpack_header

WAIT_S = 15.0
ID = struct.Struct("<4sI")


class RawHost:
    """Sends and receives single messages."""

    def __init__(self, link: socket.socket, *, version: int = VERSION) -> None:
        self._link = link
        self._checksummed = version < VERSION
        self.send(Message(Command.CNXN, version, 1 << 20, b"host::"), checksummed=True)
        self.hello = self.receive()

    def send(self, message: Message, *, checksummed: bool = False) -> None:
        self._link.sendall(pack(message, checksummed=checksummed or self._checksummed))

    def receive(self) -> Message:
        header = unpack_header(self._exactly(HEADER.size))
        return header.message(self._exactly(header.payload_bytes), checksummed=self._checksummed)

    def open(self, service: str, number: int = 1) -> int:
        """Open a stream; returns the phone's number for it."""
        self.send(Message(Command.OPEN, number, 0, service.encode() + b"\0"))
        answer = self.receive()
        assert (answer.command, answer.arg1) == (Command.OKAY, number)
        return answer.arg0

    def everything(self, theirs: int, ours: int = 1) -> bytes:
        """All that the phone writes on a stream until it closes it."""
        data = b""
        while (message := self.receive()).command is not Command.CLSE:
            if message.command is Command.WRTE:
                data += message.payload
                self.send(Message(Command.OKAY, ours, theirs))
        self.send(Message(Command.CLSE, ours, theirs))
        return data

    def _exactly(self, n_bytes: int) -> bytes:
        data = b""
        while len(data) < n_bytes:
            piece = self._link.recv(n_bytes - len(data))
            if not piece:
                raise EOFError
            data += piece
        return data


@contextmanager
def connected(hosted: Hosted, **options: Any) -> Iterator[RawHost]:
    with socket.create_connection(("127.0.0.1", hosted.adbd.port), timeout=WAIT_S) as link:
        yield RawHost(link, **options)


@pytest.fixture
def host(hosted: Hosted) -> Iterator[RawHost]:
    with connected(hosted) as raw:
        yield raw


def test_banner_names_phone_and_features(host: RawHost) -> None:
    assert host.hello.command is Command.CNXN
    assert host.hello.payload == (
        b"device::ro.product.name=alder;ro.product.model=Alder 1;ro.product.device=alder1;"
        b"features=shell_v2,cmd,stat_v2,ls_v2,fixed_push_mkdir,sendrecv_v2"
    )


def test_older_hosts_get_checksums(hosted: Hosted) -> None:
    with connected(hosted, version=0x01000000) as host:
        assert host.hello.arg0 == 0x01000000
        assert host.everything(host.open("shell:say hello")) == b"hello\n"


def test_one_write_in_flight_until_its_okay(host: RawHost) -> None:
    theirs = host.open("shell:count a 2", 1)
    assert host.receive().payload == b"a 0\n"

    # Had the phone not waited, its second write would come before this whole other stream.
    other = host.open("shell:say in between", 2)
    assert host.everything(other, 2) == b"in between\n"

    host.send(Message(Command.OKAY, 1, theirs))
    assert host.everything(theirs) == b"a 1\n"


@pytest.mark.parametrize("service", ["reboot:", "tcp:80", "shellx:ls", "shell", "", "\udcff:"])
def test_unknown_services_are_refused(host: RawHost, service: str) -> None:
    payload = service.encode(errors="surrogateescape") + b"\0"
    host.send(Message(Command.OPEN, 5, 0, payload))

    assert host.receive() == Message(Command.CLSE, 0, 5)


@pytest.mark.parametrize(
    ("service", "text"),
    [
        ("shell,raw:both 1", b"to out\nto err\n"),
        ("shell,pty:both 1", b"to out\r\nto err\r\n"),
        ("shell,TERM=xterm-256color,raw,novel:both 1", b"to out\nto err\n"),
        ("exec:both 1", b"to out\nto err\n"),
        (
            "shell,v2:both 3",
            b"\x01\x07\0\0\0to out\n\x02\x07\0\0\0to err\n\x03\x01\0\0\0\x03",
        ),
        (
            "shell,v2,TERM=xterm,pty:both 3",
            b"\x01\x08\0\0\0to out\r\n\x01\x08\0\0\0to err\r\n\x03\x01\0\0\0\x03",
        ),
    ],
)
def test_shell_variants(host: RawHost, service: str, text: bytes) -> None:
    assert host.everything(host.open(service)) == text


def test_a_close_is_answered_by_a_close(host: RawHost, phone: Any) -> None:
    theirs = host.open("shell,v2,raw:silence")
    host.receive()
    host.send(Message(Command.CLSE, 1, theirs))

    assert host.receive() == Message(Command.CLSE, theirs, 1)
    assert phone.ended.get(timeout=WAIT_S) == "hung up"


def test_plain_commands_only_lose_their_pipe(host: RawHost, phone: Any) -> None:
    theirs = host.open("shell:tick")
    host.send(Message(Command.CLSE, 1, theirs))

    assert phone.ended.get(timeout=WAIT_S) == "broken pipe"


def test_input_packets_may_be_split_anywhere(host: RawHost) -> None:
    window = PACKET.pack(5, 12) + b"24x80,0x0\0\0\0"
    close = PACKET.pack(4, 0)
    line = window + PACKET.pack(0, 3) + b"abc" + window + PACKET.pack(0, 2) + b"de" + close
    theirs = host.open("shell,v2,raw:cat")
    received = b""

    for byte in line:
        host.send(Message(Command.WRTE, 1, theirs, bytes([byte])))
        while (message := host.receive()).command is Command.WRTE:
            received += message.payload
            host.send(Message(Command.OKAY, 1, theirs))
        assert message.command is Command.OKAY
    received += host.everything(theirs)

    assert (
        received
        == b"".join(PACKET.pack(1, 1) + bytes([byte]) for byte in b"abcde")
        + PACKET.pack(3, 1)
        + b"\0"
    )


def test_plain_input_comes_back(host: RawHost) -> None:
    theirs = host.open("shell:cat")
    host.send(Message(Command.WRTE, 1, theirs, b"abc"))

    assert {host.receive(), host.receive()} == {
        Message(Command.OKAY, theirs, 1),
        Message(Command.WRTE, theirs, 1, b"abc"),
    }


@pytest.mark.parametrize(
    ("unfinished", "pieces"),
    [
        (b"", []),
        (b"\0\xff", []),
        (b"\5\xff\0\0\0", []),
        (PACKET.pack(0, 9) + b"ab", [b"ab"]),
        (PACKET.pack(4, 0) + PACKET.pack(0, 2) + b"ab", []),
    ],
)
def test_packet_input_ends_where_the_host_went_away(
    unfinished: bytes, pieces: list[bytes]
) -> None:
    async def read_thrice() -> list[bytes | None]:
        stream = Stream((1, 1), 4096, lambda _: None)
        stream.received(unfinished)
        stream.hang_up()
        packets = _Packets(stream, terminal=False)
        return [await packets.read() for _ in range(3)]

    assert asyncio.run(read_thrice()) == [*pieces, None, None, None][:3]


@pytest.mark.parametrize("n_steps", range(6))
def test_nobody_slips_in_while_the_phone_vanishes(
    hosted: Hosted, farm: VirtualFarm, n_steps: int
) -> None:
    async def connect_and_vanish() -> bytes:
        loop = asyncio.get_running_loop()
        with socket.socket() as host:
            host.setblocking(False)
            await loop.sock_connect(host, ("127.0.0.1", hosted.adbd.port))
            for _ in range(n_steps):
                await asyncio.sleep(0)
            hosted.adbd.vanish()
            try:
                return await loop.sock_recv(host, 1)
            except ConnectionResetError:
                return b""

    assert farm.call(connect_and_vanish) == b""
    assert not hosted.adbd._connections


def test_unread_input_is_acknowledged_up_to_a_limit(host: RawHost) -> None:
    theirs = host.open("shell:silence", 1)
    assert host.receive().payload == b"ready\n"

    host.send(Message(Command.WRTE, 1, theirs, bytes(INBOX_BYTES - 1)))
    assert host.receive() == Message(Command.OKAY, theirs, 1)
    host.send(Message(Command.WRTE, 1, theirs, b"!"))

    # The limit is reached: the next answer belongs to another stream.
    assert host.everything(host.open("shell:say other", 2), 2) == b"other\n"


def test_a_cut_is_exact(host: RawHost, hosted: Hosted, farm: VirtualFarm) -> None:
    theirs = host.open("shell,v2,raw:bytes 8")
    assert len(host.receive().payload) == PACKET.size + 2048
    farm.call(hosted.adbd.cut_stream, after_bytes=3)
    host.send(Message(Command.OKAY, 1, theirs))

    assert host.everything(theirs) == PACKET.pack(3, 1)[:3]


def test_drip_reaches_every_byte(host: RawHost, hosted: Hosted, farm: VirtualFarm) -> None:
    farm.call(hosted.adbd.drip, 2_000.0)
    theirs = host.open("shell:say slow")

    assert host.everything(theirs) == b"slow\n"


def test_a_lost_token_exchange_never_opens(farm: VirtualFarm, phone: Any) -> None:
    shut = farm.add(phone, require_auth=True)
    with connected(shut) as host:
        first = host.hello
        assert (first.command, first.arg0, len(first.payload)) == (Command.AUTH, 1, 20)
        host.send(Message(Command.OPEN, 1, 0, b"shell:say in\0"))
        host.send(Message(Command.AUTH, 3, 0, b"a public key\0"))
        host.send(Message(Command.AUTH, 2, 0, bytes(256)))

        second = host.receive()
        assert (second.command, second.arg0) == (Command.AUTH, 1)
        assert second.payload != first.payload
    farm.call(shut.adbd.stop)


def test_a_new_greeting_closes_old_streams(host: RawHost, phone: Any) -> None:
    host.open("shell,v2,raw:silence")
    host.receive()
    host.send(Message(Command.CNXN, VERSION, 4096, b"host::"))

    assert host.receive().command is Command.CNXN
    assert phone.ended.get(timeout=WAIT_S) == "hung up"


def test_words_about_unknown_streams_are_ignored(host: RawHost) -> None:
    theirs = host.open("shell:silence", 1)
    host.receive()
    for command in (Command.OKAY, Command.WRTE, Command.CLSE):
        host.send(Message(command, 1, theirs + 50, b""))
        host.send(Message(command, 99, theirs, b""))
    host.send(Message(Command.STLS, 0, 0))
    host.send(Message(Command.AUTH, 2, 0, b"unasked"))

    assert host.everything(host.open("shell:say well", 2), 2) == b"well\n"


def test_the_banner_fits_a_small_host(hosted: Hosted) -> None:
    with socket.create_connection(("127.0.0.1", hosted.adbd.port), timeout=WAIT_S) as link:
        host = RawHost(link)
        host.send(Message(Command.CNXN, VERSION, 7, b"host::"))
        host.receive()
        theirs = host.open("shell:say one small piece after another")

        first = host.receive()
        assert first.payload == b"one sma"
        host.send(Message(Command.OKAY, 1, theirs))
        assert first.payload + host.everything(theirs) == b"one small piece after another\n"


@pytest.mark.parametrize(
    "rubbish",
    [
        b"GET / HTTP/1.1\r\nHost: phone\r\n\r\n",
        pack(Message(Command.CNXN, VERSION - 1, 4096, b"host::"), checksummed=False),
        HEADER.pack(Command.WRTE, 0, 0, 1 << 30, 0, Command.WRTE ^ 0xFFFFFFFF),
    ],
    ids=["http", "no checksum", "too long"],
)
def test_rubbish_is_dropped_and_the_phone_stays(hosted: Hosted, rubbish: bytes) -> None:
    with socket.create_connection(("127.0.0.1", hosted.adbd.port), timeout=WAIT_S) as link:
        link.sendall(rubbish)
        with pytest.raises(ConnectionResetError):
            link.recv(1)
    with connected(hosted) as host:
        assert host.everything(host.open("shell:say here")) == b"here\n"


def test_a_host_that_does_not_wait_is_dropped(host: RawHost) -> None:
    theirs = host.open("shell:silence")
    host.receive()
    host.send(Message(Command.WRTE, 1, theirs, bytes(INBOX_BYTES)))
    host.send(Message(Command.WRTE, 1, theirs, b"!"))

    with pytest.raises(ConnectionResetError):
        host.receive()


def test_small_writes_are_not_held_back(hosted: Hosted, farm: VirtualFarm, host: RawHost) -> None:
    (connection,) = hosted.adbd._connections

    assert connection._socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0


Exchange = Callable[[bytes], bytes]


class TestSync:
    @pytest.fixture
    def ask(self, host: RawHost) -> Exchange:
        """Send a whole conversation in one write and collect what comes until the close."""

        def run(requests: bytes) -> bytes:
            theirs = host.open("sync:")
            host.send(Message(Command.WRTE, 1, theirs, requests + ID.pack(b"QUIT", 0)))
            return host.everything(theirs)

        return run

    def path(self, name: bytes, path: bytes) -> bytes:
        return ID.pack(name, len(path)) + path

    def failure(self, reason: bytes) -> bytes:
        return self.path(b"FAIL", reason)

    def test_stat_of_nothing(self, ask: Exchange) -> None:
        answer = ask(self.path(b"STAT", b"/no") + self.path(b"STA2", b"/no"))

        assert answer[:16] == b"STAT" + bytes(12)
        assert answer[16:] == b"STA2" + struct.pack("<I", 2) + bytes(64)

    def test_stat_of_a_file(self, ask: Exchange, phone: Any) -> None:
        phone.files.write("/a/b", b"12345", mode=0o640, mtime_s=77)

        answer = ask(self.path(b"LST2", b"/a/./b"))

        assert struct.unpack("<4sIQQIIIIQqqq", answer) == (
            *(b"LST2", 0, 0, 0, 0o100640, 1, 2000, 2000, 5),
            *(77, 77, 77),
        )

    def test_lists(self, ask: Exchange, phone: Any) -> None:
        phone.files.write("/a/file", b"12345", mtime_s=77)

        old = ask(self.path(b"LIST", b"/a"))
        nothing = ask(self.path(b"LIST", b"/nowhere"))

        assert old == (
            struct.pack("<4sIIII", b"DENT", 0o100644, 5, 77, 4) + b"file" + b"DONE" + bytes(16)
        )
        assert nothing == b"DONE" + bytes(16)

    def test_second_form_of_the_list(self, ask: Exchange, phone: Any) -> None:
        phone.files.make_folder("/a/folder", mtime_s=9)

        answer = ask(self.path(b"LIS2", b"/a"))

        assert answer[:4] == b"DNT2"
        assert struct.unpack_from("<I", answer, 24) == (0o40755,)
        assert answer[72:] == struct.pack("<I", 6) + b"folder" + b"DONE" + bytes(72)

    def test_second_form_of_send_and_receive(self, ask: Exchange) -> None:
        answer = ask(
            self.path(b"SND2", b"/new/file")
            + struct.pack("<4sII", b"SND2", 0o100644, 0)
            + self.path(b"DATA", b"some ")
            + self.path(b"DATA", b"bytes")
            + ID.pack(b"DONE", 1234)
            + self.path(b"RCV2", b"/new/file")
            + ID.pack(b"RCV2", 0)
        )

        assert answer == ID.pack(b"OKAY", 0) + self.path(b"DATA", b"some bytes") + ID.pack(
            b"DONE", 0
        )

    @pytest.mark.parametrize(
        ("requests", "reason"),
        [
            (ID.pack(b"WHAT", 0), b"unknown command 57484154"),
            (ID.pack(b"STAT", 1025), b"path too long"),
            (ID.pack(b"RECV", 2) + b"/x", b"No such file or directory"),
            (ID.pack(b"RECV", 1) + b"/", b"Is a directory"),
            (ID.pack(b"SEND", 2) + b"/x", b"missing , and mode in ID_SEND_V1"),
            (ID.pack(b"SEND", 4) + b"/x,a", b"missing , and mode in ID_SEND_V1"),
            (ID.pack(b"RCV2", 2) + b"/x" + ID.pack(b"RECV", 0), b"invalid setup message"),
            (
                ID.pack(b"RCV2", 2) + b"/x" + ID.pack(b"RCV2", 1),
                b"compression is not offered here",
            ),
            (ID.pack(b"SEND", 8) + b"/x,33188" + ID.pack(b"DATA", 65537), b"invalid data message"),
            (ID.pack(b"SEND", 8) + b"/x,33188" + ID.pack(b"STAT", 0), b"invalid data message"),
            (
                ID.pack(b"SEND", 8) + b"/x,41471" + ID.pack(b"DONE", 0),
                b"only plain files are kept",
            ),
            (ID.pack(b"SEND", 7) + b"/,33188" + ID.pack(b"DONE", 0), b"Is a directory"),
        ],
    )
    def test_refusals_say_why_and_end(self, ask: Exchange, requests: bytes, reason: bytes) -> None:
        assert ask(requests) == self.failure(reason)

    def test_an_unfinished_upload_leaves_nothing(self, host: RawHost, phone: Any) -> None:
        theirs = host.open("sync:")
        request = self.path(b"SEND", b"/x,33188") + self.path(b"DATA", b"half")
        host.send(Message(Command.WRTE, 1, theirs, request))
        host.receive()
        host.send(Message(Command.CLSE, 1, theirs))
        assert host.receive().command is Command.CLSE

        assert host.everything(host.open("shell:say on", 2), 2) == b"on\n"
        assert phone.files.find("/x") is None

    def test_an_unread_download_ends_with_the_stream(self, host: RawHost, phone: Any) -> None:
        phone.files.write("/big", bytes(1_000_000))
        theirs = host.open("sync:")
        host.send(Message(Command.WRTE, 1, theirs, self.path(b"RECV", b"/big")))
        while host.receive().command is not Command.WRTE:
            pass
        host.send(Message(Command.CLSE, 1, theirs))
        assert host.receive().command is Command.CLSE

        assert host.everything(host.open("shell:say on", 2), 2) == b"on\n"
