"""Boosted trees in, the file that the product runs out: log odds from a row of numbers, without scikit-learn."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

Nodes = dict[str, Any]


def write_trees(model: Any, names: tuple[str, ...], path: Path) -> None:
    """Write scikit-learn's HistGradientBoostingClassifier of two classes; input `rows` (n, features) float32, output
    `log_odds` (n, 1). names: of the features, in their order, kept in the file."""
    from onnx import TensorProto, helper, save

    nodes = _nodes(model)
    start = float(np.ravel(model._baseline_prediction)[0])
    trees = helper.make_node("TreeEnsembleRegressor", ["rows"], ["log_odds"], domain="ai.onnx.ml")
    attributes: Nodes = {"n_targets": 1, "base_values": [start], **nodes}
    trees.attribute.extend(helper.make_attribute(name, value) for name, value in attributes.items())
    given = helper.make_tensor_value_info("rows", TensorProto.FLOAT, ["n", len(names)])
    told = helper.make_tensor_value_info("log_odds", TensorProto.FLOAT, ["n", 1])
    graph = helper.make_graph([trees], "line", [given], [told], doc_string=" ".join(names))
    opsets = [helper.make_opsetid("", 17), helper.make_opsetid("ai.onnx.ml", 1)]
    made = helper.make_model(graph, opset_imports=opsets, ir_version=8)
    save(made, str(path))


def _nodes(model: Any) -> Nodes:
    """Every node of every tree, as the ONNX operator TreeEnsembleRegressor names them."""
    columns = (
        "nodes_treeids", "nodes_nodeids", "nodes_featureids", "nodes_values", "nodes_modes", "nodes_truenodeids",
        "nodes_falsenodeids", "target_treeids", "target_nodeids", "target_ids", "target_weights",
    )  # fmt: skip
    found: Nodes = {name: [] for name in columns}
    for tree, (predictor,) in enumerate(model._predictors):
        for number, node in enumerate(predictor.nodes):
            leaf = bool(node["is_leaf"])
            found["nodes_treeids"].append(tree)
            found["nodes_nodeids"].append(number)
            found["nodes_featureids"].append(0 if leaf else int(node["feature_idx"]))
            found["nodes_values"].append(0.0 if leaf else float(np.float32(node["num_threshold"])))
            found["nodes_modes"].append("LEAF" if leaf else "BRANCH_LEQ")
            found["nodes_truenodeids"].append(0 if leaf else int(node["left"]))
            found["nodes_falsenodeids"].append(0 if leaf else int(node["right"]))
            if leaf:
                found["target_treeids"].append(tree)
                found["target_nodeids"].append(number)
                found["target_ids"].append(0)
                found["target_weights"].append(float(node["value"]))
    return found
