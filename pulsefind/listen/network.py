"""pulsefind's own networks: how likely a beat, a downbeat and each kind of hit are, in plain NumPy.

Two log-frequency spectrograms (a short window for when, a long one for what) at 50 frames a second go through three
small two-dimensional convolutions that pool over frequency, then through dilated one-dimensional convolutions over
time, like temporal convolutional networks (Davies and Böck, "Temporal convolutional networks for musical audio beat
tracking", EUSIPCO 2019). The weights were learnt from songs made by a program; see weights/MODEL_CARD.md. Everything
runs block by block, each stage keeping only the frames it still needs, so memory doesn't grow with the recording and
block size doesn't change the result.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

from pulsefind.core.cache import code_version, kept, shaped
from pulsefind.core.errors import FormatError
from pulsefind.core.records import Audio
from pulsefind.listen.audio import resampled, rms

Float32Array = NDArray[np.float32]

HOP = 441  # samples: 20 ms of a song, 10 ms of a take (as trained: MODEL_CARD.md, TAKE_CARD.md)
WINDOWS = (1024, 4096)  # samples: of a song 46 ms for when, 186 ms for what; of a take half of it (as trained)
BANDS = 81  # 9.5 an octave (as trained)
BASS_BANDS = 29
"""The bands below 250 Hz (judged; what hearing them alone gains is measured in MODEL_CARD.md)."""
PULSE, KIT, TAKE = "pulse-1", "kit-1", "take-1"
"""The networks whose weights come with the package: for beats, for what is struck in songs, and in drums alone."""

_OUTPUTS = {PULSE: 9, KIT: 10, TAKE: 8}
"""How many each has (as trained; the model cards list them)."""

_WEIGHTS = Path(__file__).parent.parent / "weights"
_LOW_HZ = 30.0  # of the lowest band (as trained)
_OUTPUT_RATE_HZ = 100.0  # what Activations asks for: that of madmom's networks (published)
_BLOCK_FRAMES = 250  # as quick as 1000, in a quarter of the memory (measured)
_LOW_RATE_HZ = 24000  # judged: a recording below it has lost a part of the highest band
_TOP_LEFT = 0.8  # of that band, of a flat spectrum through three of soxr's filters at 22.05 kHz (measured)
SCALE = 1000.0  # of magnitudes, before the logarithm (as trained)
_LEVEL = 0.1  # root mean square at which they listen (as trained)


@dataclass(frozen=True, slots=True)
class Ear:
    """What a network is shown of a recording: at which rate, and up to where its highest band is centred."""

    rate_hz: int
    high_hz: float

    @property
    def frame_rate_hz(self) -> float:
        """Frames a second."""
        return self.rate_hz / HOP


SONG_EAR = Ear(22050, 10500.0)  # as trained
TAKE_EAR = Ear(44100, 18000.0)  # as trained: soft cymbals stand out above the wash, and 10 ms tell strokes apart
RATE_HZ, FRAME_RATE_HZ = SONG_EAR.rate_hz, SONG_EAR.frame_rate_hz


def centres_hz(ear: Ear) -> NDArray[np.float64]:
    """(BANDS,) where each band of the filter bank is centred."""
    return np.geomspace(_LOW_HZ, ear.high_hz, BANDS)


def filter_bank(window: int, ear: Ear = SONG_EAR) -> Float32Array:
    """Triangles over a window's spectrum, evenly spaced in log frequency: (window / 2 + 1, BANDS).

    A triangle is at least one bin wide to each side, so low bands of the short window overlap.
    """
    bin_hz = np.linspace(0, ear.rate_hz / 2, window // 2 + 1)
    centre = centres_hz(ear)
    width_hz = ear.rate_hz / window
    low = np.minimum(np.r_[centre[0] / 1.08, centre[:-1]], centre - width_hz)
    high = np.maximum(np.r_[centre[1:], centre[-1] * 1.05], centre + width_hz)
    rising = (bin_hz[:, None] - low) / (centre - low)
    falling = (high - bin_hz[:, None]) / (high - centre)
    bank = np.clip(np.minimum(rising, falling), 0, None)
    return np.asarray(bank / np.sqrt(bank.sum(axis=0)), np.float32)


@cache
def _analysis(window: int, ear: Ear) -> tuple[Float32Array, Float32Array]:
    """A periodic Hann window scaled so that a sine keeps its amplitude, and its filter bank."""
    shape = np.hanning(window + 1)[:-1]
    return np.asarray(shape * (2 / shape.sum()), np.float32), filter_bank(window, ear)


def features(blocks: Iterable[Float32Array], gain: float, ear: Ear = SONG_EAR) -> Iterator[Float32Array]:
    """Spectrograms (n, len(WINDOWS), BANDS) of a signal at the ear's rate that comes in blocks of any size.

    Frame k is centred at sample k * HOP; beyond the ends there is silence. log10(1 + 1000 x) of the band
    magnitudes of gain times the signal. n samples give 1 + n // HOP frames; none give none.
    """
    half = max(WINDOWS) // 2
    kept = np.zeros(half, np.float32)
    seen = frames_done = 0
    for block in _with_tail(blocks, half):
        seen += len(block.samples)
        kept = np.concatenate([kept, block.samples * np.float32(gain)])
        due = 1 + block.end // HOP if block.end is not None else 1 + (seen - half) // HOP
        while frames_done < due:
            count = min(due - frames_done, _BLOCK_FRAMES)
            yield _spectra(kept, count, ear)
            kept, frames_done = kept[count * HOP :], frames_done + count


@dataclass(frozen=True, slots=True)
class _Block:
    samples: Float32Array
    end: int | None


def _with_tail(blocks: Iterable[Float32Array], half: int) -> Iterator[_Block]:
    """The blocks, then silence after the signal, along with its length."""
    total = 0
    for samples in blocks:
        total += len(samples)
        yield _Block(np.asarray(samples, np.float32), None)
    if total:
        yield _Block(np.zeros(half + HOP, np.float32), total)


def _spectra(padded: Float32Array, count: int, ear: Ear) -> Float32Array:
    """The first frames of a signal that begins half the longest window before the centre of the first frame."""
    longest = max(WINDOWS)
    result = np.empty((count, len(WINDOWS), BANDS), np.float32)
    for k, window in enumerate(WINDOWS):
        shape, bank = _analysis(window, ear)
        first = (longest - window) // 2
        frames = np.lib.stride_tricks.sliding_window_view(padded[first:], window)[: (count - 1) * HOP + 1 : HOP]
        magnitude = np.abs(rfft(frames * shape, axis=1)).astype(np.float32) @ bank
        result[:, k] = np.log10(1 + SCALE * magnitude)
    return result


def _elu(x: Float32Array) -> Float32Array:
    """Exponential linear unit, in place."""
    negative = np.minimum(x, 0)
    np.expm1(negative, out=negative)
    np.maximum(x, 0, out=x)
    x += negative
    return x


class _Picture:
    """A 3 x 3 convolution over time and frequency with ELU, streamed over time; pools three bands to one or none."""

    def __init__(self, weight: Float32Array, bias: Float32Array, bands: int, pool: bool) -> None:
        out, inputs = weight.shape[:2]
        self._matrix = np.ascontiguousarray(weight.transpose(2, 3, 1, 0).reshape(9 * inputs, out))
        self._bias, self._pool = bias, pool
        self._kept = np.zeros((1, bands, inputs), np.float32)

    def push(self, x: Float32Array, last: bool) -> Float32Array:
        """Take frames (n, bands, inputs), return those that are complete; the last call returns all."""
        pieces = [self._kept, x] + ([np.zeros_like(self._kept[:1])] if last else [])
        padded = np.concatenate(pieces)
        count = len(padded) - 2
        self._kept = padded[max(count, 0) :]
        if count <= 0:
            return np.zeros((0, padded.shape[1] // (3 if self._pool else 1), len(self._bias)), np.float32)
        framed = np.pad(padded, ((0, 0), (1, 1), (0, 0)))
        bands = padded.shape[1]
        views = [framed[i : i + count, j : j + bands] for i in range(3) for j in range(3)]
        columns = np.concatenate(views, axis=2).reshape(count * bands, -1)
        y = (columns @ self._matrix).reshape(count, bands, -1)
        if self._pool:
            y = y.reshape(count, bands // 3, 3, -1).max(axis=2)
        y += self._bias
        return _elu(y)


class _Dilated:
    """A residual layer over time: five taps, dilation frames apart, ELU, and a mix of the channels."""

    def __init__(
        self, weight: Float32Array, bias: Float32Array, mix: Float32Array, mix_bias: Float32Array, dilation: int
    ) -> None:
        self._taps = np.ascontiguousarray(weight.transpose(2, 1, 0))
        self._bias, self._mix, self._mix_bias = bias, np.ascontiguousarray(mix.T), mix_bias
        self._dilation = dilation
        self._kept = np.zeros((2 * dilation, weight.shape[1]), np.float32)

    def push(self, x: Float32Array, last: bool) -> Float32Array:
        """Take frames (n, channels), return those whose future is known; the last call returns all."""
        reach = 2 * self._dilation
        pieces = [self._kept, x] + ([np.zeros((reach, x.shape[1]), np.float32)] if last else [])
        padded = np.concatenate(pieces)
        count = len(padded) - 2 * reach
        if count <= 0:
            self._kept = padded
            return np.zeros((0, x.shape[1]), np.float32)
        self._kept = padded[count:]
        y = padded[:count] @ self._taps[0]
        for tap in range(1, 5):
            y += padded[tap * self._dilation : tap * self._dilation + count] @ self._taps[tap]
        y += self._bias
        y = _elu(y) @ self._mix + self._mix_bias
        y += padded[reach : reach + count]
        return y


class _Stream:
    """The whole network, with the frames its layers still need; for a single recording."""

    def __init__(self, weights: Weights) -> None:
        w = weights.arrays
        bands = BANDS
        self._pictures = []
        for k, pool in enumerate((True, True, False)):
            self._pictures.append(_Picture(w[f"picture{k}.weight"], w[f"picture{k}.bias"], bands, pool))
            bands //= 3 if pool else 1
        channels = len(w["picture2.bias"])
        entry = w["entry.weight"]
        # In training, channels came before bands; here the bands come first.
        self._entry = np.ascontiguousarray(
            entry.reshape(len(entry), channels, bands).transpose(2, 1, 0).reshape(channels * bands, len(entry))
        )
        self._entry_bias = w["entry.bias"]
        self._layers = [
            _Dilated(w[f"dilated{k}.weight"], w[f"dilated{k}.bias"], w[f"mix{k}.weight"], w[f"mix{k}.bias"], dilation)
            for k, dilation in enumerate(weights.dilations)
        ]
        self._exit, self._exit_bias = np.ascontiguousarray(w["exit.weight"].T), w["exit.bias"]

    def push(self, frames: Float32Array, last: bool) -> Float32Array:
        """Take frames (n, len(WINDOWS), BANDS), return probabilities (m, n_outputs) for those that are complete."""
        x = np.ascontiguousarray(frames.transpose(0, 2, 1))
        for picture in self._pictures:
            x = picture.push(x, last)
        x = _elu(x.reshape(len(x), len(self._entry)) @ self._entry + self._entry_bias)
        for layer in self._layers:
            x = layer.push(x, last)
        logits = _elu(x.copy()) @ self._exit + self._exit_bias
        return np.asarray(1 / (1 + np.exp(-logits)), np.float32)


@dataclass(frozen=True, slots=True)
class Weights:
    """What was learnt: named float32 arrays, the dilations of the layers over time, and the names of the outputs."""

    arrays: dict[str, Float32Array]
    dilations: tuple[int, ...]
    outputs: tuple[str, ...]


@cache
def packaged_weights(name: str = PULSE) -> Weights:
    """The weights that come with pulsefind under this name."""
    return read_weights(_WEIGHTS / f"{name}.npz")


@cache
def version(name: str = PULSE) -> str:
    """A name for this code together with the packaged weights of this name."""
    return code_version(__file__, str(_WEIGHTS / f"{name}.npz"))


def read_weights(path: Path) -> Weights:
    """Read a weights file. Raises FormatError if it is not one."""
    try:
        with np.load(path, allow_pickle=False) as stored:
            meta = json.loads(str(stored["meta"]))
            arrays = {name: stored[name].astype(np.float32) for name in stored.files if name != "meta"}
        weights = Weights(arrays, tuple(meta["dilations"]), tuple(meta["outputs"]))
    except (OSError, ValueError, KeyError, EOFError) as error:
        raise FormatError(f"{path}: no weights of a pulse network ({error}); install pulsefind again") from error
    return weights


def outputs(spectra: Iterable[Float32Array], weights: Weights, bands: int = BANDS) -> Float32Array:
    """All of the network's outputs (n_frames, n_outputs) at 50 frames a second, for `features` that come in blocks.

    bands: only so many of the lowest are shown to it.
    """
    stream = _Stream(weights)
    found, some = [np.zeros((0, len(weights.outputs)), np.float32)], False
    for frames in spectra:
        some = True
        let_through = frames.copy()
        let_through[:, :, bands:] = 0
        found.append(stream.push(let_through, last=False))
    if some:
        found.append(stream.push(np.zeros((0, len(WINDOWS), BANDS), np.float32), last=True))
    return np.concatenate(found)


def spectra_of(audio: Audio, ear: Ear = SONG_EAR) -> Iterator[Float32Array]:
    """What the networks are shown of a recording at any rate: its `features`, block by block.

    Of a recording at 22.05 kHz the filters of three resamplers (its own, to 44.1 kHz and back) have taken a part of the
    highest band; it is shown as if the spectrum went on as it is below.
    """
    # Relative to the recording's own level, so that its gain doesn't matter.
    for block in features(resampled(audio, ear.rate_hz), _LEVEL / (rms(audio.samples) or 1.0), ear):
        if ear is SONG_EAR and audio.source_rate_hz < _LOW_RATE_HZ:
            block[:, :, -1] = np.log10(1 + (10 ** block[:, :, -1] - 1) / _TOP_LEFT)
        yield block


def sound_key(audio: Audio) -> str:
    """A name for a recording as the networks are shown it."""
    return audio.sha256 + ("-low" if audio.source_rate_hz < _LOW_RATE_HZ else "")


def network_outputs(
    audio: Audio,
    weights: Weights | str = PULSE,
    use_cache: bool = False,
    spectra: Iterator[Float32Array] | None = None,
    bands: int = BANDS,
) -> Float32Array:
    """All outputs (n_frames, n_outputs) for a recording at any rate, 50 frames a second (of TAKE: 100).

    weights: the name of packaged ones, or others. Earlier outputs of packaged weights for the same sound may come from
    the cache. spectra: the recording's `spectra_of`, if another network is shown them as well. bands: only so many of
    the lowest are shown; pulse-1 on BASS_BANDS shows the beat phase where what is strummed above the bass doesn't.
    """
    ear = TAKE_EAR if weights == TAKE else SONG_EAR

    def listen() -> tuple[Float32Array]:
        known = packaged_weights(weights) if isinstance(weights, str) else weights
        return (outputs(spectra_of(audio, ear) if spectra is None else spectra, known, bands),)

    if not isinstance(weights, str):
        return listen()[0]
    check = shaped(("n", _OUTPUTS[weights]))
    return kept(lambda: f"own-{version(weights)}-{bands}-{sound_key(audio)}", listen, use_cache, check)[0]


def pulse_activations(audio: Audio, weights: Weights | str = PULSE) -> NDArray[np.float64]:
    """Beat and downbeat probabilities (n_frames, 2) at 100 frames a second, as Activations wants them.

    Column 0 is "a beat that is not a downbeat", column 1 "a downbeat". The network's 50 frames a second are
    interpolated. An empty recording gives n_frames = 0.
    """
    return at_100_hz(network_outputs(audio, weights), audio.duration_s)


def at_100_hz(values: Float32Array, duration_s: float) -> NDArray[np.float64]:
    """Interpolate the first two outputs (beat, downbeat) to 100 frames a second; subtract the second from the first."""
    if not len(values):
        return np.zeros((0, 2))
    time_s = np.arange(int(duration_s * _OUTPUT_RATE_HZ) + 1) / _OUTPUT_RATE_HZ
    known_s = np.arange(len(values)) / FRAME_RATE_HZ
    beat, downbeat = (np.interp(time_s, known_s, values[:, k]) for k in (0, 1))
    return np.clip(np.stack([beat - downbeat, downbeat], axis=1), 0.0, 1.0)
