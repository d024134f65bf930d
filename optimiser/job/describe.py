"""The keys of ``job.toml`` in words. In: the models. Out: Markdown tables, and the model that a field holds."""

from __future__ import annotations

from types import UnionType
from typing import Any, get_args, get_origin

from pydantic.fields import FieldInfo

from .base import Model
from .model import GROUND_KINDS, Ground, Job

_UNITS = {  # by the end of the key
    "per_m": "currency/m", "per_km": "ohm/km", "ohm": "ohm", "m": "m", "mm": "mm", "mm2": "mm²", "v": "V", "a": "A",
    "w": "W", "s": "s", "c": "°C", "pct": "%", "cent": "%", "volts": "V", "watts": "W", "drop": "%", "awg": "AWG",
    "per_kwh": "currency/kWh", "uf": "µF", "growth": "%", "va": "VA", "deg": "°", "latitude": "°", "longitude": "°",
    "min": "min", "min_per_m": "min/m", "hours": "h", "hour_cost": "currency/h",
    "price": "currency", "prices": "currency", "labour": "currency", "crossing": "currency",
}  # fmt: skip


def unit_of(key: str) -> str:
    """Unit of a key by its end; empty where it has none."""
    fits = [end for end in _UNITS if key == end or key.endswith("_" + end)]
    return _UNITS[max(fits, key=len)] if fits else ""


def item_model(annotation: Any) -> tuple[type[Model] | None, bool]:
    """The model a field's annotation holds, if any, and whether it is a table of named ones."""
    if get_origin(annotation) is UnionType:  # a table that need not be there
        return next((found for found in map(item_model, get_args(annotation)) if found[0] is not None), (None, False))
    if get_origin(annotation) is dict:
        return item_model(get_args(annotation)[1])[0], True
    if get_origin(annotation) is tuple:  # a list of tables
        return item_model(get_args(annotation)[0])[0], False
    if isinstance(annotation, type) and issubclass(annotation, Model):
        return annotation, False
    return None, False


def _default(key: str, field: FieldInfo, in_ground: bool) -> str:
    if field.is_required():
        return "by kind" if in_ground and key != "kind" else "required"
    value = field.get_default(call_default_factory=True)
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "none"
    if isinstance(value, tuple):
        return ", ".join(item if isinstance(item, str) else f"{item:g}" for item in value)
    return f"{value:g}" if isinstance(value, int | float) else f'"{value}"'


def _key_rows(model: type[Model], before: str) -> list[str]:
    rows: list[str] = []
    for key, field in model.model_fields.items():
        inner, named = item_model(field.annotation)
        if inner is not None:
            rows += _key_rows(inner, f"{before}{key}.{'NAME.' if named else ''}")
            continue
        sentence = (field.description or "").replace("|", "\\|")
        rows.append(f"| `{before}{key}` | {unit_of(key)} | {_default(key, field, model is Ground)} | {sentence} |")
    return rows


def describe_keys() -> str:
    """All keys of ``job.toml`` and what each kind of ground sets, as two Markdown tables drawn from the models."""
    lines = ["| key | unit | default | what it is |", "| --- | --- | --- | --- |", *_key_rows(Job, ""), ""]
    lines += [
        "| kind of ground | depth_mm | joints | leads | no_dig | keep_off_m "
        "| lamp_clear_m | joint_clear_m | driver_clear_m |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for kind in GROUND_KINDS:
        ground = Ground.model_validate({"kind": kind, "per_m": 0})
        flags = " | ".join("yes" if flag else "no" for flag in (ground.joints, ground.leads, ground.no_dig))
        distances = (ground.keep_off_m, ground.lamp_clear_m, ground.joint_clear_m, ground.driver_clear_m)
        lines.append(
            f"| {kind} | {ground.depth_mm:g} | {flags} | {' | '.join(f'{metres:g}' for metres in distances)} |"
        )
    return "\n".join(lines) + "\n"
