"""Named errors: what is wrong, the value received, the rule, where, and one fix.

Every error a user can cause is an :class:`EconModelError`; the command line prints its text and exits 2.
"""

from __future__ import annotations

LONGEST, MOST_FAULTS = 600, 40


def legible(text: str) -> str:
    r"""Text for a message: control characters and halves of characters written out, the middle of a very long text left out.

    Examples
    --------
    >>> legible("a\x1b[31m"), len(legible("x" * 6000)) < 700
    ('a\\x1b[31m', True)
    """
    if len(text) > LONGEST:
        text = f"{text[: LONGEST // 2]} ... {len(text) - LONGEST:,} characters ... {text[-LONGEST // 2 :]}"
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or c == "\n" or (c.isspace() and c > "~") else repr(c)[1:-1] for c in text)


class EconModelError(ValueError):
    """A fault in what the user gave.

    Parameters
    ----------
    what
        What, the value received and the rule, in one sentence.
    where
        File and line, option, or sheet and cell.
    fix
        One thing to do about it.
    """

    def __init__(self, what: str, *, where: str = "", fix: str = "") -> None:
        super().__init__(what)
        self.what, self.where, self.fix = what, where, fix
        self.faults: tuple[EconModelError, ...] = ()

    def __str__(self) -> str:
        """The message as the user reads it."""
        if self.faults:
            more = [f"... and {len(self.faults) - MOST_FAULTS} more"] if len(self.faults) > MOST_FAULTS else []
            return "\n".join([*map(str, self.faults[:MOST_FAULTS]), *more])
        lines = [f"{type(self).__name__}: {legible(self.what)}"]
        if self.where:
            lines.append(f"  where: {legible(self.where)}")
        if self.fix:
            lines.append(f"  fix:   {legible(self.fix)}")
        return "\n".join(lines)


class ParameterError(EconModelError):
    """An input is missing, malformed or out of range."""


class SourceError(EconModelError):
    """A source key is unknown, or a value lacks the source its status demands."""


class ModelError(EconModelError):
    """The resolved model breaks a rule, such as a probability outside 0 to 1."""


class AnalysisError(EconModelError):
    """An analysis was asked for something it cannot give."""


class DataError(EconModelError):
    """A data file (registry, form, log) cannot be read or contradicts itself."""


def join_faults(faults: list[EconModelError]) -> EconModelError:
    """Combine several faults into one error that lists them all, each once.

    Parameters
    ----------
    faults
        At least one fault; a single fault is returned as it is.
    """
    distinct = {str(fault): fault for fault in faults}
    if len(distinct) == 1:
        return faults[0]
    combined = EconModelError(f"{len(distinct)} faults")
    combined.faults = tuple(distinct.values())
    return combined
