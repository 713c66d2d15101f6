"""The ledger on the real littlefs in the real MicroPython: recovery, full flash, damage, power cuts."""

import pytest

CHECKS = "checks_store"


def test_store(check, on_micropython):
    on_micropython(check)


@pytest.mark.long
def test_the_power_cut_at_every_single_operation(on_micropython):
    print(on_micropython((CHECKS, "check_power_cut_at_every_operation"), settings=("STEP=1",)))
