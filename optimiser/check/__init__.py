"""The check: a hand that did not make the plan. In: Plan, Job, Survey. Out: Report.

It imports neither ground, search nor electrics, and has its own settled ground, its own money and its own network.
"""

from .judge import check_plan
from .read_plan import check_folder, read_plan
from .report import Finding, Report

__all__ = ["Finding", "Report", "check_folder", "check_plan", "read_plan"]
