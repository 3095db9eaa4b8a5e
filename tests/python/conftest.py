"""Recordings that several tests share."""

from pathlib import Path

import pytest
import quietspin as qs

SAMPLES = Path(__file__).resolve().parents[2] / "samples" / "recordings"


def sample(name: str) -> qs.Recording:
    """Read a sample with its machine file."""
    return qs.read(SAMPLES / f"{name}.wav", machine=SAMPLES / f"{name}.machine.toml")


@pytest.fixture(scope="session")
def imbalanced() -> qs.Recording:
    return sample("imbalanced")
