"""A trained network's file in, the same in less than half the size out: what is shipped travels with every copy.

Its largest tables are kept in bytes with a scale a row, the others at half precision; the file itself makes single
precision of them again when it is loaded, so that nothing else need know.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import onnx
from numpy.typing import NDArray
from onnx import TensorProto, helper, numpy_helper
from onnx.external_data_helper import set_external_data

IN_BYTES = 2
"""Tables kept in bytes: enough for the network of the way up to come to 2.6 MB; own choice."""

SMALL = 1000
"""Numbers of a table that is kept as it is."""


def pack(source: Path, target: Path) -> None:
    """Write `source` packed. Raises what ONNX raises for a file that is none."""
    model = onnx.load(str(source))
    tables = [one for one in model.graph.initializer if one.data_type == TensorProto.FLOAT]
    largest = {one.name for one in sorted(tables, key=lambda one: -int(np.prod(one.dims)))[:IN_BYTES]}
    kept, nodes = [], []
    for table in model.graph.initializer:
        values, name = numpy_helper.to_array(table), table.name
        if table.data_type != TensorProto.FLOAT or values.size <= SMALL:
            kept.append(table)
        elif name in largest:
            rows = np.abs(values.reshape(len(values), -1)).max(axis=1)
            scale = np.maximum(rows / 127, 1e-12).astype(np.float32).reshape(-1, *[1] * (values.ndim - 1))
            kept.append(numpy_helper.from_array(np.round(values / scale).astype(np.int8), f"{name}_byte"))
            kept.append(numpy_helper.from_array(scale, f"{name}_scale"))
            nodes.append(helper.make_node("Cast", [f"{name}_byte"], [f"{name}_float"], to=TensorProto.FLOAT))
            nodes.append(helper.make_node("Mul", [f"{name}_float", f"{name}_scale"], [name]))
        else:
            kept.append(numpy_helper.from_array(values.astype(np.float16), f"{name}_half"))
            nodes.append(helper.make_node("Cast", [f"{name}_half"], [name], to=TensorProto.FLOAT))
    nodes += list(model.graph.node)
    del model.graph.initializer[:], model.graph.node[:]
    model.graph.initializer.extend(kept)
    model.graph.node.extend(nodes)
    onnx.checker.check_model(model)
    onnx.save(model, str(target))


def tables(path: Path) -> dict[str, NDArray[np.float32]]:
    """The numbers of an exported network, packed or not, by name, as they are computed with."""
    found = {one.name: numpy_helper.to_array(one) for one in onnx.load(str(path)).graph.initializer}
    kept: dict[str, NDArray[np.float32]] = {}
    for name, values in found.items():
        if name.endswith("_scale"):
            continue
        plain = name.removesuffix("_byte").removesuffix("_half")
        scale = found[f"{plain}_scale"] if name.endswith("_byte") else np.float32(1)
        kept[plain] = np.asarray(values, np.float32) * scale
    return kept


def float_tables(path: Path, like: Path) -> dict[str, NDArray[np.float32]]:
    """Those of `tables` that the network `like` computes with in single precision: others are sizes and places."""
    single = {one.name for one in onnx.load(str(like)).graph.initializer if one.data_type == TensorProto.FLOAT}
    return {name: values for name, values in tables(path).items() if name in single}


def pack_apart(source: Path, target: Path, tables: Sequence[Path]) -> None:
    """Write `source` at half precision, its large tables in files of their own beside `target`, which names them: so
    that none of them is larger than what is shipped may be. Each takes its share of the bytes, in the graph's order.

    Raises what ONNX raises for a file that is none.
    """
    model = onnx.load(str(source))
    large = [one for one in model.graph.initializer if one.data_type == TensorProto.FLOAT and _size(one) > SMALL]
    most = 2 * sum(map(_size, large)) // len(tables) + max(map(_size, large))  # the last has what is left
    written, nodes = [b""] * len(tables), []
    place = 0
    for table in large:
        name, values = table.name, numpy_helper.to_array(table).astype(np.float16)
        if len(written[place]) + values.nbytes > most and place + 1 < len(tables):
            place += 1
        table.CopyFrom(numpy_helper.from_array(values, f"{name}_half"))
        set_external_data(table, tables[place].name, len(written[place]), values.nbytes)
        table.ClearField("raw_data")
        written[place] += values.tobytes()
        nodes.append(helper.make_node("Cast", [f"{name}_half"], [name], to=TensorProto.FLOAT))
    nodes += list(model.graph.node)
    del model.graph.node[:]
    model.graph.node.extend(nodes)
    for path, data in zip(tables, written, strict=True):
        path.write_bytes(data)
    target.write_bytes(model.SerializeToString())
    onnx.checker.check_model(str(target))


def _size(table: TensorProto) -> int:
    return int(np.prod(table.dims))
