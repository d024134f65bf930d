"""Whether the reader is warned of what he must be. In: Index, Lines. Out: cases.

A warning counts where it names the thing it is about; how it is worded is not judged. So it is with what the survey's
reader noted: the check reads the survey by the same reader, and a plan of another version, which says the same of the
same things in other words, is as good. A note that names nothing must stand word for word: nothing else tells it.
"""

from __future__ import annotations

import math
import re

import numpy as np
from shapely import LineString, Point

from ..survey.model import Lamp
from .index import Index
from .limits import PLACE_M
from .report import Book
from .routes import Lines

SHALLOW_MM, HEAVY_PCT = 150, 70
"""Trenches less deep, and drivers, timers or dimmers loaded more whose start nobody states, want a word."""


def judge_warnings(index: Index, lines: Lines, book: Book) -> None:
    job, plan = index.job, index.plan
    said = [warning.lower() for warning in plan.warnings]

    def warns(where: str, of: str, *words: str) -> None:
        found = any(all(word.lower() in text for word in words) for text in said)
        book.claim("warnings", where, found, f"{of}, and no warning says so")

    dug = [(trench, job.grounds[trench.ground].kind) for trench in plan.trenches if trench.sleeve is None]
    if any(kind == "root" for _, kind in dug):
        warns("roots", "trenches lie in root ground", "root")
    if any(trench.depth_mm < SHALLOW_MM and kind not in ("root", "mulch") for trench, kind in dug):
        warns("depth", f"trenches are less than {SHALLOW_MM} mm deep", f"{SHALLOW_MM} mm")
    for mains in index.survey.mains:
        line = LineString([place[:2] for place in mains.route])
        if any(cable.intersects(line) for cable in lines.cables.values()):
            warns(mains.name, f"cables cross mains line {mains.name}", "mains", mains.name)
    for driver in plan.drivers:
        model = index.model_of(driver.id)
        if model.kind == "electronic" and model.limit_a is None and model.mode != "none":
            warns(driver.id, f"the job states no limit_a for the {driver.model}", driver.model, "limit_a")
        if driver.load_pct > HEAVY_PCT and driver.start_a is None and driver.start_uf is None:
            of = f"{driver.id} carries {driver.load_pct:.0f} % and nobody states what its lamps draw at the start"
            warns(driver.id, of, driver.model, driver.supply, "start")
    for lamp in index.survey.lamps:
        zones = _dug_nowhere(index, lamp)
        names = [zone.lower() for zone in zones]
        told = [text for text in said if "inside" in text]
        named = any(lamp.name.lower() in text or (" more " in text and any(z in text for z in names)) for text in told)
        text = f"lamp {lamp.name} stands inside {', '.join(zones)}, and no warning says so"
        book.claim("warnings", lamp.name, named or not zones, text)
    for supply, load_pct in _switched(index):
        of = f"the timer or dimmer at {supply} carries {load_pct:.0f} % and nobody states what it switches on"
        warns(supply, of, supply, "timer or dimmer")
    if plan.running is not None and plan.running.nights == 0:
        warns("schedule", "the schedule lights no night", "schedule")
    assumed = {model.limit_assumed(name) for name, model in job.drivers.items()}  # of the drivers used: see above
    notes = [note for note in index.survey.notes if note not in assumed]
    for note, found in zip(notes, _said(notes, plan.warnings), strict=True):
        book.claim("warnings", "survey", found, f"the survey and the job show that {note}, and no warning says so")


def _said(notes: list[str], warnings: list[str]) -> list[bool]:
    """
    Whether each note is among the warnings: as it is, else with the same names and numbers in other words.

    No warning stands for two notes: of two about the same lamps, both must be there.
    """
    reworded = [note for note in notes if note not in warnings]
    left = [warning for warning in warnings if warning not in notes]
    if not reworded or not left:
        return [note in warnings for note in notes]
    from scipy.sparse import csr_array  # hardly ever needed
    from scipy.sparse.csgraph import maximum_bipartite_matching

    may = csr_array([[_names_the_same(warning, note) for warning in left] for note in reworded], dtype=np.int8)
    taken = dict(zip(reworded, maximum_bipartite_matching(may, perm_type="column").tolist(), strict=True))
    return [taken.get(note, 0) >= 0 for note in notes]


def _names_the_same(warning: str, note: str) -> bool:
    """Whether the warning holds every name (in quotation marks) and number of a note; no, where there are none."""
    things = re.findall("'([^']+)'", note) + re.findall(r"\d+(?:\.\d+)?", re.sub("'[^']*'", " ", note))
    return bool(things) and all(
        re.search(rf"(?<![\w.]){re.escape(thing)}(?![\w]|\.\d)", warning, re.IGNORECASE) for thing in things
    )


def _dug_nowhere(index: Index, lamp: Lamp) -> list[str]:
    """Zones, trunks and roots by name that a lamp stands in where nothing is dug; water apart."""
    place, found = Point(lamp.place[:2]), []
    for zone in index.survey.zones:
        ground = index.job.grounds[zone.ground]
        if not ground.no_dig or ground.is_water or not zone.polygon.contains(place):
            continue
        least_m = index.job.trees.strip_m if zone.of == "trunk" else index.job.rules.border_tolerance_m
        if zone.polygon.boundary.distance(place) > least_m + PLACE_M:
            found.append(zone.name if zone.of == "survey" else zone.name.removesuffix(f" {zone.of}"))
    return found


def _switched(index: Index) -> list[tuple[str, float]]:
    """Supply points whose timer or dimmer is well loaded while what it has to start is not stated, and per cent."""
    found = []
    for point in index.plan.mains.supplies if index.plan.mains is not None else ():
        setting = index.job.supply(point.supply)
        timer_va = math.inf if setting.timer_a is None else setting.timer_a * index.job.mains.volts
        most_va = min(timer_va, math.inf if setting.dimmer_va is None else setting.dimmer_va)
        models = [index.model_of(driver.id) for driver in index.plan.drivers if driver.supply == point.supply]
        stated = setting.inrush_a is not None and all(model.inrush_a is not None for model in models)
        load_pct = 100 * point.va / most_va
        if load_pct > HEAVY_PCT + 0.1 and not stated:  # printed to 0.01 VA
            found.append((point.supply, load_pct))
    return found


__all__ = ["judge_warnings"]
