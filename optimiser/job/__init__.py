"""Every setting of a job. In: parsed TOML tables. Out: Job, frozen models, and the keys in words."""

from .alternatives import Alternative
from .base import Model
from .describe import describe_keys, item_model
from .measuring import Dxf, DxfBlock, DxfLayer, GridPosition, Measuring
from .model import (
    TRUNK_STRIP,
    Cable,
    Driver,
    Fuses,
    Ground,
    GroundKind,
    Job,
    Joints,
    Kit,
    LampType,
    Rules,
    Slack,
    SleeveSetting,
    Supply,
    TreeRule,
    Voltage,
    ZoneSetting,
)
from .quote import Quote
from .schedule import Mains, Moment, Place, Schedule
from .tolerances import Tolerances

__all__ = [
    "TRUNK_STRIP",
    "Alternative",
    "Cable",
    "Driver",
    "Dxf",
    "DxfBlock",
    "DxfLayer",
    "Fuses",
    "GridPosition",
    "Ground",
    "GroundKind",
    "Job",
    "Joints",
    "Kit",
    "LampType",
    "Mains",
    "Measuring",
    "Model",
    "Moment",
    "Place",
    "Quote",
    "Rules",
    "Schedule",
    "Slack",
    "SleeveSetting",
    "Supply",
    "Tolerances",
    "TreeRule",
    "Voltage",
    "ZoneSetting",
    "describe_keys",
    "item_model",
]
