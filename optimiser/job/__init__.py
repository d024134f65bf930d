"""Every setting of a job. In: parsed TOML tables. Out: Job, frozen models, and the keys in words."""

from .alternatives import Alternative
from .base import Model
from .describe import describe_keys, item_model
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
from .schedule import Mains, Moment, Place, Schedule

__all__ = [
    "TRUNK_STRIP",
    "Alternative",
    "Cable",
    "Driver",
    "Fuses",
    "Ground",
    "GroundKind",
    "Job",
    "Joints",
    "Kit",
    "LampType",
    "Mains",
    "Model",
    "Moment",
    "Place",
    "Rules",
    "Schedule",
    "Slack",
    "SleeveSetting",
    "Supply",
    "TreeRule",
    "Voltage",
    "ZoneSetting",
    "describe_keys",
    "item_model",
]
