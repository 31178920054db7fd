"""Deliberate faults in core functions: the tests that guard each function must notice its fault."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from at_length import sample
from mutations import FAULTS, Fault, make, trying

Tried = Callable[[str | None], tuple[int, str]]


@pytest.fixture(scope="module")
def tried() -> Iterator[Tried]:
    with trying() as outcome:
        yield outcome


@pytest.mark.parametrize("fault", sample(FAULTS[::3], FAULTS), ids=lambda fault: fault.name.replace(" ", "-"))
def test_a_fault_in_a_core_function_is_noticed(tried: Tried, fault: Fault) -> None:
    code, told = tried(fault.name)
    assert code == 1 and "failed" in told.lower(), f"{fault.places}: {fault.name}: {told}"


def test_a_fault_whose_function_is_gone_is_told() -> None:
    with pytest.raises(ValueError, match="no longer there"):
        make(Fault(name="", places=("guide.best:nothing",), wrong=lambda right: right(), tests=()))
