"""One piece of the training: `python -m tests.training.train PACK OUT [--web] [--from FOLDER] [--seconds N]`.

Needs PyTorch and one GPU. A piece begins where the checkpoint in FOLDER (else in OUT) ends, or anew, and stops after N
seconds or at the last step of the schedule; it writes its checkpoint to OUT every minute, so that a piece that is cut
loses a minute at the most. The learning rate falls along a cosine over all steps, however they are cut into pieces.
Seeded: the pictures, crops and noise come from the seed and the step; sums on a GPU are not the same to the last bit.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import random
import time
from pathlib import Path
from queue import Empty

import cv2
import numpy as np
import torch
from torch import Tensor
from torch.nn.functional import avg_pool2d, max_pool2d

from pipeline.imaging.learned import domain
from tests.training import finished, sensor, web
from tests.training.network import FINISHED, MOSAIC, WEB, Network, Plan, multiply_adds, working, write_weights
from tests.training.pictures import Pictures
from tests.training.synthetic import SIDE

SEED = 20151
CROPS, CROP = 32, 192  # of a step, and pixels along a side
PICTURES = 3072  # on the GPU at a time
RATE, WARM_UP, LAST_RATE = 1.6e-3, 1500, 0.002  # learning rate, steps until it is reached, share of it at the end
# Weights that feed a unit, up to which the rate is whole. Adam moves every weight alike, and a wide unit by their sum:
# at the whole rate all units of the two coarsest scales fell below zero within 6,000 steps and never came back.
NARROW = 288
AVERAGE = 0.9995  # of the weights' running mean
STEEPEST = 0.3  # norm of the gradient
RIM = 8  # pixels of a crop that see its border too well to count
LEAST = 1e-7  # squared error below which a crop need not get better
CHROMA = 0.15  # weight of colour differences in the squared error
EDGE, STEEP = 2.5, 0.07  # weight of colour differences beside an edge of colour, more; change in the root that is one
# Weight of what the colour beside an edge has in common along it, of the colour beyond: a fringe, which noise is not.
FRINGE = 5.0
ALONG, BESIDE = 9, 7  # pixels of an edge that are taken together; about which a pixel is of one side or the other
MEAN = 0.2  # weight of the mean error beside the root mean square
SHADOWS = 0.003  # of saturation: foot of the root in which errors are compared
AGAIN, KEPT = 2, 64  # steps by batches made before, of so many, beside each new one: to make these takes longer
EVEN = 0.012  # deviation of the noise in u at which a picture of no noise counts as much


def loss_of(found: Tensor, wanted: Tensor, foot: Tensor, noise: Tensor) -> Tensor:
    """Of u of a picture (B, 3, H, W), against the light that is wanted. The error is taken in a root like that of sRGB,
    which counts shadows as the eye does. Root mean square of each crop, so that one hard crop counts no more than many
    easy ones, with some of the mean error, as CIEDE2000 is a mean; and against the crop's noise, so that high and low
    ISO gain alike. Colour counts more where it changes: too soft there, it is a fringe, the more so along an edge."""
    truth = domain.to_root(wanted, SHADOWS)
    e = (domain.to_root(domain.from_root(found, foot), SHADOWS) - truth)[..., RIM:-RIM, RIM:-RIM]
    chroma, colour = _chroma(e), _chroma(truth[..., RIM - 1 : 1 - RIM, RIM - 1 : 1 - RIM])
    change = (max_pool2d(colour, 3, 1) + max_pool2d(-colour, 3, 1)).amax(1, keepdim=True)
    steep = (change / STEEP).clamp(max=1)
    square = e.square().mean((1, 2, 3)) + 2 * CHROMA * ((1 + EDGE * steep) * chroma.square()).mean((1, 2, 3))
    rim = BESIDE // 2
    wide = _chroma(truth[..., RIM - rim : rim - RIM, RIM - rim : rim - RIM])
    side = wide[..., rim:-rim, rim:-rim] - avg_pool2d(wide, BESIDE, 1)
    beyond = avg_pool2d(steep * chroma * side / (side.abs() + STEEP / 10), ALONG, 2)
    square = square + 2 * CHROMA * FRINGE * (beyond.square() / (avg_pool2d(steep, ALONG, 2) + 1e-3)).mean((1, 2, 3))
    mean = e.abs().mean((1, 2, 3)) + 0.7 * chroma.abs().mean((1, 2, 3))
    return (((square + LEAST).sqrt() + MEAN * mean) / (noise + EVEN).sqrt()).mean()


def _chroma(x: Tensor) -> Tensor:
    red, green, blue = x.unbind(1)
    return torch.stack([red - green, blue - green], 1)


def _work(folder: Path, of_finished: bool, first: int, step: int, queue: multiprocessing.Queue) -> None:
    cv2.setNumThreads(1)
    pictures, seed = Pictures(folder, of_finished), first
    while True:
        queue.put(pictures.one(seed))
        seed += step


class Bank:
    """Pictures on the GPU; processes beside make new ones all the time, each of which takes the place of the oldest."""

    def __init__(self, folder: Path, of_finished: bool, seed: int, device: str, workers: int, count: int) -> None:
        context = multiprocessing.get_context("spawn")
        self.queue = context.Queue(64)
        self.workers = [
            context.Process(target=_work, args=(folder, of_finished, seed + k, workers, self.queue), daemon=True)
            for k in range(workers)
        ]
        for worker in self.workers:
            worker.start()
        self.pictures = torch.empty(count, SIDE, SIDE, 3, dtype=torch.uint8, device=device)
        self.count = 0

    def take(self, most: int, wait: bool = False) -> None:
        for _ in range(most):
            try:
                picture = self.queue.get(timeout=60) if wait else self.queue.get_nowait()
            except Empty:
                return
            self.pictures[self.count % len(self.pictures)] = torch.from_numpy(picture).to(self.pictures.device)
            self.count += 1

    def crops(self, count: int, side: int) -> Tensor:
        """(count, 3, side, side), 0 to 1, mirrored and turned at random."""
        device = self.pictures.device
        filled = min(self.count, len(self.pictures))
        which = torch.randint(filled, (count,), device=device)
        corner = torch.randint(SIDE - side + 1, (2, count, 1), device=device)
        flip = torch.rand(2, count, 1, device=device) < 0.5
        turn = (torch.rand(count, 1, 1, device=device) < 0.5).expand(-1, side, side)
        run = torch.arange(side, device=device)
        y, x = corner + torch.where(flip, side - 1 - run, run)
        down, across = y[:, :, None].expand(-1, -1, side), x[:, None, :].expand(-1, side, -1)
        rows = torch.where(turn, down.transpose(1, 2), down)
        columns = torch.where(turn, across.transpose(1, 2), across)
        return self.pictures[which[:, None, None], rows, columns].permute(0, 3, 1, 2).float() / 255

    def stop(self) -> None:
        for worker in self.workers:
            worker.terminate()


class Look:
    """Decibels in sRGB on photographs that are not learnt from, without noise and at ISO 3200 and 12,800."""

    def __init__(self, folder: Path, device: str) -> None:
        encoded = np.stack([p[128:384, 128:384] for p in Pictures(folder).looked_at])
        light = sensor.linear(torch.from_numpy(encoded).to(device).permute(0, 3, 1, 2).float() / 255) * sensor.WHITE
        gains = torch.tensor([1.9, 1.0, 1.7], device=device).view(1, 3, 1, 1).expand(len(light), -1, -1, -1)
        self.light, self.cases, mosaic = light, [], sensor.mosaic_of(light / gains)
        state = torch.get_rng_state(), torch.cuda.get_rng_state() if device == "cuda" else None
        torch.manual_seed(7)
        for iso in (0, 3200, 12800):
            a, b = (torch.full((len(light), 1, 1, 1), v, device=device) for v in
                    (1.6e-3 * iso / 6400, 1.6e-5 * (iso / 6400) ** 2))  # fmt: skip
            noisy = torch.poisson(mosaic / a) * a + b.sqrt() * torch.randn_like(mosaic) if iso else mosaic
            self.cases.append((sensor.told_input(noisy, gains, a, b), domain.foot(a, b)))
        torch.set_rng_state(state[0])
        if state[1] is not None:
            torch.cuda.set_rng_state(state[1])

    def __call__(self, network: Network) -> list[float]:
        wanted, found = _encoded(self.light), []
        for case, foot in self.cases:
            u = torch.cat([network(part) for part in case.split(4)])
            e = _encoded(domain.from_root(torch.pixel_shuffle(u, 2), foot)) - wanted
            found.append(float((-10 * e[..., 16:-16, 16:-16].square().mean((1, 2, 3)).log10()).mean()))
        return found

    def words(self, network: Network) -> str:
        """With the share of units at work in each block, of which a network with a dead scale tells."""
        shares = " ".join(f"{name} {share:.0%}" for name, share in working(network, self.cases[-1][0]).items())
        return " ".join(f"{v:.2f}" for v in self(network)) + f" dB; units at work: {shares}"


class FinishedLook(Look):
    """Decibels in sRGB by which finished pictures of three made sizes gain, at what noise chance gives them."""

    def __init__(self, folder: Path, device: str) -> None:
        encoded = np.stack([p[96:416, 96:416] for p in Pictures(folder).looked_at])
        crops = torch.from_numpy(encoded).to(device).permute(0, 3, 1, 2).float() / 255
        state = torch.get_rng_state(), torch.cuda.get_rng_state() if device == "cuda" else None
        torch.manual_seed(7)
        self.cases = [finished.batch(crops, step, 256) for step in (1, 2, 3, 5, 8, 13)]
        torch.set_rng_state(state[0])
        if state[1] is not None:
            torch.cuda.set_rng_state(state[1])

    def __call__(self, network: Network) -> list[float]:
        found = []
        for told, wanted, noisy, scale, deviation in self.cases:
            u = torch.pixel_shuffle(torch.cat([network(part) for part in told.split(4)]), 2)
            worth = scale.repeat_interleave(2, 2).repeat_interleave(2, 3)
            before, after = (
                (e - wanted)[..., 16:-16, 16:-16].square().mean((1, 2, 3)) for e in (noisy, noisy + worth * u)
            )
            gain = 10 * (before / after).log10()
            loud = deviation > 0.008
            found += [float(gain[loud].mean()), float(after[~loud].mean().sqrt() * 255)]
        return found

    def words(self, network: Network) -> str:
        shares = " ".join(f"{name} {share:.0%}" for name, share in working(network, self.cases[-1][0]).items())
        return " ".join(f"{v:.2f}" for v in self(network)) + f" dB, codes in turn; units at work: {shares}"


class WebLook(Look):
    """The same at web size, brought there from 6000 pixels to 2048, at ISO 3200, 6400 and 12,800."""

    def __init__(self, folder: Path, device: str) -> None:
        encoded = np.stack([p[128:384, 128:384] for p in Pictures(folder).looked_at])
        light = sensor.linear(torch.from_numpy(encoded).to(device).permute(0, 3, 1, 2).float() / 255) * sensor.WHITE
        gains = torch.tensor([1.9, 1.0, 1.7], device=device).view(1, 3, 1, 1).expand(len(light), -1, -1, -1)
        self.light = web.wanted_of(light / gains) * gains
        self.cases = [web.seen_at(light, gains, iso) for iso in (3200, 6400, 12800)]


def _encoded(light: Tensor) -> Tensor:
    x = (light / sensor.WHITE).clamp(0, 1)
    return torch.where(x <= 0.0031308, 12.92 * x, 1.055 * x.clamp(min=1e-8) ** (1 / 2.4) - 0.055)


class Trainer:
    """The network, its optimiser and their checkpoint; a step is recorded once and replayed where the GPU can."""

    def __init__(self, device: str, steps: int, compiled: bool, plan: Plan, rate: float = RATE) -> None:
        self.device, self.steps, self.step, self.plan, self.rate = device, steps, 0, plan, rate
        self.done = 0.0  # of the schedule
        self.network = Network(plan).to(device, memory_format=torch.channels_last)
        self.parameters = list(self.network.parameters())
        self.mean = [p.detach().clone() for p in self.parameters]
        on_gpu = device == "cuda"
        self.groups: dict[float, list[Tensor]] = {}
        for module in self.network.modules():
            if isinstance(module, torch.nn.Conv2d):
                share = min(1.0, NARROW / module.weight[0].numel())
                self.groups.setdefault(share, []).extend(module.parameters())
        self.rates = [torch.tensor(0.0, device=device) for _ in self.groups]
        self.optimiser = torch.optim.AdamW(
            [{"params": g, "lr": rate if on_gpu else 0.0}
             for g, rate in zip(self.groups.values(), self.rates, strict=True)],
            rate, (0.9, 0.99), weight_decay=1e-5, capturable=on_gpu, fused=on_gpu,
        )  # fmt: skip
        self.forward = torch.compile(self.network) if compiled else self.network
        self.total, self.graph = torch.zeros((), device=device), None

    def load(self, folder: Path) -> None:
        weights = torch.load(folder / "weights.pt", map_location=self.device, weights_only=True)
        moments = torch.load(folder / "moments.pt", map_location=self.device, weights_only=True)
        if weights["step"] != moments["step"]:
            raise ValueError(f"{folder}: the two halves of the checkpoint are of different steps")
        self.step, self.done = weights["step"], weights["done"]
        self.network.load_state_dict(weights["weights"])
        for mean, kept in zip(self.mean, weights["mean"], strict=True):
            mean.copy_(kept)
        state = self.optimiser.state_dict()
        state["state"] = moments["state"]
        self.optimiser.load_state_dict(state)
        for group, rate in zip(self.optimiser.param_groups, self.rates, strict=True):
            group["lr"] = rate if self.device == "cuda" else 0.0

    def load_weights(self, path: Path) -> None:
        """Begin with the weights that the program has."""
        with np.load(path) as kept, torch.no_grad():
            for (name, parameter), mean in zip(self.network.named_parameters(), self.mean, strict=True):
                parameter.copy_(torch.from_numpy(kept[name].astype(np.float32)))
                mean.copy_(parameter)

    def save(self, folder: Path) -> None:
        weights = {"step": self.step, "done": self.done, "weights": self.network.state_dict(), "mean": self.mean}
        for name, what in (("weights", weights), ("moments", {"step": self.step, **_state(self.optimiser)})):
            torch.save(what, folder / f"{name}.new")
            (folder / f"{name}.new").replace(folder / f"{name}.pt")

    def averaged(self) -> Network:
        network = Network(self.plan).to(self.device)
        for parameter, mean in zip(network.parameters(), self.mean, strict=True):
            parameter.data.copy_(mean)
        return network

    def _learn(self, told: Tensor, *wanted: Tensor) -> None:
        with torch.autocast(self.device, torch.bfloat16):
            u = self.forward(told)
        loss = (finished.loss_of if self.plan is FINISHED else loss_of)(torch.pixel_shuffle(u.float(), 2), *wanted)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.parameters, STEEPEST, foreach=True)
        self.optimiser.step()
        self.optimiser.zero_grad(set_to_none=True)
        with torch.no_grad():
            torch._foreach_lerp_(self.mean, self.parameters, 1 - AVERAGE)
            self.total += loss.detach()

    def record(self, inputs: tuple[Tensor, ...]) -> None:
        """Record a step as a CUDA graph, after some steps that warm the libraries up."""
        self.inputs = tuple(t.clone() for t in inputs)
        stream = torch.cuda.Stream()
        stream.wait_stream(torch.cuda.current_stream())
        with torch.cuda.stream(stream):
            for _ in range(4):
                self._learn(*self.inputs)
        torch.cuda.current_stream().wait_stream(stream)
        graph = torch.cuda.CUDAGraph()
        with torch.cuda.graph(graph):
            self._learn(*self.inputs)
        self.graph = graph

    def learn(self, inputs: tuple[Tensor, ...], done: float) -> None:
        """done: of the schedule, 0 to 1."""
        wave = 0.5 * (1 + math.cos(math.pi * min(1.0, done)))
        rate = self.rate * min(1, (self.step + 1) / WARM_UP) * (LAST_RATE + (1 - LAST_RATE) * wave)
        self.step, self.done = self.step + 1, done
        if self.device != "cuda":
            for group, share in zip(self.optimiser.param_groups, self.groups, strict=True):
                group["lr"] = rate * share
            self._learn(*inputs)
            return
        if self.graph is None:
            self.record(inputs)  # at a rate of nothing: the steps that warm up change no weights
        for tensor, share in zip(self.rates, self.groups, strict=True):
            tensor.fill_(rate * share)
        for place, value in zip(self.inputs, inputs, strict=True):
            place.copy_(value)
        self.graph.replay()


def _state(optimiser: torch.optim.Optimizer) -> dict:
    return {"state": optimiser.state_dict()["state"]}


def train(arguments: argparse.Namespace) -> None:
    begun = time.time()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = torch.backends.cudnn.benchmark = True
    if arguments.finished:  # codes of 8 bits are made of sums
        torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = False
    out, count = arguments.out, arguments.pictures
    out.mkdir(parents=True, exist_ok=True)
    plan = FINISHED if arguments.finished else WEB if arguments.web else MOSAIC
    trainer = Trainer(device, arguments.steps, not arguments.plain and device == "cuda", plan, arguments.rate)
    source = next((f for f in (arguments.begin, out) if f is not None and (f / "weights.pt").exists()), None)
    bank_seed = SEED * 1_000_003
    if source is not None:
        trainer.load(source)
        bank_seed += 10_000_000 * trainer.step
    elif arguments.weights is not None:
        trainer.load_weights(arguments.weights)
        bank_seed += arguments.more
    bank = Bank(arguments.pack, arguments.finished, bank_seed, device, arguments.workers, count)
    look = (FinishedLook if arguments.finished else WebLook if arguments.web else Look)(arguments.pack, device)
    torch.manual_seed(SEED + trainer.step)
    print(f"{multiply_adds(plan):.0f} multiply-adds a pixel, {sum(p.numel() for p in trainer.parameters)} weights; "
          f"step {trainer.step} of {trainer.steps}, {time.time() - begun:.0f} s", flush=True)  # fmt: skip
    bank.take(min(count, 256), wait=True)
    print(f"first pictures after {time.time() - begun:.0f} s", flush=True)
    saved, told, since = time.time(), trainer.step, time.time()
    first, before = since, trainer.done
    kept: list[tuple[Tensor, ...]] = []
    while time.time() - begun < arguments.seconds:
        with torch.no_grad():
            if arguments.finished:
                crops = bank.crops(arguments.crops, min(SIDE, finished.case(trainer.step, arguments.crop)[1]))
                inputs = finished.batch(crops, trainer.step, arguments.crop)
            elif arguments.web:
                crops = bank.crops(arguments.crops, web.case(trainer.step, arguments.crop)[0])
                inputs = web.batch(crops, trainer.step, arguments.crop)
            else:
                inputs = sensor.batch(bank.crops(arguments.crops, arguments.crop))
            inputs = (inputs[0].contiguous(memory_format=torch.channels_last), *inputs[1:])
        done = trainer.step / trainer.steps
        if arguments.until is not None:
            left = begun + arguments.seconds - first
            done = before + (arguments.until - before) * min(1.0, (time.time() - first) / left)
        elif done >= 1:
            break
        trainer.learn(inputs, done)
        if arguments.finished:
            kept = [*kept[-KEPT + 1 :], inputs]
            for _ in range(AGAIN):
                trainer.learn(random.choice(kept), done)
        if trainer.step % 20 < (1 + AGAIN if arguments.finished else 1):
            bank.take(4 if bank.count >= count else 16)
        if trainer.step % 500 < (1 + AGAIN if arguments.finished else 1) or device == "cpu":
            loss, now = float(trainer.total) / (trainer.step - told), time.time()
            print(f"step {trainer.step}: loss {loss:.5f}, {(trainer.step - told) / (now - since):.0f} steps/s, "
                  f"{bank.count} pictures, {now - begun:.0f} s", flush=True)  # fmt: skip
            trainer.total.zero_()
            told, since = trainer.step, now
            if not math.isfinite(loss):
                raise FloatingPointError("the loss is no number: begin again at the last checkpoint")
            if now - saved > arguments.every:
                trainer.save(out)
                with torch.no_grad():
                    print("  looked at:", look.words(trainer.averaged()), flush=True)
                saved = time.time()
    trainer.save(out)
    network = trainer.averaged()
    with torch.no_grad():
        print(f"step {trainer.step}, {time.time() - begun:.0f} s; looked at (no noise, ISO 3200, 12,800):",
              look.words(network), flush=True)  # fmt: skip
    write_weights(network, out / "network.npz")
    bank.stop()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("pack", type=Path, help="what tests/training/pictures.py wrote")
    parser.add_argument("out", type=Path)
    parser.add_argument("--from", dest="begin", type=Path, help="a folder with a checkpoint")
    parser.add_argument("--weights", type=Path, help="where there is no checkpoint, weights to go on from")
    parser.add_argument("--more", type=int, default=0, help="added to the seed then, so that its pictures are others")
    parser.add_argument("--rate", type=float, default=RATE, help="learning rate at the most")
    parser.add_argument("--seconds", type=float, default=540)
    parser.add_argument("--web", action="store_true", help="the network for web sizes")
    parser.add_argument("--finished", action="store_true", help="the network for finished pictures")
    parser.add_argument("--steps", type=int, default=160_000, help="of the whole schedule")
    parser.add_argument("--until", type=float, help="share of the schedule at which this piece's time ends: then the "
                        "time tells how far it is, whatever the machine's pace, and not --steps")  # fmt: skip
    parser.add_argument("--every", type=float, default=60, help="seconds between checkpoints")
    parser.add_argument("--workers", type=int, default=14, help="processes that make pictures")
    parser.add_argument("--pictures", type=int, default=PICTURES, help="held on the GPU")
    parser.add_argument("--crops", type=int, default=CROPS)
    parser.add_argument("--crop", type=int, default=CROP)
    parser.add_argument("--plain", action="store_true", help="without torch.compile")
    train(parser.parse_args())


if __name__ == "__main__":
    main()
