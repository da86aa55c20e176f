"""The run itself: processes that make songs, and a loop that learns from them as they arrive."""

from __future__ import annotations

import json
import os
import time
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from eval.train.aims import AIMS
from eval.train.ingredients import load, own_sounds_only
from eval.train.learning import Learning, average_into, rate_at, save_state, say, take_step
from eval.train.making import drain, makers
from eval.train.recordings import taught
from eval.train.songs import SongMaker

VALIDATION_SONGS = 64


@dataclass(frozen=True, slots=True)
class Plan(Learning):
    """How long and how large a run is.

    seconds counts from the start, making the first songs included. recordings: the share of excerpts that come out
    of recordings, where there are any. anchor: how much of what a made song should give is what the network gave
    before the run, so that learning from recordings does not cost what it knew (Li and Hoiem 2016).
    """

    seconds: float = 560.0
    pool: int = 7000
    first: int = 400
    makers: int = 15
    excerpt_s: float = 30.0
    pictures: int = 32
    width: int = 112
    steps: int = 10**9
    aim: str = "pulse"
    pace_weight: float = 0.02
    without: frozenset[str] = frozenset()
    recordings: float = 0.5
    anchor: float = 0.0


def _make_songs(folder: Path | None, plan: Plan, first_seed: int, songs: Any, stop: Any) -> None:
    """A process: make songs until told to stop, from seeds that no other maker takes."""
    # The learner mustn't wait for its makers, and more threads than makers only get in the way.
    os.nice(10)
    threadpool_limits(1)
    maker = SongMaker(load(folder) if folder else own_sounds_only(), plan.without, AIMS[plan.aim])
    seed = first_seed
    while not stop.is_set():
        song = maker.make(seed)
        seed += plan.makers
        if len(song.beats) >= 12:
            songs.put(song)


def train(
    folder: Path | None, plan: Plan, out: Path, resume: Path | None = None, excerpts: Path | None = None
) -> dict[str, float]:
    """Train for plan.seconds, write out/state.npz (averaged weights) and out/run.json; returns the last figures."""
    began = time.monotonic()
    with makers(partial(_make_songs, folder, plan), plan.makers, plan.seed) as songs:
        return _learn(songs, plan, out, resume, excerpts, began)


def _learn(
    songs: Any, plan: Plan, out: Path, resume: Path | None, excerpts: Path | None, began: float
) -> dict[str, float]:
    import torch
    import torch.nn.functional as F  # noqa: N812  (PyTorch's own habit)

    from eval.train.mixing import Mixer, Pool
    from eval.train.model import HEADS, PulseNetwork

    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(plan.seed)
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = torch.backends.cudnn.benchmark = True
    kept = min(VALIDATION_SONGS, plan.first // 2)
    real = list(taught(excerpts)) if excerpts else []
    pool = Pool(plan.pool + len(real), kept + len(real), device)
    for song in real:
        pool.add(song)
    while pool.count < plan.first + len(real):
        pool.add(songs.get(timeout=120))
    say(began, f"{pool.count} songs to begin with")
    aim = AIMS[plan.aim]
    mixer = Mixer(pool, plan.excerpt_s, aim.limited and "bands" not in plan.without, aim.drums_db)
    network = PulseNetwork(plan.pictures, plan.width, aim.dilations).to(device)
    if resume is not None:
        with np.load(resume, allow_pickle=False) as stored:
            network.load_state_dict(grown({k: torch.from_numpy(stored[k]) for k in stored.files}, network))
    average = PulseNetwork(plan.pictures, plan.width, aim.dilations).to(device).eval()
    average.load_state_dict(network.state_dict())
    before = PulseNetwork(plan.pictures, plan.width, aim.dilations).to(device).eval()
    before.load_state_dict(network.state_dict())
    quick = torch.compile(network) if device == "cuda" else network
    optimiser = torch.optim.AdamW(network.parameters(), lr=plan.rate, weight_decay=1e-2, betas=(0.9, 0.98))
    say(began, f"{sum(p.numel() for p in network.parameters())} parameters on {device}")

    def loss_of(logits: Any, truth: Any) -> Any:
        events, tempo, meter = logits.float().split(HEADS, 1)
        each = F.binary_cross_entropy_with_logits(events, truth.events, reduction="none") * truth.weights
        mean = each.sum((0, 2)) / truth.weights.sum((0, 2)).clamp(min=1)
        paced = truth.paced.sum().clamp(min=1)
        tempo_loss = -(truth.tempo * tempo.log_softmax(1) * truth.paced[:, None]).sum() / paced
        meter_loss = (F.cross_entropy(meter, truth.meter, reduction="none") * truth.paced).sum() / paced
        pace = torch.stack([tempo_loss, meter_loss])
        loss = aim.beats_weight * mean[:2].mean() + aim.hits_weight * mean[2:].mean() + plan.pace_weight * pace.sum()
        return loss, torch.cat([mean, pace])

    def validation() -> list[float]:
        with torch.no_grad():
            rows = len(real) + torch.arange(kept, device=device)
            parts = [loss_of(average(x), t)[1] for r in rows.split(16) for x, t in [mixer.batch(r, varied=False)]]
        return [round(float(v), 4) for v in torch.stack(parts).mean(0)]

    step, learning, figures, last_said = 0, time.monotonic(), {}, time.monotonic()
    while step < plan.steps and time.monotonic() - began < plan.seconds:
        drain(songs, pool, 8)
        done = max((time.monotonic() - learning) / max(1.0, plan.seconds - (learning - began)), step / plan.steps)
        rate = rate_at(plan.rate, step, min(1.0, done))
        network.train()
        rows = torch.randint(kept + len(real), pool.filled, (plan.batch,), device=device)
        drawn = round(plan.recordings * plan.batch) if real else 0
        if drawn:
            rows[:drawn] = torch.randint(len(real), (drawn,), device=device)
        x, truth = mixer.batch(rows, varied=True)
        if plan.anchor:
            with torch.no_grad(), torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
                known = before(x[drawn:]).float()[:, : HEADS[0]].sigmoid()
            truth.events[drawn:].lerp_(known, plan.anchor)
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            logits = quick(x)
        loss, _ = loss_of(logits, truth)
        take_step(network, optimiser, loss, rate)
        step += 1
        average_into(average.state_dict().values(), network.state_dict().values(), step)
        if step % 250 == 0 or step == plan.steps:
            span_ms = 1000 * (time.monotonic() - last_said) / min(step, 250)
            last_said = time.monotonic()
            progress = f"step {step} loss {float(loss.detach()):.4f} validation {validation()}"
            say(began, f"{progress} songs {pool.count} {span_ms:.0f} ms/step")
            save_state(average, out)
    save_state(average, out)
    figures = {
        "steps": step,
        "songs": pool.count,
        "hours": pool.seconds / 3600,
        "heard_hours": step * plan.batch * plan.excerpt_s / 3600,
    }
    figures |= {f"validation_{k}": v for k, v in enumerate(validation())}
    (out / "run.json").write_text(
        json.dumps({"plan": asdict(plan) | {"without": sorted(plan.without)}, "figures": figures}, indent=1) + "\n"
    )
    say(began, f"done {figures}")
    return figures


def grown(state: dict[str, Any], network: Any) -> dict[str, Any]:
    """An earlier state for a network with more heads: the new heads start afresh."""
    found: dict[str, Any] = network.state_dict()
    for name, value in state.items():
        if value.shape == found[name].shape:
            found[name] = value
        else:
            found[name][: len(value)] = value
    return found
