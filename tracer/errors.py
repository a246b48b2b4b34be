"""The error tree.

    TracerError                 anything the user can put right; never shown with a traceback
    ├── InputError     (1)      an artwork that cannot be read or worked
    ├── UsageError     (2)      wrong options or settings; nothing was started
    └── OutputError    (4)      a result that cannot be written

The number is the exit status. Everything else that escapes is a fault of ours (status 5).
An error carries a stable `code` for programs, one line for people and, in `hint`, what to do.
"""

from enum import IntEnum


class Status(IntEnum):
    """Exit status of the command, see `tracer --help`."""

    DONE = 0
    ARTWORK_FAILED = 1
    WRONG_USE = 2
    PLACES_OPEN = 3
    NOT_WRITTEN = 4
    FAULT = 5
    INTERRUPTED = 130
    PIPE_CLOSED = 141
    TERMINATED = 143


class TracerError(Exception):
    """An error that the user can act on.

    Parameters
    ----------
    message
        What is wrong, lower case, no full stop.
    hint
        What to do about it; printed in brackets behind the message.
    code
        Stable identifier for programs, such as ``E_TRUNCATED``.
    subject
        What the error is about: a file name, an option. Filled in by whoever knows it.
    """

    status = Status.FAULT
    default_code = "E_INTERNAL"

    def __init__(self, message: str, *, hint: str = "", code: str = "", subject: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint
        self.code = code or self.default_code
        self.subject = subject

    def __str__(self) -> str:
        """Return `SUBJECT: what is wrong (what to do)` on one line."""
        text = f"{self.subject}: {self.message}" if self.subject else self.message
        return f"{text} ({self.hint})" if self.hint else text

    def __reduce__(self) -> tuple[object, ...]:
        """Survive the way back from a worker process with every field."""
        return (_rebuild, (type(self), self.message, self.hint, self.code, self.subject))


def _rebuild(kind: type[TracerError], message: str, hint: str, code: str, subject: str) -> object:
    return kind(message, hint=hint, code=code, subject=subject)


class InputError(TracerError):
    """An artwork cannot be read or worked; the others go on."""

    status = Status.ARTWORK_FAILED
    default_code = "E_DAMAGED"


class UsageError(TracerError):
    """Options or settings are wrong; nothing was started."""

    status = Status.WRONG_USE
    default_code = "E_SETTING"


class OutputError(TracerError):
    """A result cannot be written; earlier results are kept."""

    status = Status.NOT_WRITTEN
    default_code = "E_OUTPUT"
