"""The run: processes make songs and hear them, then a network learns to read their bars."""

from __future__ import annotations

import json
import multiprocessing
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from eval.reader.examples import UNKNOWN, Example, examples
from eval.reader.songs import SHARE_ARRANGED, SHARE_COUNTED, Counts, WholeSongMaker
from eval.train.ingredients import load
from eval.train.learning import Learning, average_into, rate_at, say, take_step
from pulsefind.beats.counting import METERS
from pulsefind.beats.reader import PLACES

CROPS = 4
VALIDATION_SHARE = 0.08
LONGEST_ROWS = 384
_PER_EXAMPLE = 6
"""Readings of one example in a batch (judged): with all of them, the same wrong ones would come every time."""

NOISE, MISSING = 0.12, (0.3, 0.15, 0.12, 0.12, 0.12, 0.12)
"""Standard deviation of noise on the rows, and how often each group of columns is missing (judged: recordings differ
from made songs).
"""

RARE_WEIGHT = 6.0
"""How much more a song counts if its beats as found aren't as it is counted (judged: recordings have more of them)."""

GROUPS = (slice(0, 16), slice(16, 56), slice(56, 76), slice(76, 86), slice(86, 96), slice(96, 100))
"""Columns that may be missing together: networks' beats, what is struck, harmony's moves, its likeness, the kit's
likeness, loudness."""


@dataclass(frozen=True, slots=True)
class Plan(Learning):
    """make_s, learn_s: how long songs are made, and how long the network learns from them."""

    make_s: float = 420.0
    learn_s: float = 400.0
    makers: int = 62
    width: int = 96
    without: tuple[int, ...] = ()


_maker: list[WholeSongMaker] = []


def _open(folder: Path, counts: Path) -> None:
    threadpool_limits(1)
    _maker.append(WholeSongMaker(load(folder), Counts(counts), (SHARE_ARRANGED, SHARE_COUNTED)))


def _make(seed: int) -> list[Example]:
    try:
        return examples(_maker[0].make(seed), CROPS, np.random.default_rng([seed, 1]))
    except (
        ValueError,
        IndexError,
        TypeError,
        ZeroDivisionError,
    ) as error:
        # A random song that can't be read is left out, and reported.
        print(f"song {seed}: {error!r}", flush=True)
        return []


def make(folder: Path, counts: Path, plan: Plan) -> list[list[Example]]:
    """Songs' examples, as many as the time allows."""
    began, songs = time.monotonic(), []
    seeds = range(plan.seed * 10_000_000, plan.seed * 10_000_000 + 1_000_000)
    with multiprocessing.get_context("fork").Pool(plan.makers, _open, (folder, counts)) as pool:
        for found in pool.imap_unordered(_make, seeds):
            if found:
                songs.append(found)
                if len(songs) % 200 == 0:
                    say(began, f"{len(songs)} songs")
            if time.monotonic() - began > plan.make_s:
                pool.terminate()
                break
    kinds = np.bincount([e.kind[e.right] if e.right != UNKNOWN else 14 for s in songs for e in s], minlength=15)
    say(began, f"{len(songs)} songs made, {sum(s[0].seconds for s in songs) / 3600:.1f} h, right readings {kinds}")
    return songs


def learn(songs: list[list[Example]], plan: Plan, out: Path) -> None:
    """Train on all songs but a few, which are kept for validation; write out/reader.npz and out/run.json."""
    import torch
    import torch.nn.functional as F  # noqa: N812

    from eval.reader.model import ReaderNetwork, exported

    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(plan.seed)
    rng = np.random.default_rng(plan.seed)
    kept = max(1, int(len(songs) * VALIDATION_SHARE))
    held, taught = songs[:kept], songs[kept:]
    network = ReaderNetwork(plan.width).to(device)
    some = np.concatenate([e.rows[0].astype(np.float32) for s in taught[:200] for e in s])
    network.middle.copy_(torch.from_numpy(some.mean(0)))
    network.spread.copy_(torch.from_numpy(some.std(0) + 1e-3))
    average = ReaderNetwork(plan.width).to(device).eval()
    average.load_state_dict(network.state_dict())
    optimiser = torch.optim.AdamW(network.parameters(), lr=plan.rate, weight_decay=2e-2, betas=(0.9, 0.98))
    began, step = time.monotonic(), 0
    say(began, f"{sum(p.numel() for p in network.parameters())} parameters on {device}, {len(taught)} songs")

    def losses(net: ReaderNetwork, batch: list[Example], varied: bool) -> torch.Tensor:
        rows, place, owner, right = _padded(batch, rng, varied)
        rows, place = (torch.from_numpy(a).to(device) for a in (rows, place))
        rows, known = rows.float(), (place > -2).float()
        if varied:
            rows = _varied(rows, torch) + torch.randn_like(rows) * NOISE * known[..., None]
        for number, group in enumerate(GROUPS):
            gone = torch.rand(len(rows), 1, 1, device=device) < (MISSING[number] if varied else 0.0)
            rows[:, :, group] *= 0.0 if number in plan.without else 1.0 - gone.float()
        logits, score = net(rows, known)
        is_right = torch.from_numpy(right).to(device)
        weight = torch.where(is_right, 1.0, 0.3)[:, None].expand_as(place)
        on = place >= 0
        each = F.cross_entropy(logits[on], place[on].long(), reduction="none", label_smoothing=0.02)
        place_loss = (each * weight[on]).sum() / weight[on].sum().clamp(min=1)
        table = torch.full((len(batch), len(score)), -1e4, device=device)
        at = torch.from_numpy(owner).to(device)
        table[at, torch.arange(len(score), device=device)] = score
        target = torch.zeros(len(batch), dtype=torch.long, device=device)
        target[at[is_right]] = torch.arange(len(score), device=device)[is_right]
        has = torch.zeros(len(batch), dtype=torch.bool, device=device)
        has[at[is_right]] = True
        common = torch.from_numpy(kind_of_right(batch)).to(device) == 0
        share = torch.where(common, 1.0, RARE_WEIGHT)[has]
        each = F.cross_entropy(table[has], target[has], reduction="none") * share
        reading_loss = each.sum() / share.sum() if has.any() else score.sum() * 0
        sure = (logits[on & is_right[:, None]].argmax(-1) == place[on & is_right[:, None]]).float().mean()
        chosen = (table[has].argmax(1) == target[has]).float().mean() if has.any() else score.sum() * 0
        return torch.stack([place_loss + 0.5 * reading_loss, place_loss, reading_loss, sure, chosen])

    def validation() -> list[float]:
        with torch.no_grad():
            parts = [losses(average, s[:3], False) for s in held]
        return [round(float(v), 4) for v in torch.stack(parts).nanmean(0)]

    while time.monotonic() - began < plan.learn_s:
        rate = rate_at(plan.rate, step, (time.monotonic() - began) / plan.learn_s)
        network.train()
        drawn = rng.integers(len(taught), size=plan.batch)
        batch = [taught[i][rng.integers(len(taught[i]))] for i in drawn]
        loss = losses(network, batch, True)
        take_step(network, optimiser, loss[0], rate)
        step += 1
        average_into(average.parameters(), network.parameters(), step)
        if step % 500 == 0:
            say(began, f"step {step} loss {[round(float(v), 3) for v in loss.detach()]} validation {validation()}")
    out.mkdir(parents=True, exist_ok=True)
    arrays = {k: v.astype(np.float16) for k, v in exported(average).items()}
    figures = {"songs": len(songs), "steps": step, "validation": validation(), "plan": asdict(plan)}
    np.savez_compressed(out / "reader.npz", allow_pickle=False, meta=np.array(json.dumps(figures)), **arrays)
    (out / "held.json").write_text(json.dumps(_held(average, held, device)))
    (out / "run.json").write_text(json.dumps(figures, indent=1) + "\n")
    say(began, f"done {figures}")


def _held(network: Any, songs: list[list[Example]], device: str) -> list[dict[str, Any]]:
    """The network's outputs for songs it wasn't trained on: scores of readings, evidence for each meter and phase."""
    import torch

    said = []
    for example in (e for song in songs for e in song):
        scores, evidence, n = [], [], []
        for rows in example.rows:
            with torch.no_grad():
                one = torch.from_numpy(rows.astype(np.float32))[None].to(device)
                logits, score = network(one, torch.ones(1, one.shape[1], device=device))
            log = logits[0].log_softmax(-1).cpu().numpy()
            scores.append(round(float(score[0]), 3))
            n.append(len(log))
            at = np.arange(len(log))
            evidence.append(
                [[round(float(log[at, _first(m) + (at - f) % m].mean()), 4) for f in range(m)] for m in METERS]
            )
        right = example.right
        place = example.place[right].tolist() if right != UNKNOWN else []
        said.append(
            {
                "style": example.style,
                "seconds": example.seconds,
                "kind": list(example.kind),
                "right": right,
                "scores": scores,
                "n": n,
                "evidence": evidence,
                "place": [int(v) for v in place],
            }
        )
    return said


def _first(meter: int) -> int:
    """Index of a meter's first place."""
    return PLACES.index((meter, 0))


def kind_of_right(batch: list[Example]) -> np.ndarray:
    """(b,) which of READINGS is right in each example, or UNKNOWN."""
    return np.array([e.kind[e.right] if e.right != UNKNOWN else UNKNOWN for e in batch])


def _varied(rows: Any, torch: Any) -> Any:
    """Rows with likelihoods sharpened or flattened and shifted by column, and harmony that moves more or less."""
    b, device = len(rows), rows.device
    rows = rows.clone()
    for part, low, high, shift in (
        (GROUPS[0], 0.5, 1.2, 0.15),
        (GROUPS[1], 0.6, 1.3, 0.25),
        (slice(56, 66), 0.5, 1.6, 0),
    ):
        width = rows[:, :, part].shape[2]
        gain = low + (high - low) * torch.rand(b, 1, 1, device=device)
        rows[:, :, part] = rows[:, :, part] * gain + shift * torch.randn(b, 1, width, device=device)
    return rows


def _padded(batch: list[Example], rng: np.random.Generator, varied: bool) -> tuple[np.ndarray, ...]:
    """Rows (b, n, columns), places (b, n; -2 where there is no beat), owners and which are right (b,)."""
    chosen = []
    for owner, example in enumerate(batch):
        order = list(rng.permutation(len(example.rows)))
        if example.right != UNKNOWN:
            order.remove(example.right)
            order.insert(0, example.right)
        chosen += [(owner, example, k) for k in (order[:_PER_EXAMPLE] if varied else order)]
    length = min(LONGEST_ROWS, max(len(e.rows[k]) for _, e, k in chosen))
    rows = np.zeros((len(chosen), length, chosen[0][1].rows[0].shape[1]), np.float16)
    place = np.full((len(chosen), length), -2, np.int64)
    for b, (_, example, k) in enumerate(chosen):
        n = len(example.rows[k])
        first = int(rng.integers(0, n - length + 1)) if n > length else 0
        part = slice(first, first + length)
        rows[b, : min(n, length)] = example.rows[k][part]
        place[b, : min(n, length)] = example.place[k][part]
    owners = np.array([o for o, _, _ in chosen])
    right = np.array([e.right == k for _, e, k in chosen])
    return rows, place, owners, right
