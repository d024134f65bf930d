"""A small job and its survey as text, for tests to spoil. All prices are invented."""

from optimiser.job import Job
from optimiser.problems import BadInput
from optimiser.read_job import read_job
from optimiser.survey import Survey, read_survey

JOB = """\
title = "Small garden"
currency = "EUR"

[grounds]
lawn = { per_m = 8 }
bed = { per_m = 6 }
paving = { per_m = 30 }
pond = {}
pool = {}
wall = { kind = "no_dig" }

[zones]
house = { ground = "wall" }

[sleeves]
duct = { capacity = 2 }

[lamps]
spike = { watts = 5, volts = 12 }
post = { watts = 10, volts = 12, terminals = true }
float = { watts = 2, volts = 12, submersible = true }
flood = { watts = 20, volts = 24 }

[cables]
thin = { mm2 = 1.5, price_per_m = 1.2 }
thick = { mm2 = 4, price_per_m = 3.1 }

[drivers]
small = { taps_v = [12], rated_w = 60, limit_a = 6, price = 80 }

[supplies]
S1 = { price = 20 }

[joints.kits]
three = { max_ways = 3, price = 6 }
"""

HEADER = "point,kind,of,x,y,z,group,ring,stem_mm\n"
SURVEY = HEADER + "S1,supply,,0,0,,,,\nL1,lamp,spike,4,3,,,,\nL2,lamp,spike,8,3.5,,,,\n"


def job(text: str = JOB) -> Job:
    return read_job(text.encode(), "job.toml")


def survey(text: str, job_text: str = JOB) -> Survey:
    return read_survey(text.encode(), "survey.csv", job(job_text))


def complaint(text: str | bytes, job_text: str = JOB) -> str:
    """Whole text of the problems that a survey shows; empty where it has none."""
    data = text if isinstance(text, bytes) else text.encode()
    try:
        read_survey(data, "survey.csv", job(job_text))
    except BadInput as error:
        return str(error)
    return ""
