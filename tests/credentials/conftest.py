"""Two invented schools with keys, a certificate and a status list each; all dated, so that no test depends on today."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from credentials.school import School
from credentials.school import school as make_school

from blowergrade.credentials import keys
from blowergrade.credentials.issuer import IssuerFolder


@pytest.fixture(scope="session", autouse=True)
def _cheap_passphrases() -> Iterator[None]:
    """Guessing a passphrase is made cheap here, since hundreds are tried; `test_keys` checks the real cost."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(keys, "COST", 1 << 10)
        yield


@pytest.fixture(scope="session")
def school(tmp_path_factory: pytest.TempPathFactory) -> School:
    """The school whose certificates are checked; a test changes nothing in its folder."""
    return make_school(tmp_path_factory.mktemp("school") / "issuer", "https://ashbrook.example/issuer", "Ashbrook Trade School")


@pytest.fixture(scope="session")
def rival(tmp_path_factory: pytest.TempPathFactory) -> School:
    """Another school, honest but not the one."""
    return make_school(tmp_path_factory.mktemp("rival") / "issuer", "https://millbrook.example/issuer", "Millbrook Institute")


@pytest.fixture
def folder(school: School, tmp_path: Path) -> IssuerFolder:
    """A copy of the school's issuer folder that a test may change."""
    shutil.copytree(school.folder.root, tmp_path / "issuer")
    return IssuerFolder(tmp_path / "issuer")
