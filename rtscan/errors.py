"""Our exceptions: one small tree. Every message is one line: file, what is wrong, what to do."""

from __future__ import annotations

from collections.abc import Sequence


class RtscanError(Exception):
    """Something the user can put right.

    `problems` holds one entry per mistake found, each "what is wrong; what to do", so that a file with several
    mistakes is reported in full. `str()` gives one line per problem, each beginning with the file.
    """

    def __init__(self, file: str, problems: str | Sequence[str]) -> None:
        self.file = file
        self.problems: tuple[str, ...] = (problems,) if isinstance(problems, str) else tuple(problems)
        super().__init__(file, self.problems)

    def lines(self) -> tuple[str, ...]:
        """One line per problem, `FILE: what is wrong; what to do`, with line breaks in names and texts made visible."""
        return tuple(f"{self.file}: {problem}".replace("\r", " ").replace("\n", " ") for problem in self.problems)

    def __str__(self) -> str:
        return "\n".join(self.lines())


class FilmError(RtscanError):
    """The film file cannot be read as a radiograph."""


class JobError(RtscanError):
    """The job sheet has mistakes."""


class CriteriaError(RtscanError):
    """The acceptance criteria are unknown or have mistakes. A malformed criterion is not a rejected weld."""


class ListError(RtscanError):
    """A list of indications, a worksheet or a film set cannot be understood."""


class RecipeError(RtscanError):
    """The recipe of a simulated film has mistakes."""


class OutputError(RtscanError):
    """A result cannot be written."""
