"""What tests share: where the cases lie, and where the public instances lie when somebody has them.

The public benchmark instances are not part of the project. ``LAMPSPUR_INSTANCES`` names the folder that holds them;
tests that need them are skipped, with that said, where it is not set.
"""

import os
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
CASES = ("terrace", "courtyard", "orchard", "riverside")


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
