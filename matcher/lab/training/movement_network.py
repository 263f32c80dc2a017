"""The network that tells movement from damage: two registered faces in, what each spot shows out. Needs PyTorch.

Both faces go through one encoder; its features are compared at every small displacement (a cost volume, as in FlowNet,
Dosovitskiy et al. 2015), so that what has moved finds itself elsewhere, and what lies upon a card finds itself nowhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import torch
from torch import nn
from torch.nn import functional

CLASSES = 4
"""Same, moved, laid over or lost on the query, the same on the reference: `synthesis.face_pairs` numbers them."""

TELLING = 8
SHOWN_NOT = -30.0


EDGES, FEATURES, JOINED, DEEP = 16, 32, 48, 64
"""Channels at a half and a quarter of a face's size, of both faces together, and at an eighth."""

GAPS = (1, 2, 4, 8)
"""Dilations of the convolutions at an eighth."""

DESCRIBED, NEAR, FAR = 16, 2, 3
"""Length of the features that are compared, and the displacements looked at, in cells of 4 pixels and of 8.

Six times the weights (24, 48, 64 and 96 channels, more layers, a level at a sixteenth, displacements of 3 and 4 cells)
did worse after 0.9 million pairs than these after 1.4 million."""

SPOT_CELLS = (1, 3, 7, 15, 31)
"""Widths of the spots whose mean movement counts, in cells of 4 pixels."""


@dataclass(frozen=True)
class JudgeShape:
    """What one judge of whole cards is made of: its channels, its maps of which the strongest and the mean count, the
    dilations of its convolutions, and whether it sees each face by itself beside what both show together.

    varied: it learns from faces whose tones, softness and place are varied anew each time.
    """

    channels: int
    maps: int
    gaps: tuple[int, ...]
    faces: bool
    varied: bool = False


@dataclass(frozen=True)
class Panel:
    """Judges that learn from cards of the same hands (`synthesis.hands`). The most doubtful is heard: what none of them
    saw in any card, one may take for sameness."""

    hands: tuple[str, ...]
    judges: tuple[JudgeShape, ...]


PANELS = (
    Panel(
        ("own",),
        (
            JudgeShape(48, 48, (1,), False),
            JudgeShape(64, 24, (1, 2, 4), True),
            JudgeShape(64, 24, (1, 2, 4), True, varied=True),
        ),
    ),
    Panel(("own", "shapes", "forces"), (JudgeShape(64, 24, (1, 2, 4), True, varied=True),)),
)
"""All learnt apart; the mean of the panels is heard. Of eighteen judges, alone and together, these did best for their
time on pictures listed to fit. The first panel knows one hand's cards best, the second what those of several share."""

OUTVOTED = 4.0
"""Log odds by which the more doubtful panel may be outvoted: where they are further apart, one of them sees what it has
never learnt from, and what comes out is doubt; by hand."""


class Layer(nn.Module):
    """A 3 x 3 convolution beside what it is given."""

    def __init__(self, channels: int, gap: int = 1) -> None:
        super().__init__()
        self.kernel = nn.Conv2d(channels, channels, 3, 1, gap, gap)

    def forward(self, seen: torch.Tensor) -> torch.Tensor:
        return torch.relu(self.kernel(seen)) + seen


class MovementNetwork(nn.Module):
    """query, reference: (n, 2, h, w), detail at equal contrast and tone; noise: (n, 2); shown: (n, 1, h / 4, w / 4).

    Gives (n, 4, h / 4, w / 4) logits of the classes, and (n,) log odds that both come from one negative.
    """

    def __init__(self) -> None:
        super().__init__()
        self.edges = nn.Conv2d(2, EDGES, 5, 2, 2)
        self.parts = nn.Conv2d(EDGES, FEATURES, 3, 2, 1)
        self.noise = nn.Linear(2, FEATURES)
        self.near = Layer(FEATURES)
        self.describe = nn.Conv2d(FEATURES, DESCRIBED, 1)
        self.join = nn.Conv2d(2 * FEATURES + (2 * NEAR + 1) ** 2, JOINED, 1)
        self.down = nn.Conv2d(JOINED, DEEP, 3, 2, 1)
        self.deepen = nn.Conv2d(DEEP + (2 * FAR + 1) ** 2, DEEP, 1)
        self.around = nn.Sequential(*(Layer(DEEP, gap) for gap in GAPS))
        self.whole = nn.Linear(DEEP, DEEP)
        self.up = nn.Conv2d(DEEP, JOINED, 1)
        self.last = Layer(JOINED)
        self.classes = nn.Conv2d(JOINED, CLASSES, 1)
        self.telling = nn.Conv2d(DEEP, TELLING, 1)
        self.pair = nn.Sequential(nn.Linear(2 * TELLING + len(SPOT_CELLS) + 2, 32), nn.ReLU(), nn.Linear(32, 1))
        self.panels = nn.ModuleList(nn.ModuleList(CardJudge(shape) for shape in panel.judges) for panel in PANELS)

    def encoded(self, face: torch.Tensor, noise: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        seen = torch.relu(self.parts(torch.relu(self.edges(face))) + self.noise(noise)[:, :, None, None])
        seen = self.near(seen)
        return seen, self.describe(seen)

    def forward(
        self, query: torch.Tensor, reference: torch.Tensor, noise: torch.Tensor, shown: torch.Tensor
    ) -> tuple[torch.Tensor, torch.Tensor]:
        first, second, joined, deep = self.compared(query, reference, noise)
        here = halved(shown)
        mean = (deep * here).sum((2, 3)) / (here.sum((2, 3)) + 1)
        deep = deep + torch.relu(self.whole(mean))[:, :, None, None]
        fine = joined + functional.interpolate(self.up(deep), scale_factor=2.0, mode="nearest")
        last = self.last(torch.relu(fine))
        logits = self.classes(last)
        odds = self.odds(logits, deep, shown, here, noise)
        chances = functional.softmax(logits, 1)
        both = torch.cat([deep, halved(last), halved(chances)], 1)
        faces = torch.cat([halved(first), halved(second), shares_of(query), shares_of(reference)], 1)
        spots = Spots(both, faces, chances, shown, here)
        said = [torch.stack([judge(spots, noise, odds) for judge in panel]) for panel in self.panels]
        return logits, odds + heard(said)

    def compared(
        self, query: torch.Tensor, reference: torch.Tensor, noise: torch.Tensor
    ) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor]:
        """Each face by itself and both together at a quarter of their size, and both together at an eighth."""
        first, own = self.encoded(query, noise)
        second, other = self.encoded(reference, noise.flip(1))
        joined = torch.relu(self.join(torch.cat([first, second, displaced(own, other, NEAR)], 1)))
        far = displaced(halved(own), halved(other), FAR)
        deep = self.around(torch.relu(self.deepen(torch.cat([torch.relu(self.down(joined)), far], 1))))
        return first, second, joined, deep

    def odds(
        self, logits: torch.Tensor, deep: torch.Tensor, shown: torch.Tensor, here: torch.Tensor, noise: torch.Tensor
    ) -> torch.Tensor:
        """Log odds of one negative, from the strongest movement at five sizes and from what tells beside it."""
        moved = functional.softmax(logits, 1)[:, 1:2] * shown
        sizes = [pooled_most(moved, size) for size in SPOT_CELLS]
        telling = self.telling(deep)
        asked = torch.cat([*of_maps(telling, here), *sizes, noise], 1)
        odds: torch.Tensor = self.pair(asked)
        return odds[:, 0]


@dataclass(frozen=True)
class Spots:
    """All that is known of each spot of a pair.

    both: (n, k, h / 8, w / 8), what the two show together. faces: (n, m, h / 8, w / 8), what each shows by itself.
    chances: (n, 4, h / 4, w / 4), of the classes. shown, here: where both are shown, at a quarter and at an eighth.
    """

    both: torch.Tensor
    faces: torch.Tensor
    chances: torch.Tensor
    shown: torch.Tensor
    here: torch.Tensor


class CardJudge(nn.Module):
    """What cards that went the whole way, printed, worn, photographed and registered, add to the log odds.

    The network learns on faces that are drawn as faces, spot by spot; of cards it is only known whether two are of one
    negative. Judges alone are learnt from those (`odds_network`): what a spot shows stays as it was.
    """

    def __init__(self, shape: JudgeShape) -> None:
        super().__init__()
        self.faces = shape.faces
        given = DEEP + JOINED + CLASSES + (2 * FEATURES + 4 if shape.faces else 0)
        self.see = nn.Conv2d(given, shape.channels, 1)
        self.more = nn.Sequential(*(Layer(shape.channels, gap) for gap in shape.gaps))
        self.telling = nn.Conv2d(shape.channels, shape.maps, 1)
        asked = 2 * shape.maps + 2 * len(SPOT_CELLS) + 3
        self.pair = nn.Sequential(nn.Linear(asked, 48), nn.ReLU(), nn.Dropout(0.2), nn.Linear(48, 1))
        for part in self.pair[-1].parameters():  # until it has learnt it adds nothing
            nn.init.zeros_(part)

    def forward(self, spots: Spots, noise: torch.Tensor, odds: torch.Tensor) -> torch.Tensor:
        """(n,) what is added to the odds."""
        seen = torch.cat([spots.both, spots.faces], 1) if self.faces else spots.both
        telling = self.telling(self.more(torch.relu(self.see(seen))))
        moved = spots.chances[:, 1:2] * spots.shown
        laid = (spots.chances[:, 2:3] + spots.chances[:, 3:]) * spots.shown
        either = 2 * torch.minimum(moved, laid)
        sizes = [pooled_most(one, size) for one in (moved, either) for size in SPOT_CELLS]
        added: torch.Tensor = self.pair(torch.cat([*of_maps(telling, spots.here), *sizes, noise, odds[:, None] / 4], 1))
        return added[:, 0]


def heard(said: Sequence[torch.Tensor]) -> torch.Tensor:
    """(n,) what is heard of panels, (judges, n) each: of one the most doubtful, of all the mean, as far as the more
    doubtful panel may be outvoted."""
    panels = torch.stack([panel.amin(0) for panel in said])
    return torch.minimum(panels.mean(0), panels.amin(0) + OUTVOTED)


def of_maps(telling: torch.Tensor, here: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    """(n, maps) each: the strongest and the mean of every map where both cards are shown."""
    strongest = torch.logsumexp((telling + SHOWN_NOT * (1 - here)).flatten(2), 2)
    return strongest, (telling * here).sum((2, 3)) / (here.sum((2, 3)) + 1)


def halved(maps: torch.Tensor) -> torch.Tensor:
    """At half their height and width."""
    return functional.avg_pool2d(maps, 2)


def shares_of(face: torch.Tensor) -> torch.Tensor:
    """(n, 2, h / 8, w / 8): how much detail each spot of a face has, and its tone: what is flat shows."""
    return functional.avg_pool2d(torch.cat([face[:, :1] ** 2, face[:, 1:]], 1), 8)


def displaced(first: torch.Tensor, second: torch.Tensor, reach: int) -> torch.Tensor:
    """(n, (2 reach + 1) squared, h, w): how alike the features are at every displacement up to `reach` cells."""
    height, width = first.shape[2], first.shape[3]
    with torch.autocast(first.device.type, enabled=False):  # it would turn every product into float32
        first = first / (first.square().sum(1, keepdim=True) + 1e-4).sqrt()
        second = second / (second.square().sum(1, keepdim=True) + 1e-4).sqrt()
        wide = functional.pad(second, (reach, reach, reach, reach)).permute(0, 2, 3, 1)
        first = first.permute(0, 2, 3, 1)  # features last: so their sums take half the time
        alike = [
            (first * wide[:, row : row + height, column : column + width]).sum(3)
            for row in range(2 * reach + 1)
            for column in range(2 * reach + 1)
        ]
        return torch.stack(alike, 1)


def pooled_most(chance: torch.Tensor, size: int) -> torch.Tensor:
    """(n, 1): log of the largest mean of `size` x `size` cells."""
    mean = functional.avg_pool2d(chance, size, 1, size // 2) if size > 1 else chance
    return torch.log(mean.amax((2, 3)) + 1e-3)


def shipped(path: Path) -> MovementNetwork:
    """The network that `export` has written, to go on from; one without what cards add is given that part anew.

    Raises ValueError for a network of another shape.
    """
    import onnx

    kept = {
        one.name: torch.from_numpy(onnx.numpy_helper.to_array(one).copy()) for one in onnx.load(path).graph.initializer
    }
    network = MovementNetwork()
    missing, strange = network.load_state_dict(kept, strict=False)
    if strange or not all(name.startswith("panels.") for name in missing):
        raise ValueError(f"{path} is no network of this shape")
    return network


def export(network: MovementNetwork, path: Path) -> None:
    """Write the ONNX file that `matcher.core.ladder.movement` reads; height and width stay free."""
    network = network.float().cpu().eval()
    face, shown = torch.zeros(1, 2, 544, 336), torch.ones(1, 1, 136, 84)
    free = {side: {2: "height", 3: "width"} for side in ("query", "reference")}
    cells = {name: {2: "rows", 3: "columns"} for name in ("shown", "classes")}
    names = {"input_names": ["query", "reference", "noise", "shown"], "output_names": ["classes", "log_odds"]}
    example = (face, face.clone(), torch.zeros(1, 2), shown)
    torch.onnx.export(
        network, example, str(path), dynamic_axes={**free, **cells}, dynamo=False, opset_version=17, **names
    )
