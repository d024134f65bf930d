"""The examples in the docstrings of the electrics run as written."""

import doctest
import importlib
import pkgutil

import pytest

import optimiser.electrics

MODULES = [f"optimiser.electrics.{module.name}" for module in pkgutil.iter_modules(optimiser.electrics.__path__)]


@pytest.mark.parametrize("name", MODULES)
def test_examples(name: str) -> None:
    assert doctest.testmod(importlib.import_module(name)).failed == 0
