"""The farm: calls from outside its thread, many phones at once, a clean end."""

import asyncio
import socket
import threading
from typing import Any

import pytest

from collector.virtual.farm import VirtualFarm

WAIT_S = 15.0


def test_calls_run_on_the_farms_own_thread(farm: VirtualFarm) -> None:
    async def later() -> str:
        await asyncio.sleep(0)
        return threading.current_thread().name

    assert farm.call(threading.current_thread).name == "virtual-farm"
    assert farm.call(later) == "virtual-farm"


def test_errors_reach_the_caller(farm: VirtualFarm) -> None:
    with pytest.raises(ValueError, match="invalid literal"):
        farm.call(int, "seven")


def test_a_call_from_its_own_thread_is_refused_instead_of_waiting_for_itself(
    farm: VirtualFarm,
) -> None:
    with pytest.raises(RuntimeError, match="own"):
        farm.call(farm.call, int)


def test_a_call_that_does_not_return_is_given_up(
    farm: VirtualFarm, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.virtual.farm.CALL_DEADLINE_S", 0.05)
    ended = threading.Event()

    async def endless() -> None:
        try:
            await asyncio.Event().wait()
        finally:
            ended.set()

    with pytest.raises(TimeoutError):
        farm.call(endless)
    assert ended.wait(WAIT_S)


def test_a_taken_port_is_an_error(farm: VirtualFarm, new_phone: Any) -> None:
    first = farm.add(new_phone())

    with pytest.raises(OSError, match="in use"):
        farm.add(new_phone(), port=first.adbd.port)
    farm.call(first.adbd.stop)


def test_phones_are_apart(farm: VirtualFarm, new_phone: Any) -> None:
    hosted = [farm.add(new_phone()) for _ in range(50)]

    assert len({h.address for h in hosted}) == 50
    farm.call(hosted[0].adbd.vanish)
    for h in hosted[1:]:
        socket.create_connection(("127.0.0.1", h.adbd.port), timeout=WAIT_S).close()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", hosted[0].adbd.port), timeout=WAIT_S)
    for h in hosted:
        farm.call(h.adbd.stop)


def test_close_frees_ports_ends_the_thread_and_may_be_repeated(new_phone: Any) -> None:
    farm = VirtualFarm()
    ports = [farm.add(new_phone()).adbd.port for _ in range(3)]
    farm.call(farm._hosted[0].adbd.vanish)

    farm.close()
    farm.close()

    assert not farm._thread.is_alive()
    for port in ports:
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", port), timeout=WAIT_S)
    with pytest.raises(RuntimeError, match="open farm"):
        farm.call(int)
