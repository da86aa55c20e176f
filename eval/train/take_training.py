"""The run that teaches a network takes: processes that make takes, and a loop that learns from them as they arrive."""

from __future__ import annotations

import json
import os
import time
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from eval.train.learning import Learning, average_into, rate_at, save_state, say, take_step
from eval.train.making import drain, makers
from eval.train.take_ingredients import load
from eval.train.take_kits import OUTPUTS
from eval.train.take_songs import TakeMaker

DILATIONS = (1, 2, 4, 8, 16, 32, 64)
"""Of the layers over time: 2.5 s to each side hear how the player strikes."""

VALIDATION_TAKES = 96


@dataclass(frozen=True, slots=True)
class TakePlan(Learning):
    """How long and how large a run is; seconds counts from the start, making the first takes included."""

    seconds: float = 700.0
    pool: int = 6000
    first: int = 600
    makers: int = 15
    excerpt_s: float = 10.0
    pictures: int = 48
    width: int = 128
    steps: int = 10**9


def _make_takes(folder: Path, plan: TakePlan, first_seed: int, takes: Any, stop: Any) -> None:
    """A process: make takes until told to stop, from seeds that no other maker takes."""
    # The learner mustn't wait for its makers.
    os.nice(10)
    maker = TakeMaker(load(folder))
    seed = first_seed
    while not stop.is_set():
        takes.put(maker.make(seed))
        seed += plan.makers


def train(folder: Path, plan: TakePlan, out: Path, resume: Path | None = None) -> None:
    """Train for plan.seconds, from the state of an earlier run if there is one; write out/state.npz (averaged
    weights) and out/run.json.
    """
    began = time.monotonic()
    with makers(partial(_make_takes, folder, plan), plan.makers, plan.seed) as takes:
        _learn(takes, plan, out, resume, began)


def _learn(takes: Any, plan: TakePlan, out: Path, resume: Path | None, began: float) -> None:
    import torch
    import torch.nn.functional as F  # noqa: N812  (PyTorch's own habit)

    from eval.train.model import PulseNetwork
    from eval.train.take_mixing import TakeMixer, TakePool
    from eval.train.training import grown

    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(plan.seed)
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = torch.backends.cudnn.benchmark = True
    kept = min(VALIDATION_TAKES, plan.first // 2)
    pool = TakePool(plan.pool, kept, device)
    while pool.count < plan.first:
        pool.add(takes.get(timeout=120))
    say(began, f"{pool.count} takes to begin with")
    mixer = TakeMixer(pool, plan.excerpt_s)
    network, average = (
        PulseNetwork(plan.pictures, plan.width, DILATIONS, outputs=len(OUTPUTS)).to(device) for _ in range(2)
    )
    if resume is not None:
        with np.load(resume, allow_pickle=False) as stored:
            network.load_state_dict(grown({k: torch.from_numpy(stored[k]) for k in stored.files}, network))
    average.load_state_dict(network.state_dict())
    average.eval()
    quick = torch.compile(network) if device == "cuda" else network
    optimiser = torch.optim.AdamW(network.parameters(), lr=plan.rate, weight_decay=1e-2, betas=(0.9, 0.98))
    say(began, f"{sum(p.numel() for p in network.parameters())} parameters on {device}")

    def validation() -> list[float]:
        with torch.no_grad():
            parts = []
            for rows in torch.arange(kept, device=device).split(16):
                x, truth = mixer.batch(rows, varied=False)
                loss = F.binary_cross_entropy_with_logits(average(x).float(), truth, reduction="none")
                parts.append(loss.mean((0, 2)))
        return [round(float(v), 4) for v in torch.stack(parts).mean(0)]

    step, learning, last_said = 0, time.monotonic(), time.monotonic()
    while step < plan.steps and time.monotonic() - began < plan.seconds:
        drain(takes, pool, 12)
        done = max((time.monotonic() - learning) / max(1.0, plan.seconds - (learning - began)), step / plan.steps)
        network.train()
        rows = torch.randint(kept, pool.filled, (plan.batch,), device=device)
        x, truth = mixer.batch(rows, varied=True)
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            logits = quick(x)
        loss = F.binary_cross_entropy_with_logits(logits.float(), truth)
        take_step(network, optimiser, loss, rate_at(plan.rate, step, min(1.0, done)))
        step += 1
        average_into(average.state_dict().values(), network.state_dict().values(), step)
        if step % 250 == 0 or step == plan.steps:
            span_ms = 1000 * (time.monotonic() - last_said) / min(step, 250)
            last_said = time.monotonic()
            progress = f"step {step} loss {float(loss.detach()):.4f} validation {validation()}"
            say(began, f"{progress} takes {pool.count} {span_ms:.0f} ms/step")
            save_state(average, out)
    save_state(average, out)
    figures = {"steps": step, "takes": pool.count, "heard_hours": step * plan.batch * plan.excerpt_s / 3600}
    (out / "run.json").write_text(
        json.dumps({"plan": asdict(plan), "figures": figures | {"validation": validation()}}, indent=1) + "\n"
    )
    say(began, f"done {figures}")


def export(run: Path, target: Path, ingredients: Path) -> None:
    """Fold run/state.npz into float16 arrays with what is needed to use them."""
    import torch

    from eval.train.ingredients import fingerprint
    from eval.train.model import folded

    with np.load(run / "state.npz", allow_pickle=False) as stored:
        arrays = folded({k: torch.from_numpy(stored[k]) for k in stored.files}, DILATIONS)
    meta = {"dilations": DILATIONS, "outputs": OUTPUTS, "recipe": fingerprint(ingredients)}
    halved = {name: value.astype(np.float16) for name, value in arrays.items()}
    np.savez(target, allow_pickle=False, meta=np.array(json.dumps(meta)), **halved)
