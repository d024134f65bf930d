"""A site where nothing counts but trench: one ground, cable next to free, no limit that binds. In: points. Out:
JobFolder.

Adapter for public Steiner instances: lamps at all points but the first, the supply point there. Zones may be added,
solid (no-dig) or of a dearer price.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from optimiser.job_folder import JobFolder, digest_of
from optimiser.read_job import read_job
from optimiser.survey import read_survey

_HEAD = """title = "plain ground"
base_ground = "lawn"
[voltage]
max_drop = "off"
[slack]
per_cent = 0
joint_end_m = 0
driver_end_m = 0
[rules]
border_tolerance_m = 0
[lamps.spot]
watts = 0.001
volts = 12
window_v = [1, 30]
lead_m = 1
aim_reserve_m = 0.65
exit_height_m = 0
[cables.thin]
mm2 = 16
price_per_m = 0.0001
reels_m = [100000]
rating_a = 80
[drivers.box]
taps_v = [12]
rated_w = 100
limit_a = 9
limit_mode = "hiccup"
short_rms_a = 1
terminal_mm2 = 16
terminal_cables = 8
price = 0
[joints]
end_ohm = 0
[joints.kits.any]
max_ways = 12
max_mm2 = 16
price = 0
[grounds.lawn]
per_m = 1
depth_mm = 200
"""
# lead 1 m - aim 0.65 - depth 0.2 - tail 0.15 = reach 0: every joint stands where its lamp does


def plain_ground(
    points: np.ndarray, zones: Sequence[tuple[float | None, np.ndarray]] = (), *, title: str = "plain ground"
) -> JobFolder:
    """
    A job on these points.

    Parameters
    ----------
    points
        (n, 2) terminals in m; the first is the supply point.
    zones
        (price of a metre, or None for no-dig; (k, 2) corners) of each polygon.
    """
    job = io.StringIO()
    job.write(_HEAD.replace("plain ground", title))
    job.write('[grounds.solid]\nkind = "no_dig"\nkeep_off_m = 0\n')
    survey = io.StringIO()
    survey.write("point,kind,of,x,y\n")
    for i, (price, corners) in enumerate(zones):
        ground = "solid"
        if price is not None:
            ground = f"dear{i}"
            job.write(f'[grounds.{ground}]\nkind = "lawn"\nper_m = {price!r}\n')
        job.write(f'[zones.zone{i}]\nground = "{ground}"\n')
        for x, y in corners:
            survey.write(f",corner,zone{i},{x:.4f},{y:.4f}\n")
    for i, (x, y) in enumerate(points):
        survey.write(f"S,supply,,{x:.4f},{y:.4f}\n" if i == 0 else f"L{i},lamp,spot,{x:.4f},{y:.4f}\n")
    return folder_of(job.getvalue(), survey.getvalue())


def folder_of(job: str, survey: str) -> JobFolder:
    """A job folder that lies nowhere: these two texts as its files."""
    job_data, survey_data = job.encode(), survey.encode()
    settled = read_job(job_data, "job.toml", {})
    return JobFolder(
        path=Path(),
        job=settled,
        survey=read_survey(survey_data, "survey.csv", settled),
        digest=digest_of(job_data, survey_data, {}),
        files={"job.toml": job_data, "survey.csv": survey_data},
        overrides={},
    )
