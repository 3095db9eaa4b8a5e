"""Recordings that several tests share."""

import os
from pathlib import Path

import pytest
import quietspin as qs

SAMPLES = Path(__file__).resolve().parents[2] / "samples" / "recordings"


def data_folder() -> Path | None:
    """Return the folder of open recordings, where QUIETSPIN_DATA names one; empty means not set."""
    named = os.environ.get("QUIETSPIN_DATA")
    if not named:
        return None
    if not Path(named).is_dir():
        raise NotADirectoryError(f"QUIETSPIN_DATA names {named}, which is no folder")
    return Path(named)


def sample(name: str) -> qs.Recording:
    """Read a sample with its machine file."""
    return qs.read(SAMPLES / f"{name}.wav", machine=SAMPLES / f"{name}.machine.toml")


@pytest.fixture(scope="session")
def imbalanced() -> qs.Recording:
    return sample("imbalanced")
