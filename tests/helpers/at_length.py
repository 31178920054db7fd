"""Tests that take a sample in the suite and everything when asked: ``python -m pytest tests/acceptance``."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from itertools import product
from typing import Any, TypeVar

import pytest

Kind = TypeVar("Kind")
AT_LENGTH = os.environ.get("FRAMEMATCH_AT_LENGTH") == "1"


def sample(every_day: Kind, at_length: Kind) -> Kind:
    """The first in the suite, the second in an acceptance run."""
    return at_length if AT_LENGTH else every_day


def crossed(*kinds: Mapping[str, Any] | Sequence[Any]) -> list[Any]:
    """For ``parametrize`` with several names: all combinations in an acceptance run; in the suite each value of each, with one of every other's."""
    named = [list(kind.items()) if isinstance(kind, Mapping) else [(str(value), value) for value in kind] for kind in kinds]
    few = [tuple(each[i % len(each)] for each in named) for i in range(max(map(len, named)))]
    return [pytest.param(*(value for _, value in one), id="-".join(name for name, _ in one)) for one in (product(*named) if AT_LENGTH else few)]
