"""What tests share: where the cases lie, and where the public instances lie when somebody has them.

The public benchmark instances are not part of the project. ``LAMPSPUR_INSTANCES`` names the folder that holds them;
tests that need them are skipped, with that said, where it is not set.
"""

import os
from collections import defaultdict
from pathlib import Path

import pytest

# Several threads for matrices of a few rows only wait for one another where each core has a test of its own: reading
# orchard's ground took 4.0 processor seconds with two and 1.4 with one. It is read when numpy is loaded, which
# nothing above does.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

ROOT = Path(__file__).resolve().parents[1]
CASES = ("terrace", "courtyard", "orchard", "riverside")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """
    Let no process begin a long test when the others have nothing left to do.

    Each of two processes begins with one half of the list, in order, and takes from the end of the other's when its
    own is done (``--dist worksteal``). So each half begins with the modules of few tests, which are the long ones, and
    ends with those of many short ones. The tests of a module stay together, for what they share.
    """
    if "PYTEST_XDIST_WORKER" not in os.environ:
        return
    modules: defaultdict[Path, list[pytest.Item]] = defaultdict(list)
    for item in items:
        modules[item.path].append(item)
    ordered = sorted(modules.values(), key=len)
    items[:] = [item for half in (ordered[::2], ordered[1::2]) for module in half for item in module]


@pytest.fixture(scope="session", autouse=True)
def shared_plans(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> None:
    """Give all processes of a run one folder for the plans of the demo sites, removed with the run's others."""
    from tests.case_plans import Shared  # loads numpy

    own = tmp_path_factory.getbasetemp()  # that of a worker of pytest-xdist lies in that of the run
    Shared.folder = own if worker_id == "master" else own.parent


@pytest.fixture(scope="session")
def cases() -> Path:
    """Return the folder of the demo sites."""
    return ROOT / "cases"


@pytest.fixture(scope="session")
def instances() -> Path:
    """Return the folder of the public instances, or skip."""
    named = os.environ.get("LAMPSPUR_INSTANCES")
    if not named:
        pytest.skip("LAMPSPUR_INSTANCES does not name a folder of public instances")
    folder = Path(named)
    if not folder.is_dir():
        pytest.skip(f"LAMPSPUR_INSTANCES names {named}, which is no folder")
    return folder
