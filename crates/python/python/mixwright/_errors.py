"""One exception class for each kind of error; the same kinds as the exit codes of the command line."""

from typing import Any, Sequence


class MixwrightError(Exception):
    """Anything this package raises by itself.

    ``exit_code`` is the exit code with which the command line ends for the same error.
    ``problems`` are the problems with their places as the command line prints them with ``--json``: dictionaries with
    ``kind``, ``message`` and, where there is a place, ``file``, ``line``, ``column``, ``bytes`` and ``help``.
    """

    exit_code: int = 1
    problems: list[dict[str, Any]]

    def __init__(self, message: str, *, problems: Sequence[dict[str, Any]] = ()) -> None:
        super().__init__(message)
        self.problems = list(problems)


class InputError(MixwrightError):
    """The input is wrong: a file with problems, arguments that make no sense."""

    exit_code = 3


class PackageError(InputError):
    """A model package that cannot be opened: changed, hostile, or of a later version."""


class OutsideRegionError(InputError):
    """A question outside the validity region of a model whose maker chose to refuse."""


class FileError(MixwrightError):
    """A file could not be read or written."""

    exit_code = 3


class NoSolutionError(MixwrightError):
    """No steady state was found, or another iteration ended without its goal."""

    exit_code = 5


class InternalError(MixwrightError):
    """A mistake in this program; please report it with the design."""

    exit_code = 1


class FindingWarning(UserWarning):
    """Something to look at before a number is relied on; the same remarks stand in ``findings()``."""
