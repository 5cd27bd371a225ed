"""What can go wrong between a phone's text and a table, by what the caller can do about it."""

from typing import ClassVar


class RundownError(Exception):
    """Base of every error of ours.

    Attributes:
        exit_code: what the command line ends with: 2 wrong use, 3 phone or link, 4 damaged data.
    """

    exit_code: ClassVar[int] = 4


class ParserError(RundownError):
    """Base of every error that leaves this package; by default the user gave us the wrong text."""

    exit_code = 2


class NotThisDumpError(ParserError):
    """The text is not a dump of the kind asked for: choose another kind or look at the text.

    Attributes:
        kind: the kind that was asked for.
        reason: what is missing, in a few words.
    """

    def __init__(self, kind: str, reason: str) -> None:
        self.kind = kind
        self.reason = reason
        super().__init__(f"this is not a '{kind}' dump: {reason}")


class SourceRefusedError(ParserError):
    """The phone answered that it will not or cannot give this dump: try another source.

    Attributes:
        kind: the kind that was asked for.
        answer: the phone's own words, shortened and made printable.
    """

    def __init__(self, kind: str, answer: str) -> None:
        self.kind = kind
        self.answer = answer
        super().__init__(f"the phone refused the '{kind}' dump: {answer}")


class JournalDamagedError(ParserError):
    """A journal cannot be read at all: it is not ours, or its first bytes are gone.

    Attributes:
        path: the file.
        offset_bytes: where reading stopped.
    """

    exit_code = 4

    def __init__(self, path: str, offset_bytes: int, reason: str) -> None:
        self.path = path
        self.offset_bytes = offset_bytes
        super().__init__(
            f"{path}: {reason} at byte {offset_bytes}; keep the file and restore it from a copy"
        )


class RunFolderError(ParserError):
    """A folder is not a run, or a file in it is not of this version.

    Attributes:
        path: the file or folder.
    """

    def __init__(self, path: str, reason: str) -> None:
        self.path = path
        super().__init__(f"{path}: {reason}")


class RunDamagedError(RunFolderError):
    """A file of a run does not hold what the format promises: restore or rebuild it."""

    exit_code = 4


class UnknownDumpError(ParserError):
    """A text is no dump we know: capture it again, or name its kind.

    Attributes:
        reason: what speaks against it, in a few words.
    """

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(
            f"not a dump of a known kind: {reason}; capture it with one command and nothing else"
            " in the file, for instance: adb shell dumpsys battery > battery.txt"
        )
