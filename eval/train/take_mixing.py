"""Takes in memory, and batches of them: colour, room, microphone, dynamics, what leaks in, noise, targets."""

from __future__ import annotations

from typing import Any

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from eval.train.drum_sounds import RATE_HZ
from eval.train.model import Features
from eval.train.take_kits import KINDS, OUTPUTS_OF_KIND
from eval.train.take_songs import LENGTH_S, STEMS, Take
from pulsefind.listen.network import HOP, TAKE_EAR

MOST_HITS = 1024
SHARE_TELEPHONE, SHARE_DULL, SHARE_THIN = 0.07, 0.25, 0.12
"""Of excerpts of 300 to 3,400 Hz, of those that lack their highs and their lows (judged)."""

_SAMPLES = int(LENGTH_S * RATE_HZ)
_FAR = -1e6
_EQ_POINTS = 14


class TakePool:
    """Takes kept on the device; once full, new ones replace the oldest, but for the first, kept for validation."""

    def __init__(self, size: int, kept: int, device: str) -> None:
        """Reserve room for size takes, of which the first kept ones stay."""
        self.device, self.size, self.kept, self.count = device, size, kept, 0
        self.sound = torch.zeros((size, len(STEMS), _SAMPLES), dtype=torch.int16, device=device)
        self.hit_s = torch.full((size, MOST_HITS), _FAR, device=device)
        self.hit_kind = torch.zeros((size, MOST_HITS), dtype=torch.long, device=device)

    @property
    def filled(self) -> int:
        """How many takes can be drawn."""
        return min(self.count, self.size)

    def add(self, take: Take) -> None:
        """Store a take."""
        fresh = self.size - self.kept
        row = self.count if self.count < self.size else self.kept + (self.count - self.size) % fresh
        hits = take.hits[:MOST_HITS]
        self.sound[row].copy_(torch.from_numpy(take.sound))
        self.hit_s[row] = _FAR
        self.hit_s[row, : len(hits)] = torch.tensor(hits[:, 0], dtype=torch.float32, device=self.device)
        self.hit_kind[row, : len(hits)] = torch.tensor(hits[:, 1], dtype=torch.long, device=self.device)
        self.count += 1


class TakeMixer:
    """Turns takes of a pool into network inputs and targets."""

    def __init__(self, pool: TakePool, excerpt_s: float) -> None:
        """Prepare what does not change from batch to batch."""
        self.pool, self.device = pool, pool.device
        self.length = int(excerpt_s * RATE_HZ)
        self.frames = 1 + self.length // HOP
        self.features = Features(TAKE_EAR).to(pool.device)
        hz = torch.fft.rfftfreq(self.length, 1 / RATE_HZ).to(pool.device).clamp(min=20)
        place = (torch.log2(hz / 30) / 9.2 * (_EQ_POINTS - 2)).clamp(0, _EQ_POINTS - 1.001)
        self._hz, self._eq_low, self._eq_share = hz, place.long(), place - place.long()
        self._sample = torch.arange(self.length, device=pool.device)

    def _uniform(self, *shape: int) -> Tensor:
        return torch.rand(*shape, device=self.device)

    def _normal(self, *shape: int) -> Tensor:
        return torch.randn(*shape, device=self.device)

    @torch.no_grad()
    def batch(self, rows: Tensor, varied: bool) -> tuple[Tensor, Tensor]:
        """Features (b, windows, frames, bands) and targets (b, outputs, frames)."""
        latest = _SAMPLES - self.length
        first = (self._uniform(len(rows)) * latest).long() if varied else torch.zeros_like(rows)
        stems = self._cut(rows, first)
        samples = self._dynamics(self._coloured(stems)) if varied else _level(stems[:, 0])
        return self.features(samples), self._targets(rows, first)

    def _cut(self, rows: Tensor, first: Tensor) -> Tensor:
        base = (rows[:, None] * len(STEMS) + torch.arange(len(STEMS), device=self.device)) * _SAMPLES
        index = base[:, :, None] + (first[:, None] + self._sample)[:, None]
        return self.pool.sound.view(-1)[index].float() / 32768

    def _coloured(self, stems: Tensor) -> Tensor:
        """Equalise drums and leak, add a room each, mix, and cut lows and highs as cheap microphones do."""
        count = len(stems)
        curve = self._normal(count, len(STEMS), _EQ_POINTS) * 3.5
        level_db = (
            curve[:, :, self._eq_low] * (1 - self._eq_share)
            + curve[:, :, (self._eq_low + 1).clamp(max=_EQ_POINTS - 1)] * self._eq_share
        )
        spectrum = torch.fft.rfft(stems) * 10 ** (level_db / 20)
        spectrum = spectrum * (1 + torch.stack([self._rooms(count), self._rooms(count)], 1))
        drums, leak = torch.fft.irfft(spectrum, n=self.length).unbind(1)
        leak_db = -8 - 30 * self._uniform(count, 1)
        mixed = drums + _rms(drums) / (_rms(leak) + 1e-4) * 10 ** (leak_db / 20) * leak
        return torch.fft.irfft(torch.fft.rfft(mixed) * self._microphone(count), n=self.length)

    def _microphone(self, count: int) -> Tensor:
        """(b, frequencies) gain: full, dull, thin, or a telephone's."""
        dice = self._uniform(4, count, 1)
        dull, thin = dice[0] < SHARE_DULL, dice[1] < SHARE_THIN
        telephone = dice[2] < SHARE_TELEPHONE
        high_hz = torch.where(telephone, 3400.0, 3000 * 2 ** (self._uniform(count, 1) * 2.3))
        low_hz = torch.where(telephone, 300.0, 50 * 2 ** (self._uniform(count, 1) * 2.0))
        steep = 12 + 90 * self._uniform(count, 1)
        slope_db = (dull | telephone) * steep * torch.log2(self._hz / high_hz).clamp(min=0)
        slope_db = slope_db + (thin | telephone) * 18 * torch.log2(low_hz / self._hz).clamp(min=0)
        return 10 ** (-slope_db.clamp(max=100) / 20)

    def _rooms(self, count: int) -> Tensor:
        """Spectra of made room responses: early reflections, then noise that dies away, duller with time."""
        size = int(1.5 * RATE_HZ)
        decay_s = 0.04 * 2 ** (self._uniform(count, 1) * 3.6)
        t = self._sample[None, :size] / RATE_HZ
        tail = self._normal(count, size) * torch.exp(-t / decay_s)
        soft = F.avg_pool1d(tail[:, None], 7, 1, 3)[:, 0] * 2.2
        tail = torch.where(self._uniform(count, 1) < 0.5, tail, soft)
        tail = tail * (t > 0.002 + 0.018 * self._uniform(count, 1))
        early = (self._uniform(count, 8) * 0.03 * RATE_HZ).long() + 60
        tail.scatter_add_(1, early, self._normal(count, 8) * 4)
        tail = tail / tail.norm(dim=1, keepdim=True)
        wet = 10 ** ((-26 + 24 * self._uniform(count, 1)) / 20) * (self._uniform(count, 1) < 0.65)
        return torch.fft.rfft(tail, n=self.length) * wet

    def _dynamics(self, samples: Tensor) -> Tensor:
        """Automatic gain, compression, clipping, noise and hum; level as the network will see it."""
        count = len(samples)
        samples = _level(samples)
        for window, share in ((441, 0.3), (22050, 0.2)):
            envelope = F.avg_pool1d(samples.abs()[:, None], 2 * window + 1, window, padding=window)[:, 0] + 0.003
            amount = (self._uniform(count, 1) < share) * self._uniform(count, 1) * 0.7
            gain = (envelope / envelope.mean(1, keepdim=True)) ** -amount
            samples = samples * F.interpolate(gain[:, None], size=self.length, mode="linear")[:, 0]
        top = samples.abs().amax(1, keepdim=True) + 1e-6
        bent = torch.tanh(samples / top * (1 + 6 * self._uniform(count, 1)))
        cut = torch.minimum(torch.maximum(samples, -top * 0.3), top * 0.3)
        dice = self._uniform(count, 1)
        samples = torch.where(dice < 0.3, bent, torch.where(dice > 0.9, cut, samples))
        noise = self._normal(count, self.length)
        soft = F.avg_pool1d(noise[:, None], 13, 1, 6)[:, 0] * 3.6
        noise = torch.where(self._uniform(count, 1) < 0.5, noise, soft)
        loud = 10 ** ((-85 + 55 * self._uniform(count, 1)) / 20) * (self._uniform(count, 1) < 0.8)
        hum_hz = 50 + 10 * (self._uniform(count, 1) < 0.4)
        hum = torch.sin(6.283185 * hum_hz * self._sample / RATE_HZ) * (self._uniform(count, 1) < 0.1) * 0.004
        peak = samples.abs().amax(1, keepdim=True)
        samples = samples + peak * (noise * loud + hum)
        return _level(samples) * 10 ** (self._normal(count, 1) * 2.5 / 20)

    def _targets(self, rows: Tensor, first: Tensor) -> Tensor:
        """Triangles around each stroke at its exact, fractional frame."""
        targets = torch.zeros(len(rows), len(KINDS), self.frames, device=self.device)
        frame = (self.pool.hit_s[rows] * RATE_HZ - first[:, None]) / HOP
        kind = self.pool.hit_kind[rows]
        for offset in (-1, 0, 1, 2):
            near = torch.floor(frame) + offset
            value = (1.2 - (near - frame).abs() / 1.25).clamp(0, 1) * ((near >= 0) & (near < self.frames))
            index = kind * self.frames + near.clamp(0, self.frames - 1).long()
            targets.view(len(rows), -1).scatter_reduce_(1, index, value, "amax")
        together = [
            targets[:, [k for k, outputs in enumerate(OUTPUTS_OF_KIND) if output in outputs]].amax(1)
            for output in range(len(KINDS), 1 + max(map(max, OUTPUTS_OF_KIND)))
        ]
        return torch.cat([targets, torch.stack(together, 1)], 1)


def _rms(samples: Tensor) -> Any:
    return samples.square().mean(1, keepdim=True).sqrt()


def _level(samples: Tensor) -> Tensor:
    """Scale each waveform to an rms of 0.1."""
    return samples * (0.1 / (_rms(samples) + 1e-5))
