"""The library's reader with fewer signs: an ONNX file in, the same without what no card of ours says out.

Its last step names 18,710 signs, most of them Chinese: half of its weights, and a good part of its time. Kept are
letters with their accents, figures, stops, Greek; the others share one sign, which stands for another script.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import onnx
from onnx import numpy_helper

OTHER = "\ufffd"
"""What stands for a sign of another script."""

STOPS = "!\"#$%&'()*+,-./:;=?@[]_~£§°·–—‘’“”„…«»•№✓×½¼¾"

LAST_LATIN = 0x017F


def kept_sign(sign: str) -> bool:
    """Whether a card of ours may say it."""
    if len(sign) != 1 or sign in STOPS:
        return sign in STOPS and sign != ""
    name = unicodedata.name(sign, "")
    latin = name.startswith("LATIN") and ord(sign) <= LAST_LATIN
    greek = name.startswith("GREEK") and unicodedata.category(sign).startswith("L")
    return latin or greek or sign in "0123456789"


def library_signs(source: Path) -> list[str]:
    """One for each column but the first, which is 'no sign'; the last is a blank, as the library adds it."""
    told = {one.key: one.value for one in onnx.load(str(source)).metadata_props}
    return [*told["character"].split("\n"), " "]


def cut_head(source: Path, target: Path) -> list[str]:
    """Write the smaller file; the signs of its columns but the first."""
    model, signs = onnx.load(str(source)), library_signs(source)
    columns = [n for n, sign in enumerate(signs) if kept_sign(sign) or (sign == " " and n == len(signs) - 1)]
    strange = [n for n, sign in enumerate(signs) if unicodedata.name(sign[:1] or "?", "").startswith(("CJK", "KATA"))]
    multiply, add = _last_steps(model)
    its = {one.name: one for one in model.graph.initializer}
    for name, axis in ((multiply, 1), (add, 0)):
        values = numpy_helper.to_array(its[name])
        kept = np.take(values, [0, *(1 + n for n in columns)], axis)
        other = np.take(values, [1 + n for n in strange], axis).mean(axis=axis, keepdims=True)
        its[name].CopyFrom(numpy_helper.from_array(np.concatenate([kept, other], axis), name))
    told = [signs[n] for n in columns] + [OTHER]
    model.graph.output[0].type.tensor_type.shape.dim[2].dim_value = 1 + len(told)
    del model.metadata_props[:], model.graph.value_info[:]  # both tell of all its signs
    onnx.checker.check_model(model)
    onnx.save(model, str(target))
    return told


def _last_steps(model: onnx.ModelProto) -> tuple[str, str]:
    """Names of the table and the bias that the last softmax is given."""
    tables: Sequence[str] = [one.name for one in model.graph.initializer]
    multiply, add = (next(n for n in reversed(model.graph.node) if n.op_type == kind) for kind in ("MatMul", "Add"))
    return tuple(next(name for name in node.input if name in tables) for node in (multiply, add))
