"""Errors that a person can act on. Everything else is a bug and may show its traceback."""


class PulsefindError(Exception):
    """Bad input, told in one line: what is wrong, where, and what to do about it. All others are kinds of it.

    Examples
    --------
    >>> from pulsefind import load
    >>> try:
    ...     load("nothing.wav")
    ... except PulsefindError as error:
    ...     print(error)
    nothing.wav: no such file; check the name
    """


class AudioError(PulsefindError):
    """A recording that can't be read or holds nothing that can be analysed.

    Examples
    --------
    >>> import numpy as np
    >>> from pulsefind import from_samples
    >>> from_samples(np.zeros((3, 2, 1)), 44100)
    Traceback (most recent call last):
    pulsefind.core.errors.AudioError: samples must be (n,) or (n, channels), not of shape (3, 2, 1)
    """


class HintError(PulsefindError):
    """A hint (meter, tempo, place of the 1, range) that can't be understood or can't hold.

    Examples
    --------
    >>> import numpy as np
    >>> from pulsefind import Settings, analyse, from_samples
    >>> analyse(from_samples(np.zeros(44100), 44100), Settings(one_at_s=5.0))
    Traceback (most recent call last):
    pulsefind.core.errors.HintError: --one-at 5: lies outside what is analysed, 0.00-1.00 s; name a 1 in there
    """


class FormatError(PulsefindError):
    """A saved analysis or another data file that isn't what it claims to be.

    Examples
    --------
    >>> from pulsefind import from_json
    >>> from_json("no JSON")
    Traceback (most recent call last):
    pulsefind.core.errors.FormatError: not a saved analysis: no JSON (...)
    """


class OutputError(PulsefindError):
    """A result that can't be written where it was asked for.

    Examples
    --------
    >>> from pathlib import Path
    >>> from pulsefind.core.files import write_file
    >>> write_file(Path("no such folder/song.json"), b"", force=False)
    Traceback (most recent call last):
    pulsefind.core.errors.OutputError: no such folder/song.json: ...
    """
