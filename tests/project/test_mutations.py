"""Deliberate faults in core formulas: the tests that guard each formula must notice its fault."""

from __future__ import annotations

import pytest
from mutations import FAULTS, Fault, noticed


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name.replace(" ", "-"))
def test_a_fault_in_a_core_formula_is_noticed(fault: Fault) -> None:
    seen, told = noticed(fault)
    assert seen, f"{fault.file}: {fault.name}: {told}"
