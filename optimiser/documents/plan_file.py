"""``plan.json`` as text, and its digest. In: Plan. Out: JSON, the same for the same plan; sha256."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from ..plan.model import Plan


def plan_json(plan: Plan) -> str:
    """
    The plan as JSON: keys in the order of the model, one record a line, never NaN.

    Raises
    ------
    ValueError
        A number is not finite.
    """
    return as_json(plan.model_dump(mode="json", by_alias=True))


def as_json(data: Mapping[str, Any]) -> str:
    """Records of a table line by line; raises ValueError where a number is not finite."""
    lines = []
    for key, value in data.items():
        lines.append(f"{_compact(key)}: {_block(_without_minus_nought(value), 1)}")
    return "{\n " + ",\n ".join(lines) + "\n}\n"


def plan_digest(plan: Plan) -> str:
    """sha256 of ``plan.json``, in hexadecimal: papers say what they were drawn from."""
    return hashlib.sha256(plan_json(plan).encode()).hexdigest()


def _block(value: Any, depth: int) -> str:
    """Lists of records line by line; everything else on one line."""
    indent = "\n" + " " * (depth + 1)
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return "[" + indent + f",{indent}".join(_compact(item) for item in value) + indent[:-1] + "]"
    if isinstance(value, dict) and any(isinstance(item, list | dict) for item in value.values()):
        inner = (f"{_compact(key)}: {_block(item, depth + 1)}" for key, item in value.items())
        return "{" + indent + f",{indent}".join(inner) + indent[:-1] + "}"
    return _compact(value)


def _compact(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))


def _without_minus_nought(value: Any) -> Any:
    if isinstance(value, float):
        return value + 0.0
    if isinstance(value, list):
        return [_without_minus_nought(item) for item in value]
    if isinstance(value, dict):
        return {key: _without_minus_nought(item) for key, item in value.items()}
    return value
