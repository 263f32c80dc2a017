"""An ONNX graph of the reading library as a network that can learn on: its tables are parameters. Needs PyTorch.

`dump` writes a graph without the package `onnx` being needed to read it, its nodes as JSON and its tables as NPZ;
`LibraryGraph` computes what the graph computes (the opset is 11), and `written_into` puts tables that have learnt on
into the same graph again. Norms keep the means that they came with: only their scale and bias learn.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn
from torch.nn import functional

Table = NDArray[Any]

FORM = "library graph/1"

MAP_AXES = 4
"""Axes of a map. A table of one number learns if it has them all, as the bias of a map does; else it is a constant of a
formula, as the 2 of a square."""


@dataclass(frozen=True)
class Node:
    """One step of a graph: of which kind, from and to which values, with which attributes."""

    kind: str
    inputs: tuple[str, ...]
    outputs: tuple[str, ...]
    settings: Mapping[str, Any]


@dataclass(frozen=True)
class Plain:
    """A graph without weights beyond its tables. begins, ends: names of what goes in and what comes out."""

    nodes: tuple[Node, ...]
    tables: Mapping[str, Table]
    begins: str
    ends: str


def dump(source: Path, target: Path, half: bool = False) -> None:
    """Write an ONNX graph to `target`, an NPZ archive that `plain_graph` reads. half: large tables at half precision,
    for the journey. Needs the package `onnx`."""
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(str(source)).graph
    nodes = [
        {
            "kind": node.op_type,
            "inputs": list(node.input),
            "outputs": list(node.output),
            "settings": {one.name: _setting(onnx.helper.get_attribute_value(one)) for one in node.attribute},
        }
        for node in graph.node
    ]
    tables = {one.name: numpy_helper.to_array(one) for one in graph.initializer}
    names = list(tables)
    told = {"form": FORM, "begins": graph.input[0].name, "ends": graph.output[0].name, "nodes": nodes, "names": names}
    arrays = {f"table_{n}": _carried(tables[name], half) for n, name in enumerate(names)}
    np.savez(target, told=np.frombuffer(json.dumps(told).encode(), np.uint8), **arrays)  # type: ignore[arg-type]


def _setting(value: Any) -> Any:
    return value.decode() if isinstance(value, bytes) else value


def _carried(table: Table, half: bool) -> Table:
    return table.astype(np.float16) if half and table.dtype == np.float32 and table.size > 1000 else table


def plain_graph(path: Path) -> Plain:
    """What `dump` wrote. Raises ValueError for another form."""
    with np.load(path, allow_pickle=False) as kept:
        told = json.loads(kept["told"].tobytes())
        if told["form"] != FORM:
            raise ValueError(f"{path.name} is no {FORM}")
        tables = {name: kept[f"table_{n}"] for n, name in enumerate(told["names"])}
    tables = {name: one.astype(np.float32) if one.dtype == np.float16 else one for name, one in tables.items()}
    nodes = tuple(Node(n["kind"], tuple(n["inputs"]), tuple(n["outputs"]), n["settings"]) for n in told["nodes"])
    return Plain(nodes, tables, told["begins"], told["ends"])


def written_into(source: Path, tables: Mapping[str, Table], target: Path) -> None:
    """The ONNX graph `source` with these tables in place of its own. Needs the package `onnx`; raises KeyError for a
    table that it lacks, ValueError for one of another shape."""
    import onnx
    from onnx import numpy_helper

    model = onnx.load(str(source))
    its = {one.name: one for one in model.graph.initializer}
    for name, values in tables.items():
        if tuple(its[name].dims) != values.shape:
            raise ValueError(f"{name}: {values.shape} is not {tuple(its[name].dims)}")
        its[name].CopyFrom(numpy_helper.from_array(np.ascontiguousarray(values, np.float32), name))
    onnx.checker.check_model(model)
    onnx.save(model, str(target))


class LibraryGraph(nn.Module):
    """What goes in as the graph takes it, what comes out as it gives it; `raw` leaves out the last sigmoid or softmax,
    which losses want for themselves."""

    def __init__(self, graph: Plain) -> None:
        super().__init__()
        self.nodes, self.begins, self.ends = joined(graph), graph.begins, graph.ends
        still = _named(graph, "BatchNormalization", 3)
        given = _named(graph, "Resize", 1)
        self.constants: dict[str, torch.Tensor] = {}
        self.keys: dict[str, str] = {}
        for name, values in graph.tables.items():
            table = torch.from_numpy(np.array(values))
            alone = table.numel() < 2 and table.dim() < MAP_AXES
            if table.dtype != torch.float32 or alone or name in given:
                self.constants[name] = table.reshape(()) if table.numel() == 1 and table.is_floating_point() else table
                continue
            key = f"table_{len(self.keys)}"
            self.keys[name] = key
            if name in still:
                self.register_buffer(key, table)
            else:
                self.register_parameter(key, nn.Parameter(table))
        self.last = {value: number for number, node in enumerate(self.nodes) for value in node.inputs}

    def forward(self, picture: torch.Tensor) -> torch.Tensor:
        return self._run(picture, len(self.nodes))

    def raw(self, picture: torch.Tensor) -> torch.Tensor:
        """Logits: what the graph's last step is given."""
        return self._run(picture, len(self.nodes) - 1)

    def tables(self) -> dict[str, Table]:
        """What it has learnt, by the names of the graph, for `written_into`."""
        learnt = dict(self.named_parameters())
        return {name: learnt[key].detach().float().cpu().numpy() for name, key in self.keys.items() if key in learnt}

    def _run(self, picture: torch.Tensor, steps: int) -> torch.Tensor:
        values: dict[str, torch.Tensor] = {name: getattr(self, key) for name, key in self.keys.items()}
        values.update(self.constants)
        values[self.begins] = picture
        ends = self.nodes[steps - 1].outputs[0]
        for number, node in enumerate(self.nodes[:steps]):
            taken = [values[name] for name in node.inputs]
            values[node.outputs[0]] = STEPS[node.kind](taken, node.settings)
            for name in node.inputs:  # what no later step wants need not be kept
                if self.last[name] == number and name in values:
                    del values[name]
        return values[ends]


GELU = ("Div", "Erf", "Add", "Mul", "Mul")
"""Steps that together are one Gaussian error linear unit (Hendrycks & Gimpel 2016)."""


def joined(graph: Plain) -> tuple[Node, ...]:
    """Its steps, some of which are one on an accelerator: it computes the same, in half of the time."""
    nodes, left = [], list(graph.nodes)
    while left:
        first, second = left[0], left[1] if len(left) > 1 else left[0]
        if tuple(node.kind for node in left[: len(GELU)]) == GELU:
            nodes.append(Node("Gelu", first.inputs[:1], left[len(GELU) - 1].outputs, {}))
            del left[: len(GELU)]
        elif first.kind == "Conv" and second.kind == "Add" and _is_bias(graph, first, second):
            nodes.append(Node("Conv", (*first.inputs, second.inputs[1]), second.outputs, first.settings))
            del left[:2]
        else:
            nodes.append(left.pop(0))
    return tuple(nodes)


def _is_bias(graph: Plain, convolution: Node, add: Node) -> bool:
    table = graph.tables.get(add.inputs[1])
    alone = len(convolution.inputs) == 2 and add.inputs[0] == convolution.outputs[0]
    return alone and table is not None and table.shape == (1, graph.tables[convolution.inputs[1]].shape[0], 1, 1)


def _named(graph: Plain, kind: str, first: int) -> set[str]:
    """What steps of one kind take from their input `first` on."""
    return {name for node in graph.nodes if node.kind == kind for name in node.inputs[first:]}


Tensors = Sequence[torch.Tensor]
Settings = Mapping[str, Any]


def _padded(picture: torch.Tensor, settings: Settings, fill: float = 0.0) -> tuple[torch.Tensor, Any]:
    """The picture with what a convolution's own padding cannot give, and what it can: 'same' adds below and right."""
    if settings.get("auto_pad", "NOTSET") == "SAME_UPPER":
        below, right = (one - 1 for one in settings["kernel_shape"])  # the stride is 1 wherever it is so
        return functional.pad(picture, (0, right, 0, below), value=fill), (0, 0)
    top, left, bottom, right = settings.get("pads", [0, 0, 0, 0])
    if (top, left) != (bottom, right):
        return functional.pad(picture, (left, right, top, bottom), value=fill), (0, 0)
    return picture, (top, left)


def _convolution(taken: Tensors, settings: Settings) -> torch.Tensor:
    picture, pads = _padded(taken[0], settings)
    return functional.conv2d(
        picture, taken[1], taken[2].reshape(-1) if len(taken) > 2 else None, settings.get("strides", 1), pads,
        settings.get("dilations", 1), settings.get("group", 1),
    )  # fmt: skip


def _spread_convolution(taken: Tensors, settings: Settings) -> torch.Tensor:
    return functional.conv_transpose2d(
        taken[0], taken[1], taken[2] if len(taken) > 2 else None, settings["strides"], settings["pads"][:2],
        groups=settings["group"], dilation=settings["dilations"],
    )  # fmt: skip


def _largest(taken: Tensors, settings: Settings) -> torch.Tensor:
    picture, pads = _padded(taken[0], settings, -torch.inf)
    return functional.max_pool2d(picture, settings["kernel_shape"], settings["strides"], pads)


def _mean_of_windows(taken: Tensors, settings: Settings) -> torch.Tensor:
    return functional.avg_pool2d(
        taken[0], settings["kernel_shape"], settings["strides"], settings["pads"][:2], count_include_pad=False
    )


def _normed(taken: Tensors, settings: Settings) -> torch.Tensor:
    picture, scale, bias, mean, variance = taken
    return functional.batch_norm(picture, mean, variance, scale, bias, False, 0.0, settings["epsilon"])


def _reshaped(taken: Tensors, settings: Settings) -> torch.Tensor:
    wanted = [int(one) for one in taken[1]]
    return taken[0].reshape([taken[0].shape[n] if one == 0 else one for n, one in enumerate(wanted)])


def _sliced(taken: Tensors, settings: Settings) -> torch.Tensor:
    values, starts, ends, axes = taken[0], taken[1], taken[2], taken[3]
    pick: list[slice] = [slice(None)] * values.dim()
    for start, end, axis in zip(starts.tolist(), ends.tolist(), axes.tolist(), strict=True):
        pick[axis] = slice(start, min(end, values.shape[axis]))
    return values[tuple(pick)]


def _squeezed(taken: Tensors, settings: Settings) -> torch.Tensor:
    values = taken[0]
    for axis in sorted(settings["axes"], reverse=True):
        values = values.squeeze(axis)
    return values


def _unsqueezed(taken: Tensors, settings: Settings) -> torch.Tensor:
    values = taken[0]
    for axis in sorted(settings["axes"]):
        values = values.unsqueeze(axis)
    return values


def _enlarged(taken: Tensors, settings: Settings) -> torch.Tensor:
    """By whole numbers, nearest: each pixel becomes a square."""
    return functional.interpolate(taken[0], scale_factor=taken[2].tolist()[2:], mode="nearest")


def _hard_sigmoid(taken: Tensors, settings: Settings) -> torch.Tensor:
    return (taken[0] * settings["alpha"] + settings["beta"]).clamp(0, 1)


def _mean(taken: Tensors, settings: Settings) -> torch.Tensor:
    return taken[0].mean(settings["axes"], keepdim=bool(settings.get("keepdims", 1)))


STEPS: dict[str, Callable[[Tensors, Settings], torch.Tensor]] = {
    "Add": lambda taken, _: taken[0] + taken[1],
    "AveragePool": _mean_of_windows,
    "BatchNormalization": _normed,
    "Concat": lambda taken, settings: torch.cat(list(taken), settings["axis"]),
    "Conv": _convolution,
    "ConvTranspose": _spread_convolution,
    "Div": lambda taken, _: taken[0] / taken[1],
    "Erf": lambda taken, _: torch.erf(taken[0]),
    "Gelu": lambda taken, _: functional.gelu(taken[0]),
    "GlobalAveragePool": lambda taken, _: taken[0].mean((2, 3), keepdim=True),
    "HardSigmoid": _hard_sigmoid,
    "Identity": lambda taken, _: taken[0],
    "MatMul": lambda taken, _: taken[0] @ taken[1],
    "MaxPool": _largest,
    "Mul": lambda taken, _: taken[0] * taken[1],
    "Pow": lambda taken, _: taken[0] ** taken[1],
    "ReduceMean": _mean,
    "Relu": lambda taken, _: functional.relu(taken[0]),
    "Reshape": _reshaped,
    "Resize": _enlarged,
    "Shape": lambda taken, _: torch.tensor(taken[0].shape),
    "Sigmoid": lambda taken, _: torch.sigmoid(taken[0]),
    "Slice": _sliced,
    "Softmax": lambda taken, settings: torch.softmax(taken[0], settings["axis"]),
    "Sqrt": lambda taken, _: torch.sqrt(taken[0]),
    "Squeeze": _squeezed,
    "Sub": lambda taken, _: taken[0] - taken[1],
    "Transpose": lambda taken, settings: taken[0].permute(settings["perm"]),
    "Unsqueeze": _unsqueezed,
}
"""Each kind of step that the two graphs have, as ONNX defines it (opset 11), and `joined` makes of them."""
