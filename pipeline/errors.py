"""Every error Woundwood raises on purpose.

    WoundwoodError                      exit code 1
    ├── UsageError                      exit code 2   the call or a setting is wrong
    │   ├── NotAGrove                                 the folder holds no grove
    │   └── SettingsError                             a settings file or variable cannot be used
    ├── RegisterError                   exit code 1   the register cannot be read at all
    ├── MissingExtra                    exit code 1   an optional package is not installed
    ├── ModelError                      exit code 1   a network file is missing, damaged or of another kind
    ├── StoreError                      exit code 1   the grove's database cannot be used
    ├── NotReceived                     exit code 1   one file of the inbox could not be copied; it stays there
    └── PhotoRefused                    (never leaves ``flow``) one photo cannot be read

Messages say what happened, where, and what to do next.  A ``PhotoRefused`` becomes a
:class:`~pipeline.records.Refusal`; a run in which some photos were refused ends with
exit code 3, which is not an error.
"""

from __future__ import annotations

EXIT_DONE = 0
EXIT_FAILED = 1
EXIT_USAGE = 2
EXIT_SOME_REFUSED = 3


class WoundwoodError(Exception):
    """Root of the tree; catching it catches everything raised on purpose.

    Parameters
    ----------
    what
        What happened, and where: one sentence that names the file, folder or value.
    remedy
        What the person can do next: one sentence.
    """

    exit_code = EXIT_FAILED

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(f"{what} {remedy}".strip())
        self.what = what
        self.remedy = remedy

    def __reduce__(self) -> tuple[object, ...]:
        """Let every error cross from a worker process whole, whatever its own arguments are."""
        return (_again, (type(self), self.args, dict(self.__dict__)))


def _again(kind: type[WoundwoodError], args: tuple[str, ...], state: dict[str, object]) -> WoundwoodError:
    """An error as it was in another process."""
    error = kind.__new__(kind)
    error.args = args
    error.__dict__.update(state)
    return error


class UsageError(WoundwoodError):
    """The call is wrong: an argument, a folder, a setting."""

    exit_code = EXIT_USAGE


class NotAGrove(UsageError):
    """The folder named is not a grove."""


class SettingsError(UsageError):
    """A settings file, variable or option cannot be used."""


class RegisterError(WoundwoodError):
    """The register as a whole cannot be read (single bad rows are only reported)."""


class MissingExtra(WoundwoodError):
    """An optional package is needed for this and is not installed.

    Parameters
    ----------
    extra
        Name of the extra, e.g. ``"heic"``.
    purpose
        What it is needed for, as the end of the sentence "... is needed to".
    """

    def __init__(self, extra: str, purpose: str) -> None:
        super().__init__(
            f"The optional part '{extra}' is needed to {purpose}.",
            f"Install it with: pip install 'woundwood[{extra}]'",
        )
        self.extra = extra


class ModelError(WoundwoodError):
    """A network file is missing, damaged, or does not match its contract."""


class StoreError(WoundwoodError):
    """The grove's database cannot be opened, read or written."""


class NotSent(WoundwoodError):
    """An e-mail could not be handed over to the mail server; it waits in the outbox."""


class NotReceived(WoundwoodError):
    """One file of the inbox could not be copied to the originals; it stays in the inbox for the next look."""


class PhotoRefused(WoundwoodError):
    """One photo cannot be read any further.

    Parameters
    ----------
    stage
        Value of :class:`~pipeline.records.PhotoStage` in which it stopped.
    reason
        What is wrong, one short sentence.
    remedy
        What to do next time, one short sentence.
    code
        Value of :class:`~pipeline.records.RefusalCode`: what is wrong as one of a fixed list, from which the hand's
        advice and its drawing follow.
    """

    def __init__(self, stage: str, reason: str, remedy: str, *, code: str) -> None:
        super().__init__(reason, remedy)
        self.stage = stage
        self.reason = reason
        self.code = code
