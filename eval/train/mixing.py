"""Stems in memory, and batches mixed from them: tempo, balance, colour, room, dynamics, noise, targets."""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from eval.train.ingredients import RATE_HZ
from eval.train.model import METERS, OUTPUTS, TEMPO_BPM, Features
from eval.train.performing import bar_sizes
from eval.train.rendering import STEMS
from eval.train.songs import LENGTH_S, Song
from pulsefind.listen.network import BANDS, HOP

MOST_BEATS, MOST_HITS = 256, 2048

_SAMPLES = int(LENGTH_S * RATE_HZ)
_FAR = -1e6
_EQ_POINTS = 12
_AFTER_END_S = 1.5


class Pool:
    """Songs kept on the device; once full, new ones replace the oldest, but for the first (recordings, validation)."""

    def __init__(self, size: int, kept: int, device: str) -> None:
        """Reserve room for size songs, of which the first kept ones stay."""
        self.device, self.size, self.kept, self.count, self.seconds = device, size, kept, 0, 0.0
        self.stems = torch.zeros((size, len(STEMS), _SAMPLES), dtype=torch.int16, device=device)
        self.beat_s = torch.full((size, MOST_BEATS), _FAR, device=device)
        self.is_one = torch.zeros((size, MOST_BEATS), device=device)
        self.bar_size = torch.zeros((size, MOST_BEATS), dtype=torch.long, device=device)
        self.hit_s = torch.full((size, MOST_HITS), _FAR, device=device)
        self.hit_kind = torch.zeros((size, MOST_HITS), dtype=torch.long, device=device)
        self.end_s = torch.zeros(size, device=device)
        self.hits_known = torch.ones(size, device=device)

    @property
    def filled(self) -> int:
        """How many songs can be drawn."""
        return min(self.count, self.size)

    def add(self, song: Song) -> None:
        """Store a song."""
        fresh = self.size - self.kept
        row = self.count if self.count < self.size else self.kept + (self.count - self.size) % fresh
        beats, hits = song.beats[:MOST_BEATS], song.hits[:MOST_HITS]
        self.stems[row].copy_(torch.from_numpy(song.stems))
        self.beat_s[row], self.is_one[row] = _FAR, 0
        self.hit_s[row] = _FAR
        self.beat_s[row, : len(beats)] = torch.tensor(beats[:, 0], dtype=torch.float32, device=self.device)
        self.is_one[row, : len(beats)] = torch.tensor(beats[:, 1] == 1, dtype=torch.float32, device=self.device)
        self.bar_size[row, : len(beats)] = torch.tensor(bar_sizes(beats[:, 1]), device=self.device)
        self.hit_s[row, : len(hits)] = torch.tensor(hits[:, 0], dtype=torch.float32, device=self.device)
        self.hit_kind[row, : len(hits)] = torch.tensor(hits[:, 1], dtype=torch.long, device=self.device)
        self.end_s[row] = song.end_s
        self.hits_known[row] = float(song.hits_known)
        self.count += 1
        self.seconds += song.end_s


@dataclass(frozen=True, slots=True)
class Truth:
    """What a batch should give.

    events (b, outputs, frames) with weights alike; tempo (b, tempi, frames) shares and meter (b, frames) indices, which
    count where paced (b, frames) is 1.
    """

    events: Tensor
    weights: Tensor
    tempo: Tensor
    meter: Tensor
    paced: Tensor


class Mixer:
    """Turns songs of a pool into network inputs and targets."""

    def __init__(self, pool: Pool, excerpt_s: float, limited: bool, drums_db: tuple[float, float]) -> None:
        """Prepare what does not change from batch to batch.

        limited: whether excerpts may lack their highs or lows; drums_db: usual level of the drums and its spread.
        """
        self._share_low, self._share_high = (0.12, 0.05) if limited else (0.0, 0.0)
        self._drums_db = drums_db
        self.pool, self.device = pool, pool.device
        self.length = int(excerpt_s * RATE_HZ)
        self.frames = 1 + self.length // HOP
        self.excerpt_s = excerpt_s
        self.features = Features().to(pool.device)
        hz = torch.fft.rfftfreq(self.length, 1 / RATE_HZ).to(pool.device).clamp(min=20)
        place = (torch.log2(hz / 30) / 8.5 * (_EQ_POINTS - 2)).clamp(0, _EQ_POINTS - 1.001)
        self._hz, self._eq_low, self._eq_share = hz, place.long(), place - place.long()
        self._sample = torch.arange(self.length, device=pool.device).float()

    def _uniform(self, *shape: int) -> Tensor:
        return torch.rand(*shape, device=self.device)

    def _normal(self, *shape: int) -> Tensor:
        return torch.randn(*shape, device=self.device)

    @torch.no_grad()
    def batch(self, rows: Tensor, varied: bool) -> tuple[Tensor, Truth]:
        """Features (b, windows, frames, bands) and what should come of them."""
        count = len(rows)
        speed = (
            torch.exp(self._normal(count) * 0.1).clamp(0.78, 1.28) if varied else torch.ones(count, device=self.device)
        )
        start_s = self._starts(rows, speed) if varied else torch.zeros(count, device=self.device)
        stems = self._cut(rows, start_s, speed)
        gain = self._balance(stems, varied)
        plain = (stems * gain[:, :, None]).sum(1)
        samples = self._dynamics(self._coloured(stems, gain)) if varied else _level(plain)
        x = self.features(samples)
        targets, weights = self._targets(rows, start_s, speed, gain)
        if varied:
            x = self._masked(x)
            x, limited = self._limited(x)
            weights[limited, 2:] = 0
        return x, Truth(targets, weights, *self._pace(rows, start_s, speed))

    def _starts(self, rows: Tensor, speed: Tensor) -> Tensor:
        """Where excerpts begin: nearly half at the song's own start."""
        latest = (self.pool.end_s[rows] - self.excerpt_s * speed).clamp(min=0)
        start = self._uniform(len(rows)) * latest
        return torch.where(self._uniform(len(rows)) < 0.45, torch.zeros_like(start), start)

    def _cut(self, rows: Tensor, start_s: Tensor, speed: Tensor) -> Tensor:
        """Excerpts of the stems, played faster or slower (pitch moves along)."""
        position = start_s[:, None] * RATE_HZ + self._sample[None] * speed[:, None]
        whole = position.long().clamp(max=_SAMPLES - 2)
        share = (position - whole).clamp(0, 1)[:, None]
        base = (rows[:, None] * len(STEMS) + torch.arange(len(STEMS), device=self.device)) * _SAMPLES
        index = base[:, :, None] + whole[:, None]
        flat = self.pool.stems.view(-1)
        beyond = (position >= _SAMPLES - 1)[:, None]
        cut = (flat[index].float() * (1 - share) + flat[index + 1].float() * share) / 32768
        return cut.masked_fill(beyond, 0.0)

    def _balance(self, stems: Tensor, varied: bool) -> Tensor:
        """Gain of each stem; some stems are left out, but never all that sound."""
        count = len(stems)
        if not varied:
            return torch.ones(count, len(STEMS), device=self.device)
        usual_db, spread_db = self._drums_db
        spread = torch.tensor([spread_db, 4.0, 3.5, 4.0], device=self.device)
        centre = torch.tensor([usual_db, 0.5, 0.0, 0.0], device=self.device)
        gain = 10 ** ((self._normal(count, len(STEMS)) * spread + centre) / 20)
        out = self._uniform(count, len(STEMS)) < torch.tensor([0.2, 0.1, 0.06, 0.2], device=self.device)
        out[:, 1] &= ~out[:, 0]
        mixed = gain * ~out
        alone = self._uniform(count) < 0.04
        mixed[alone, 1:] *= 0.03
        heard = (mixed.square() * stems.square().mean(2)).sum(1) > 1e-5
        return torch.where(heard[:, None], mixed, gain)

    def _coloured(self, stems: Tensor, gain: Tensor) -> Tensor:
        """Equalise each stem and the mix, cut lows or highs, add a room."""
        count = len(stems)
        curve = self._normal(count, len(STEMS), _EQ_POINTS) * 4 + self._normal(count, 1, _EQ_POINTS) * 3
        level_db = (
            curve[:, :, self._eq_low] * (1 - self._eq_share)
            + curve[:, :, (self._eq_low + 1).clamp(max=_EQ_POINTS - 1)] * self._eq_share
        )
        dull, thin = self._uniform(count) < 0.2, self._uniform(count) < 0.15
        high_hz, low_hz = 2500 * 2 ** (self._uniform(count) * 1.8), 60 * 2 ** (self._uniform(count) * 1.7)
        slope_db = dull[:, None] * 24 * torch.log2(self._hz / high_hz[:, None]).clamp(min=0)
        slope_db = slope_db + thin[:, None] * 18 * torch.log2(low_hz[:, None] / self._hz).clamp(min=0)
        spectrum = torch.fft.rfft(stems) * (10 ** ((level_db - slope_db[:, None]) / 20) * gain[:, :, None])
        send = torch.tensor([0.6, 0.4, 1.0, 1.5], device=self.device)
        return torch.fft.irfft((spectrum * (1 + self._rooms(count)[:, None] * send[:, None])).sum(1), n=self.length)

    def _rooms(self, count: int) -> Tensor:
        """Spectra of made room responses: a few early reflections, then noise that dies away; half of them dry."""
        size = int(1.5 * RATE_HZ)
        decay_s = 0.06 * 2 ** (self._uniform(count) * 3.3)
        tail = self._normal(count, size) * torch.exp(-self._sample[None, :size] / RATE_HZ / decay_s[:, None])
        tail[:, : int(0.012 * RATE_HZ)] = 0
        early = (self._uniform(count, 8) * 0.03 * RATE_HZ).long() + 40
        tail.scatter_add_(1, early, self._normal(count, 8) * 4)
        tail = tail / tail.norm(dim=1, keepdim=True)
        wet = 10 ** ((-22 + 15 * self._uniform(count)) / 20) * (self._uniform(count) < 0.55)
        return torch.fft.rfft(tail, n=self.length) * wet[:, None]

    def _dynamics(self, samples: Tensor) -> Tensor:
        """Compress, saturate, add noise; level as the recogniser will see it."""
        count = len(samples)
        samples = _level(samples)
        envelope = F.avg_pool1d(samples.abs()[:, None], 1323, 441, padding=661)[:, 0] + 0.003
        amount = (self._uniform(count) < 0.5) * self._uniform(count) * 0.7
        gain = (envelope / envelope.mean(1, keepdim=True)) ** -amount[:, None]
        samples = samples * F.interpolate(gain[:, None], size=self.length, mode="linear")[:, 0]
        drive = (1 + self._uniform(count) * 12)[:, None]
        samples = torch.where((self._uniform(count) < 0.5)[:, None], torch.tanh(samples * drive) / drive, samples)
        noise = self._normal(count, self.length)
        soft = F.avg_pool1d(noise[:, None], 9, 1, 4)[:, 0] * 3
        noise = torch.where((self._uniform(count) < 0.5)[:, None], noise, soft)
        loud = 10 ** ((-55 + 30 * self._uniform(count)) / 20) * 0.3 * (self._uniform(count) < 0.6)
        return _level(_level(samples) + noise * loud[:, None]) * 10 ** (self._normal(count) * 2.5 / 20)[:, None]

    def _masked(self, x: Tensor) -> Tensor:
        """Blank a run of bands now and then."""
        band = torch.arange(BANDS, device=self.device)[None]
        for _ in range(2):
            first = (self._uniform(len(x)) * BANDS).long()[:, None]
            width = (self._uniform(len(x)) * 14 * (self._uniform(len(x)) < 0.3)).long()[:, None]
            x = x * ~((band >= first) & (band < first + width))[:, None, None, :]
        return x

    def _limited(self, x: Tensor) -> tuple[Tensor, Tensor]:
        """Blank everything above or below some frequency in one excerpt of six; also tells in which.

        The bass alone must be enough to find the beat, and so must everything above it: given a whole mix, a network
        relies on whatever is easiest, which misleads it if that is a guitar struck between the beats.
        """
        band = torch.arange(BANDS, device=self.device)[None]
        per_octave = (BANDS - 1) / math.log2(10500 / 30)
        dice = self._uniform(len(x))
        top = (math.log2(120 / 30) + self._uniform(len(x)) * math.log2(1500 / 120)) * per_octave
        bottom = (math.log2(180 / 30) + self._uniform(len(x)) * math.log2(2000 / 180)) * per_octave
        low, high = dice < self._share_low, dice > 1 - self._share_high
        blank = (low[:, None] & (band > top[:, None])) | (high[:, None] & (band < bottom[:, None]))
        return x * ~blank[:, None, None, :], low | high

    def _pace(self, rows: Tensor, start_s: Tensor, speed: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """For each frame the tempo (shares of the two nearest choices), the meter's index, and whether they count."""
        beat_s = self.pool.beat_s[rows]
        known = beat_s > _FAR / 2
        frame = torch.where(known, (beat_s - start_s[:, None]) / speed[:, None] * (RATE_HZ / HOP), torch.inf)
        now = torch.arange(self.frames, device=self.device, dtype=frame.dtype).expand(len(rows), -1)
        last = torch.searchsorted(frame, now.contiguous(), right=True) - 1
        count = known.sum(1, keepdim=True)
        paced = (last >= 0) & (last < count - 1)
        first = (last - 1).clamp(min=0)
        until = torch.minimum(last + 2, (count - 1).clamp(min=1))
        span = (frame.gather(1, until) - frame.gather(1, first)) / (until - first).clamp(min=1)
        bpm = torch.where(paced, 60 * RATE_HZ / HOP / span.clamp(min=1), 100.0)
        step = math.log(TEMPO_BPM[1] / TEMPO_BPM[0])
        place = (torch.log(bpm / TEMPO_BPM[0]) / step).clamp(0, len(TEMPO_BPM) - 1.001)
        choice = torch.arange(len(TEMPO_BPM), device=self.device)[None, :, None]
        tempo = (1 - (place[:, None] - choice).abs()).clamp(min=0)
        size = self.pool.bar_size[rows].gather(1, last.clamp(0, MOST_BEATS - 1))
        meter = size.clamp(METERS[0], METERS[-1]) - METERS[0]
        return tempo, meter, paced.float()

    def _targets(self, rows: Tensor, start_s: Tensor, speed: Tensor, gain: Tensor) -> tuple[Tensor, Tensor]:
        """Triangles around each event at its exact, fractional frame; silence after the end counts for a moment."""
        targets = torch.zeros(len(rows), len(OUTPUTS), self.frames, device=self.device)

        def mark(time_s: Tensor, output: Tensor, on: Tensor) -> None:
            frame = (time_s - start_s[:, None]) / speed[:, None] * (RATE_HZ / HOP)
            for offset in (-1, 0, 1, 2):
                near = torch.floor(frame) + offset
                value = (1.2 - (near - frame).abs() / 1.25).clamp(0, 1) * on * ((near >= 0) & (near < self.frames))
                index = output * self.frames + near.clamp(0, self.frames - 1).long()
                targets.view(len(rows), -1).scatter_reduce_(1, index, value, "amax")

        beat_s, is_one = self.pool.beat_s[rows], self.pool.is_one[rows]
        mark(beat_s, torch.zeros_like(beat_s, dtype=torch.long), torch.ones_like(beat_s))
        mark(beat_s, torch.ones_like(beat_s, dtype=torch.long), is_one)
        mark(self.pool.hit_s[rows], self.pool.hit_kind[rows] + 2, torch.ones_like(self.pool.hit_s[rows]))
        heard = gain > 0.05
        for output in range(2, len(OUTPUTS)):
            stem = {"pluck": STEMS.index("comp"), "bass": STEMS.index("bass")}.get(OUTPUTS[output], 0)
            targets[:, output] *= heard[:, stem, None]
        until = (self.pool.end_s[rows] - start_s) / speed + _AFTER_END_S
        frame_s = torch.arange(self.frames, device=self.device) * (HOP / RATE_HZ)
        weights = (frame_s[None] < until[:, None]).float()[:, None].repeat(1, len(OUTPUTS), 1)
        weights[:, 2:] *= self.pool.hits_known[rows, None, None]
        return targets, weights


def _level(samples: Tensor) -> Tensor:
    """Scale each waveform to an rms of 0.1."""
    return samples * (0.1 / (samples.square().mean(1, keepdim=True).sqrt() + 1e-5))
