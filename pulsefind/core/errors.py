"""Errors that a person can act on. Everything else is a bug and may show its traceback."""


class PulsefindError(Exception):
    """Bad input, told in one line: what is wrong, where, and what to do about it."""


class AudioError(PulsefindError):
    """A recording that can't be read or holds nothing that can be analysed."""


class HintError(PulsefindError):
    """A hint (meter, tempo, place of the 1, range) that can't be understood or can't hold."""


class FormatError(PulsefindError):
    """A saved analysis or another data file that isn't what it claims to be."""


class OutputError(PulsefindError):
    """A result that can't be written where it was asked for."""
