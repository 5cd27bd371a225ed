"""What the phones do by themselves, as a recording at the terminal sees it."""

from typing import Protocol

from collector.planning.plan import Slot


class Driving(Protocol):
    """What the phones do by themselves (see `collector.driving.drive.Drive`)."""

    def begin(self, slot: Slot) -> str:
        """Starts a segment's actions; says what was started, or why not."""
        ...

    def keep(self) -> str:
        """Says that somebody still watches; says what went wrong, if anything."""
        ...

    def stop(self) -> str:
        """Ends all actions at once; says what went wrong, if anything."""
        ...

    def costs(self) -> tuple[str, ...]:
        """What the actions took from each phone's processor, in sentences."""
        ...


class NothingDriven:
    """No plan, or none with actions."""

    def begin(self, slot: Slot) -> str:
        """Nothing to start."""
        del slot
        return ""

    def keep(self) -> str:
        """Nothing to keep."""
        return ""

    def stop(self) -> str:
        """Nothing to end."""
        return ""

    def costs(self) -> tuple[str, ...]:
        """Nothing was spent."""
        return ()
