"""Every setting of a job. In: parsed TOML tables. Out: Job, frozen models, and the keys in words."""

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
from .quote import Quote
from .schedule import Mains, Moment, Place, Schedule

__all__ = [
    "TRUNK_STRIP",
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
    "Quote",
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
