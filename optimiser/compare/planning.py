"""One alternative, planned and checked. In: Variant, how to search. Out: Outcome: a plan, or why it has none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..ground import Ground
from ..make_plan import Made, Options, make_whole
from ..plan.model import Plan
from ..problems import BadInput, NoFeasibleLayout, Obstacle, StoppedBeforeLayout
from ..search.layout import Layout
from ..search.stopping import StopSignal
from ..search.warm import Warm
from .alternatives import Variant
from .model import Status
from .workers import Undone


@dataclass(frozen=True, eq=False)
class PlanTask:
    variant: Variant
    options: Options
    warm: tuple[Warm, ...] = ()


@dataclass(frozen=True, eq=False)
class Outcome:
    """``plan``, ``ground`` and ``layout`` are there together, or ``why`` is."""

    status: Status
    plan: Plan | None = None
    ground: Ground | None = None
    layout: Layout | None = None
    why: tuple[str, ...] = ()

    @property
    def made(self) -> Made | None:
        if self.plan is None or self.ground is None or self.layout is None:
            return None
        return Made(self.plan, self.ground, self.layout)


def plan_variant(task: PlanTask, stop: StopSignal) -> Outcome:
    """What ``lampspur plan`` would find for it; an alternative that cannot be had is an answer, never an error."""
    try:
        made = make_whole(task.variant.folder, task.options, stop=stop, warm=task.warm)
    except BadInput as error:
        return Outcome("unusable", why=tuple(f"{problem.field}: {problem.found}" for problem in error.problems))
    except NoFeasibleLayout as error:
        status: Status = "no_feasible_layout" if error.proven else "no_layout_found"
        return Outcome(status, why=tuple(_why(obstacle, proven=error.proven) for obstacle in error.obstacles))
    except StoppedBeforeLayout:
        return Outcome("stopped", why=("Stopped before any layout was found.",))
    return Outcome("planned", made.plan, made.ground, made.layout)


def outcome_of(result: Outcome | Undone) -> Outcome:
    """What a crew gave for it; what was not done is told as that."""
    return Outcome(result.why, why=(result.says,)) if isinstance(result, Undone) else result


def _why(obstacle: Obstacle, *, proven: bool) -> str:
    """An obstacle with its reason and its mends, as ``lampspur plan`` tells them, in one paragraph."""
    said = " ".join(filter(None, [_sentence(obstacle.what), obstacle.detail]))
    if not obstacle.mends:
        return said
    mends = "Any one of these removes this obstacle" if proven else "What may help"
    return f"{said} {mends}: {'; '.join(obstacle.mends)}."


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:].rstrip(".") + "."


def plan_folder_name(names: Sequence[str]) -> list[str]:
    """A folder for each alternative: its number and what of its name any system can hold."""
    made = []
    for i, name in enumerate(names, start=1):
        plain = "".join(char if char.isascii() and char.isalnum() else "-" for char in name.lower())
        made.append("-".join([str(i), *(part for part in plain.split("-") if part)])[:50])
    return made
