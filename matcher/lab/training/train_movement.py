"""Train the network that tells movement from damage and other prints, on faces drawn as it learns.

    scripts/train_movement MANIFEST --pictures FOLDER --minutes 9 --output movement.onnx [--resume STATE]

The manifest names the pictures of each role with their hashes; only those of the role `train` are learnt from, those of
`fit` show how it goes. Workers draw; no pair is seen twice. Needs the extra `train`; a GPU if there is one.
"""

from __future__ import annotations

import argparse
import json
import threading
import time
from collections.abc import Iterator, Sequence
from itertools import combinations
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch.nn import functional

from matcher.core.ladder.change_detector import network_input
from matcher.core.ladder.movement import toned
from matcher.lab.synthesis.face_pairs import CELL, IGNORED, MOVED, face_pairs, faces_of, windows_of
from matcher.lab.synthesis.movement import another_moment
from matcher.lab.synthesis.prints import Field
from matcher.lab.training.movement_network import MovementNetwork

SIZE = (544, 336)
"""Height and width of what is compared of a face."""

CODE = 24.0
"""Inputs travel from the drawing processes as bytes of 1 / CODE."""

SMALL_SOURCES = 0.3
"""Power of its number of pictures by which a source is asked: 1 by number, 0 all alike."""

MOVED_WEIGHT, PAIR_WEIGHT = 2.0, 0.5


def grey(path: Path) -> NDArray[np.uint8]:
    return np.asarray(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE), np.uint8)


class Drawn(torch.utils.data.IterableDataset[dict[str, torch.Tensor]]):
    """Endless sets of four faces of the pictures named, by source, with their six pairs.

    groups: frames of one person before one camera: they differ by real movement.
    """

    def __init__(self, sources: Sequence[Sequence[Path]], groups: Sequence[Sequence[Path]], seed: int) -> None:
        self.sources, self.groups, self.seed = sources, groups, seed
        # Few old portraits and plates stand against many photographs of today: each counts for more.
        sizes = np.array([len(source) for source in sources], np.float64) ** SMALL_SOURCES
        self.shares = sizes / sizes.sum()

    def __iter__(self) -> Iterator[dict[str, torch.Tensor]]:
        worker = torch.utils.data.get_worker_info()
        rng = np.random.default_rng([self.seed, worker.id if worker else 0])
        cv2.setNumThreads(1)
        while True:
            yield self.set_of_four(rng)

    def set_of_four(self, rng: np.random.Generator) -> dict[str, torch.Tensor]:
        tone = float(rng.choice([0.0, rng.uniform(0, 1), rng.uniform(0.5, 1.3)]))
        wear = float(rng.choice([0.0, 0.6, 1.0]))
        contents = self.contents(rng)
        shown_by = [0, 0, 0, 1] if rng.random() < 0.75 else [0, 0, 1, 1]
        faces = faces_of([(number, contents[number]) for number in rng.permutation(shown_by)], rng, tone, wear)
        pairs = list(face_pairs(contents, faces, rng))
        coded = [coded_face(face.grey) for face in faces]
        same = [-1 if pair.same is None else int(pair.same) for pair in pairs]
        return {
            "faces": torch.from_numpy(np.stack([face for face, _ in coded])),
            "noise": torch.tensor([level for _, level in coded], dtype=torch.float32),
            "labels": torch.from_numpy(np.stack([pair.labels for pair in pairs])),
            "shown": torch.from_numpy(np.stack([pair.shown for pair in pairs])),
            "same": torch.tensor(same, dtype=torch.int8), "tone": torch.tensor(tone), "wear": torch.tensor(wear),
        }  # fmt: skip

    def contents(self, rng: np.random.Generator) -> list[Field]:
        """A clean view, and another one: mostly of another moment, sometimes of something else altogether."""
        kind = rng.random()
        if self.groups and kind < 0.12:
            group = self.groups[int(rng.integers(len(self.groups)))]
            first, second = rng.choice(len(group), 2, replace=False)
            return windows_of([grey(group[first]), grey(group[second])], SIZE, rng)
        (view,) = windows_of([self.picture(rng)], SIZE, rng)
        if kind > 0.9:
            return [view, *windows_of([self.picture(rng)], SIZE, rng)]
        return [view, another_moment(view, rng, float(np.exp(rng.normal(0, 0.3))))]

    def picture(self, rng: np.random.Generator) -> NDArray[np.uint8]:
        source = self.sources[int(rng.choice(len(self.sources), p=self.shares))]
        return grey(source[int(rng.integers(len(source)))])


def coded_face(face: NDArray[np.uint8]) -> tuple[NDArray[np.int8], float]:
    """What the network is given of one face, as bytes, and its noise."""
    even, level = network_input(face)
    return np.clip(np.rint(np.stack([even, toned(face)]) * CODE), -127, 127).astype(np.int8), level


PAIRS = tuple(combinations(range(4), 2))
"""Reference and query of each pair of a set, as `face_pairs` gives them."""


class Kept:
    """Sets that were drawn, kept on the device, so that each is learnt from more than once while others are drawn."""

    def __init__(self, room: int, device: str) -> None:
        self.room, self.device, self.count = room, device, 0
        self.parts: dict[str, torch.Tensor] = {}

    def take_in(self, drawn: dict[str, torch.Tensor]) -> None:
        for place in range(len(drawn["same"])):
            for name, value in drawn.items():
                if name not in self.parts:
                    self.parts[name] = torch.empty((self.room, *value.shape[1:]), dtype=value.dtype, device=self.device)
                self.parts[name][self.count % self.room] = value[place].to(self.device, non_blocking=True)
            self.count += 1

    def batch(self, size: int, generator: torch.Generator) -> dict[str, torch.Tensor]:
        """Pairs at random, sides exchanged and mirrored half of the time."""
        sets = torch.randint(min(self.count, self.room), (size,), generator=generator)
        return paired(
            self.parts,
            sets.to(self.device),
            torch.randint(len(PAIRS), (size,), generator=generator).to(self.device),
            generator,
        )


def paired(
    parts: dict[str, torch.Tensor], sets: torch.Tensor, pair: torch.Tensor, generator: torch.Generator | None
) -> dict[str, torch.Tensor]:
    device = sets.device
    sides = torch.tensor(PAIRS, device=device)[pair]
    labels, shown = parts["labels"][sets, pair].long(), parts["shown"][sets, pair].float()
    if generator is not None:
        exchange = torch.rand(len(sets), generator=generator).to(device) < 0.5
        sides = torch.where(exchange[:, None], sides.flip(1), sides)
        other = torch.tensor([0, 1, 3, 2] + [IGNORED] * 252, device=device)
        labels = torch.where(exchange[:, None, None], other[labels], labels)
    query, reference = (parts["faces"][sets, sides[:, k]].float() / CODE for k in (1, 0))
    noise = torch.stack([parts["noise"][sets, sides[:, k]] for k in (1, 0)], 1)
    if generator is not None and float(torch.rand(1, generator=generator)) < 0.5:
        query, reference, labels, shown = (x.flip(-1) for x in (query, reference, labels, shown))
    wide = functional.interpolate(shown[:, None], scale_factor=float(CELL), mode="nearest")
    same, tone, wear = parts["same"][sets, pair].long(), parts["tone"][sets], parts["wear"][sets]
    return {
        "query": query * wide, "reference": reference * wide, "noise": noise, "shown": shown[:, None], "labels": labels,
        "same": same, "tone": tone, "wear": wear,
    }  # fmt: skip


def asked(network: MovementNetwork, batch: dict[str, torch.Tensor]) -> tuple[torch.Tensor, torch.Tensor]:
    result: tuple[torch.Tensor, torch.Tensor] = network(
        batch["query"], batch["reference"], batch["noise"], batch["shown"]
    )
    return result


def loss_of(logits: torch.Tensor, odds: torch.Tensor, batch: dict[str, torch.Tensor]) -> torch.Tensor:
    labels = batch["labels"]
    weights = torch.tensor([1.0, MOVED_WEIGHT, 1.0, 1.0], device=logits.device)
    each = functional.cross_entropy(
        logits, labels.where(labels != IGNORED, torch.tensor(-100, device=logits.device)), weights
    )
    known = batch["same"] >= 0
    pair = functional.binary_cross_entropy_with_logits(odds[known], batch["same"][known].float())
    return each + PAIR_WEIGHT * pair


def report(network: MovementNetwork, held_out: Sequence[dict[str, torch.Tensor]]) -> str:
    """AUROC and cost of the pair's log odds on pairs of other pictures, in bits (Bruemmer & du Preez 2006)."""
    network.eval()
    odds, same, tone, wear, right, total = [], [], [], [], 0, 0
    with torch.no_grad():
        for batch in held_out:
            logits, said = asked(network, batch)
            odds.append(said.float().cpu()), same.append(batch["same"].cpu())
            tone.append(batch["tone"].cpu()), wear.append(batch["wear"].cpu())
            labels = batch["labels"].cpu()
            found = logits.argmax(1).cpu()
            right += int(((found == MOVED) & (labels == MOVED)).sum())
            total += int((labels == MOVED).sum())
    network.train()
    o, s, t, w = (torch.cat(x).numpy() for x in (odds, same, tone, wear))
    lines = []
    for name, use in {
        "all": s >= 0,
        "fresh": (s >= 0) & (t == 0) & (w == 0),
        "toned": (s >= 0) & (t > 0.5),
        "worn": (s >= 0) & (w == 1),
    }.items():
        own, other = o[use & (s == 1)], o[use & (s == 0)]
        auroc = float((own[:, None] > other[None]).mean()) if len(own) and len(other) else float("nan")
        cost = 0.5 * (np.log2(1 + np.exp(-own)).mean() + np.log2(1 + np.exp(other)).mean())
        lines.append(f"{name} auroc {auroc:.4f} bits {cost:.3f}")
    return "; ".join(lines) + f"; moved cells found {right / max(total, 1):.3f}"


def sets(drawn: Drawn, workers: int) -> Iterator[dict[str, torch.Tensor]]:
    ahead = 4 if workers else None
    return iter(torch.utils.data.DataLoader(drawn, batch_size=4, num_workers=workers, prefetch_factor=ahead))


def train(
    network: MovementNetwork, source: Iterator[Any], held_out: Sequence[Any], chosen: argparse.Namespace, device: str
) -> None:
    """Learn until the time is up, the pace falling with it; new sets are taken in as fast as they are drawn."""
    optimiser = torch.optim.AdamW(network.parameters(), chosen.rate, weight_decay=1e-4)
    kept, generator = Kept(chosen.room, device), torch.Generator().manual_seed(chosen.seed)
    stop, lock = threading.Event(), threading.Lock()

    def draw() -> None:
        while not stop.is_set():
            drawn = next(source)
            with lock:
                kept.take_in(drawn)

    threading.Thread(target=draw, daemon=True).start()
    while kept.count < chosen.first:
        time.sleep(0.2)
    started, step, losses = time.monotonic(), 0, []
    while (share := (time.monotonic() - started) / (60 * chosen.minutes)) < 1:
        for group in optimiser.param_groups:
            group["lr"] = chosen.rate * min(1.0, step / 200 + 0.02) * (0.5 + 0.5 * np.cos(np.pi * share)) + 1e-6
        with lock:
            batch = kept.batch(chosen.batch, generator)
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            logits, odds = asked(network, batch)
        loss = loss_of(logits.float(), odds.float(), batch)
        optimiser.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimiser.step()
        step += 1
        if step % 10 == 0:
            losses.append(float(loss.detach()))
        if step % chosen.tell == 0:
            words = f"{step} steps, {kept.count} sets, {60 * chosen.minutes * share:.0f} s, loss {np.mean(losses[-50:]):.4f}"
            print(f"{words}: {report(network, held_out)}", flush=True)
    stop.set()
    print(f"{step} steps in all, {kept.count} sets: {report(network, held_out)}", flush=True)


def all_pairs(drawn: dict[str, torch.Tensor], device: str) -> dict[str, torch.Tensor]:
    """Every pair of a few sets."""
    count = len(drawn["same"])
    numbers, pair = torch.arange(count).repeat_interleave(len(PAIRS)), torch.arange(len(PAIRS)).repeat(count)
    return paired({name: value.to(device) for name, value in drawn.items()}, numbers.to(device), pair.to(device), None)


def export(network: MovementNetwork, path: Path) -> None:
    """Write the ONNX file that `matcher.core.ladder.movement` reads; height and width stay free."""
    network = network.float().cpu().eval()
    height, width = SIZE
    example = (
        torch.zeros(1, 2, height, width),
        torch.zeros(1, 2, height, width),
        torch.zeros(1, 2),
        torch.ones(1, 1, height // 4, width // 4),
    )
    free = {
        "query": {2: "height", 3: "width"},
        "reference": {2: "height", 3: "width"},
        "shown": {2: "rows", 3: "columns"},
    }
    names = {"input_names": ["query", "reference", "noise", "shown"], "output_names": ["classes", "log_odds"]}
    torch.onnx.export(
        network,
        example,
        str(path),
        dynamic_axes={**free, "classes": {2: "rows", 3: "columns"}},
        dynamo=False,
        opset_version=17,
        **names,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("manifest", type=Path)
    parser.add_argument("--pictures", type=Path, required=True, help="folder in which the manifest's names lie")
    parser.add_argument("--minutes", type=float, default=9)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--room", type=int, default=25_000, help="sets of four faces that are kept, 1.5 MB each")
    parser.add_argument("--first", type=int, default=500, help="sets that must be drawn before it begins")
    parser.add_argument("--tell", type=int, default=1000, help="steps between two reports")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--resume", type=Path)
    parser.add_argument("--output", type=Path, required=True)
    chosen = parser.parse_args()
    pictures, groups = named(chosen.manifest, chosen.pictures, "train")
    others, other_groups = named(chosen.manifest, chosen.pictures, "fit")
    print(
        f"{sum(map(len, pictures))} pictures, {len(groups)} sitters in one place; shown by {sum(map(len, others))} others",
        flush=True,
    )
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(chosen.seed)
    network = MovementNetwork().to(device)
    if chosen.resume:
        network.load_state_dict(torch.load(chosen.resume, map_location=device))
    shown = sets(Drawn(others, other_groups, chosen.seed + 1000), chosen.workers)
    held_out = [all_pairs(next(shown), device) for _ in range(4 if device == "cpu" else 100)]
    del shown
    train(network, sets(Drawn(pictures, groups, chosen.seed), chosen.workers), held_out, chosen, device)
    torch.save(network.state_dict(), chosen.output.with_suffix(".pt"))
    export(network, chosen.output)


def named(manifest: Path, folder: Path, role: str) -> tuple[list[list[Path]], list[list[Path]]]:
    """The pictures of one role by source, and those of them that show one sitter before one camera, by sitter."""
    sources: dict[str, list[Path]] = {}
    groups: dict[str, list[Path]] = {}
    for row in json.loads(manifest.read_text())["pictures"]:
        if row["role"] == role:
            sources.setdefault(row["source"], []).append(folder / row["name"])
            if row.get("sitter"):
                groups.setdefault(row["sitter"], []).append(folder / row["name"])
    return list(sources.values()), [group for group in groups.values() if len(group) > 1]


if __name__ == "__main__":
    main()
