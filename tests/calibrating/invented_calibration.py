"""An invented calibration of an invented tester, for the tests."""

import datetime

from probeledger.calibrating.certificate import (
    SPECIFICATIONS,
    Adjustment,
    BudgetLine,
    Certificate,
    Conditions,
    Item,
    Party,
    Result,
    UsedReference,
)

DAY = datetime.date(2026, 11, 20)
LOW_OHMS = (0.0004, 100.003, 499.98, 1000.012, 1500.02, 2000.01, 3000.05, 4000.02)
HIGH_OHMS = (10000.4, 99998.0, 300021.0, 1000150.0)


def allowed(range_name: str, ohms: float) -> float:
    return next(each for each in SPECIFICATIONS if each.range == range_name).allowed_ohms(ohms)


def result(range_name: str, ohms: float, error: float, u: float) -> Result:
    return Result(range_name, ohms, ohms + error, u, allowed(range_name, ohms))


def certificate(**changes: object) -> Certificate:
    owner = Party("Workshop of the invented town", "1 Example Street, Nowhere")
    found = [result("low", ohms, 0.06 + 4.5e-4 * ohms, 0.01 + 5e-5 * ohms) for ohms in LOW_OHMS]
    found += [result("high", ohms, 1e-3 * ohms * (1 + ohms / 1e6), 4e-4 * ohms) for ohms in HIGH_OHMS]
    found += [result("isolation", 1e6, 4000.0, 6000.0)]
    left = [result("low", ohms, -0.003 + 1e-5 * ohms, 0.01 + 5e-5 * ohms) for ohms in LOW_OHMS]
    left += [result("high", ohms, -1e-4 * ohms, 4e-4 * ohms) for ohms in HIGH_OHMS]
    left += [result("isolation", 1e6, 3900.0, 6000.0)]
    values = {
        "number": "PL-2026-0007",
        "issued": datetime.date(2026, 11, 23),
        "begun": DAY,
        "ended": DAY,
        "laboratory": owner,
        "place": "bench of the workshop",
        "customer": owner,
        "item": Item("pl-3f9a1c", "pocket tester for oven probes, revision A (invented)", "0.1.0", "no damage seen"),
        "method": "comparison with reference resistors, up and down, straight line by generalised least squares",
        "references": tuple(
            UsedReference(f"R{ohms:.0f}", ohms, 2e-5 * ohms + 1e-4, f"X-{number:04d}", datetime.date(2026, 3, 14))
            for number, ohms in enumerate((*LOW_OHMS, *HIGH_OHMS), start=1)
        ),
        "conditions": Conditions(22.6, 23.4, 0.3, 24.9, 41.0),
        "as_found": tuple(found),
        "as_left": tuple(left),
        "adjustment": Adjustment(None, "cal-20261120-1", ("offset 0 to -0.0600 Ω", "gain 1 to 0.9995502")),
        "budget_ohms": 1000.0,
        "budget": (
            BudgetLine("readings", 0.004, 19),
            BudgetLine("reference resistor and gain", 0.021),
            BudgetLine("offset", 0.006),
            BudgetLine("linearity of the ADC", 0.02),
            BudgetLine("temperature of the tester", 0.004),
            BudgetLine("input currents", 0.012),
            BudgetLine("supply between reads", 0.005),
        ),
        "authorised_by": "the maker",
        "next_agreed": datetime.date(2027, 11, 20),
    }
    values.update(changes)
    return Certificate(**values)
