"""What every test may ask for: the run's seed, a generator made from it, whether full counts are wanted."""

from __future__ import annotations

import os
import random
import secrets
import shutil
import tempfile
from collections.abc import Callable

import numpy as np
import pytest
import sampling
from hypothesis import settings

# How long an example takes says something of the machine, and nothing of what is tested.
settings.register_profile("run", deadline=None)
settings.load_profile("run")


def pytest_configure() -> None:
    """Choose seed and cache folder once, before any worker starts: they inherit them, and so collect the same tests."""
    os.environ.setdefault("BLOWER_SEED", str(secrets.randbelow(2**31)))
    if "BLOWER_CACHE" not in os.environ:  # tables are played once a run, and no run believes another one's
        os.environ["BLOWER_CACHE"] = _made["cache"] = tempfile.mkdtemp(prefix="blower-cache-")


_made: dict[str, str] = {}


def pytest_unconfigure() -> None:
    """Leave no cache folder behind; workers inherited theirs and made none."""
    for folder in _made.values():
        shutil.rmtree(folder, ignore_errors=True)


def pytest_report_header() -> str:
    return f"random seed: BLOWER_SEED={sampling.seed()}, long run: {sampling.long_run()}"


@pytest.fixture(scope="session")
def seed() -> int:
    """The run's one random seed; a failure under it comes back with BLOWER_SEED set to it."""
    return sampling.seed()


@pytest.fixture
def rng(seed: int, request: pytest.FixtureRequest) -> np.random.Generator:
    """A generator of this test's own, made from the seed and the test's name, whatever ran before it."""
    name = int.from_bytes(request.node.nodeid.encode()[-32:], "big")
    return np.random.default_rng([seed, name])


@pytest.fixture(scope="session")
def long_run() -> bool:
    """Whether full counts are asked for in place of samples."""
    return sampling.long_run()


@pytest.fixture(scope="session")
def sampled() -> Callable[[int], list[int]]:
    """`sampling.sampled`, for tests that do not import it to parametrise."""
    return sampling.sampled


@pytest.fixture(autouse=True)
def _global_random(seed: int) -> None:
    """No test depends on a generator that another one used."""
    random.seed(seed)
