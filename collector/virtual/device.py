"""The seam between the wire and the phone behind it."""

from typing import Protocol

from collector.virtual.files import VirtualFiles


class ShellIO(Protocol):
    """The three standard streams of one running command."""

    async def out(self, data: bytes) -> None:
        """Write to standard output; waits while the host is not reading.

        Raises:
            BrokenPipeError: the host closed the stream or the link is lost.
        """
        ...

    async def err(self, data: bytes) -> None:
        """Write to standard error, which shares standard output's pipe unless v2 and raw.

        Raises:
            BrokenPipeError: the host closed the stream or the link is lost.
        """
        ...

    async def read(self) -> bytes | None:
        """Next piece of standard input as typed, None once it is closed."""
        ...


class Device(Protocol):
    """The phone behind the wire; every method runs on the event loop of its adbd."""

    @property
    def files(self) -> VirtualFiles:
        """What push, pull and list see."""
        ...

    def properties(self) -> dict[str, str]:
        """`ro.product.name`, `.model` and `.device` for the banner: sent raw, even if hostile."""
        ...

    def power_off(self) -> None:
        """End whatever runs on the phone with no host attached."""
        ...

    async def shell(self, command: str, io: ShellIO) -> int:
        """Run one command line and return its exit code.

        The task is cancelled when the host hangs up a v2 shell. A plain one lives on and only
        finds its pipe broken, as on a phone. Bytes that are no UTF-8 arrive as surrogates.
        """
        ...
