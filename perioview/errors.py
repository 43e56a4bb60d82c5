"""What a user can act on: each fault one line that says what is wrong, the value, what to do."""

from __future__ import annotations


class InputRefused(ValueError):
    """The input cannot be used as it is; nothing was changed.

    Parameters
    ----------
    *faults : str
        One line per fault: the file, what is wrong, the value got, what to do.
    """

    def __init__(self, *faults: str) -> None:
        self.faults: tuple[str, ...] = faults
        super().__init__("\n".join(faults))

    def __reduce__(self) -> tuple[type[InputRefused], tuple[str, ...]]:
        # Pickled between processes (batch), each fault stays a line of its own.
        return InputRefused, self.faults


def reason(error: Exception) -> str:
    """Say why something could not be read, in a few words and without the type of the error.

    Parameters
    ----------
    error : Exception
        As it was caught.

    Returns
    -------
    str
    """
    if isinstance(error, OSError):
        return error.strerror or str(error)
    if isinstance(error, KeyError):
        return f"'{error.args[0]}' is missing"
    return str(error)
