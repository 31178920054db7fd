"""One kind of error for everything that a person typed or handed over."""

from __future__ import annotations

import os

LONGEST_PROBLEM = 300  # characters shown; a value typed in can be of any length


class InputError(ValueError):
    """Something handed over can't be used; the message says what, where and how to mend it.

    Shown to people as one line, so keep every part short and plain.

    Args:
        problem: what is wrong, with the value.
        field: the key, option or argument it belongs to, such as ``recording.focal_mm``.
        fix: what is allowed or how to mend it.
        file: the file it stands in.
    """

    def __init__(self, problem: str, *, field: str = "", fix: str = "", file: str = "") -> None:
        self.problem, self.field, self.fix, self.file = problem, field, fix, file
        super().__init__(str(self))

    def __str__(self) -> str:
        line = ": ".join(_short(part, LONGEST_PROBLEM) for part in (self.file, self.field, self.problem) if part)
        fix = _short(self.fix[:1].upper() + self.fix[1:], 4 * LONGEST_PROBLEM)  # lists what is allowed
        return visible(" ".join((f"{line}. {fix}" if fix else line).split()))

    def within(self, *, file: str = "", prefix: str = "") -> InputError:
        """The same error placed in a file, or under a table of it."""
        field = ".".join(part for part in (prefix, self.field) if part)
        return InputError(self.problem, field=field, fix=self.fix, file=self.file or file)


def _short(text: str, most: int) -> str:
    """Its start and its end: what is wrong with a value stands behind it."""
    half = most // 2
    return text if len(text) <= most else f"{text[:half]}…{text[1 - half :]}"


_CONTROLS = {**{code: 0x2400 + code for code in range(32) if chr(code) not in "\t\n"}, 127: 0x2421, **dict.fromkeys([*range(128, 160), 0x202E], 0xFFFD)}


def visible(text: str) -> str:
    """Text with control characters as signs for them: what steers a terminal is shown, not obeyed."""
    return text.translate(_CONTROLS)


def raised() -> bool:
    """Whether faults of ours are to end in a traceback, as tests want it, not in a line for people."""
    return os.environ.get("FRAMEMATCH_FAULTS") == "raise"
