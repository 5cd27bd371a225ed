"""What can go wrong between tables and energies, by what the caller can do about it."""

from parsers.errors import RundownError


class AnalysisError(RundownError):
    """Base of every error that this package raises itself; by default the data are at fault."""


class NothingRecordedError(AnalysisError):
    """There is not enough to work on: do as advised.

    Attributes:
        where: the run or the phone.
        said: where and what, without the advice.
        advice: what to do next; empty where that depends on how the run was made.
    """

    def __init__(self, where: str, reason: str, advice: str = "") -> None:
        self.where = where
        self.said = f"{where}: {reason}"
        self.advice = advice
        super().__init__("; ".join(filter(None, (self.said, advice))))


class TableDamagedError(AnalysisError):
    """A table of the run does not hold what the format promises: rebuild it.

    Attributes:
        path: the file or folder.
    """

    def __init__(self, path: str, reason: str) -> None:
        self.path = path
        super().__init__(reason)


class SeriesError(AnalysisError):
    """Arrays that do not make a series: correct the input.

    Attributes:
        column: the array at fault.
    """

    exit_code = 2

    def __init__(self, column: str, reason: str) -> None:
        self.column = column
        super().__init__(f"{column}: {reason}")


class CannotEstimateError(AnalysisError):
    """A method was asked about a series that lacks what it needs: choose another method.

    Attributes:
        method: name of the estimator.
        missing: what the series lacks.
    """

    exit_code = 2

    def __init__(self, method: str, missing: str) -> None:
        self.method = method
        self.missing = missing
        super().__init__(f"{method}: the series has no {missing}; use another method")


class TimelineError(AnalysisError):
    """A time or a list of clips that makes no sense: correct what was written."""

    exit_code = 2


class FontError(AnalysisError):
    """A font that cannot be used for pictures: name another file."""

    exit_code = 2


class LogError(AnalysisError):
    """A log recorded elsewhere cannot be read as it stands: correct the file.

    Attributes:
        path: the file.
    """

    exit_code = 2

    def __init__(self, path: str, reason: str) -> None:
        self.path = path
        super().__init__(f"{path}: {reason}")


class NotEnoughError(AnalysisError):
    """A run does not hold what a result needs: record what is missing.

    Attributes:
        where: the run or the phone.
    """

    exit_code = 2

    def __init__(self, where: str, reason: str) -> None:
        self.where = where
        super().__init__(f"{where}: {reason}")
