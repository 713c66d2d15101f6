"""What a calibration certificate says, as data.

The content follows ISO/IEC 17025:2017, clause 7.8, as far as it applies to a maker or a shop that calibrates its own
testers; `CLAUSES` tells which entry answers which point, and `NOT_APPLIED` which points do not apply and why. No
accreditation is claimed, and the certificate says so.

Errors are indication minus reference. Expanded uncertainties have k = 2. Conformity is stated by the decision rule
that verdicts follow (JCGM 106:2012, clause 8): pass where the probability of conformity is at least 95 %, fail where
it is at most 5 %, undecided between.
"""

import datetime
import math
import re
from dataclasses import dataclass

from probecore.conformance import within
from probeledger.errors import InputError
from probeledger.rounding import COVERAGE_FACTOR

__all__ = [
    "CLAUSES",
    "DECISION_RULE",
    "DISCLAIMERS",
    "NOT_APPLIED",
    "SPECIFICATIONS",
    "Adjustment",
    "BudgetLine",
    "Certificate",
    "Conditions",
    "Item",
    "Party",
    "RANGES",
    "Result",
    "Specification",
    "UsedReference",
]

RANGES = ("low", "high", "isolation")

PASS_PROBABILITY, FAIL_PROBABILITY = 0.95, 0.05

DECISION_RULE = (
    "Pass where the probability that the error is within the limit is at least 95 %, fail where it is at most 5 %, "
    "undecided between (JCGM 106:2012; normal distribution with the stated uncertainty). A pass carries a risk of at "
    "most 5 % that the error is larger."
)

DISCLAIMERS = (
    "This is the record of a comparison made by the party named above. No accreditation is claimed: no accreditation "
    "body has assessed it.",
    "The results relate only to the tester named, as it was, on the days and in the conditions stated.",
    "Uncertainties are expanded ones, k = 2, about 95 % for a normal distribution; they hold for the time of the "
    "calibration and leave out later drift.",
    "It says nothing of electrical safety. The tester is not rated for mains, and its isolation check at 3.3 V is not "
    "an insulation test.",
    "It may be copied in full only, unless the party that issued it agrees otherwise.",
)

# Point of ISO/IEC 17025:2017 -> entries of the document that answer it.
CLAUSES = {
    "7.8.2.1 a title": ("title",),
    "7.8.2.1 b laboratory": ("laboratory.name", "laboratory.address"),
    "7.8.2.1 c place": ("place",),
    "7.8.2.1 d identification": ("number", "end_mark"),
    "7.8.2.1 e customer": ("customer.name",),
    "7.8.2.1 f method": ("method",),
    "7.8.2.1 g item": ("item.tester", "item.description", "item.condition"),
    "7.8.2.1 i date of the activity": ("begun", "ended"),
    "7.8.2.1 j date of issue": ("issued",),
    "7.8.2.1 l relates only to the item": ("disclaimers",),
    "7.8.2.1 m results with units": ("as_found",),
    "7.8.2.1 n departures from the method": ("departures",),
    "7.8.2.1 o who authorises": ("authorised_by",),
    "7.8.4.1 a uncertainty": ("as_found", "coverage_factor"),
    "7.8.4.1 b conditions": ("conditions.celsius_low", "conditions.celsius_high"),
    "7.8.4.1 c traceability": ("references", "traceability"),
    "7.8.4.1 d before and after adjustment": ("as_found", "as_left", "adjustment"),
    "7.8.4.1 e and 7.8.6 conformity": ("decision_rule", "specifications"),
}
NOT_APPLIED = {
    "7.8.2.1 h date of receipt": "the tester belongs to the party that calibrates it, or the date stands in `received`",
    "7.8.2.1 k and 7.8.5 sampling": "one item is calibrated; nothing is sampled",
    "7.8.2.1 p results from external providers": "there are none; the references have certificates of their own",
    "7.8.4.1 f and 7.8.7 opinions": "none are given",
    "7.8.4.3 interval": "a next date stands on it only where the owner has agreed to it",
}

# Safe in a file name, on a page's margin and in a style sheet.
_NUMBER = re.compile(r"[A-Za-z0-9][A-Za-z0-9._/-]{0,39}")


@dataclass(frozen=True)
class Specification:
    """Largest error allowed in one range: a share of the value plus ohms."""

    range: str
    share: float
    fixed_ohms: float = 0.0

    def allowed_ohms(self, ohms: float) -> float:
        """Return the largest error allowed at a resistance [ohm].

        >>> round(Specification("low", 0.0003, 0.05).allowed_ohms(1000.0), 3)
        0.35
        """
        return self.share * ohms + self.fixed_ohms


# What this tester is made to keep; for the maker to change.
SPECIFICATIONS = (
    Specification("low", 0.0003, 0.05),
    Specification("high", 0.003),
    Specification("isolation", 0.05),
)


@dataclass(frozen=True)
class Party:
    """A person or a firm."""

    name: str
    address: str = ""


@dataclass(frozen=True)
class Item:
    """What was calibrated; condition: as it came."""

    tester: str
    description: str
    firmware: str
    condition: str


@dataclass(frozen=True)
class UsedReference:
    """A reference resistor at the time of use [ohm]; certificate: number and date, None where it has none."""

    name: str
    ohms: float
    expanded_ohms: float
    certificate: str | None
    date: datetime.date | None = None


@dataclass(frozen=True)
class Conditions:
    """Surroundings of the measurement; humidity [%] where it was read."""

    celsius_low: float
    celsius_high: float
    u_celsius: float
    tester_celsius: float | None = None
    humidity_percent: float | None = None


@dataclass(frozen=True)
class Result:
    """One line of results: what the tester indicated on a reference [ohm].

    range: low, high or isolation; u_error_ohms: standard uncertainty of the error, reference and indication together;
    limit_ohms: largest error allowed either way.
    """

    range: str
    reference_ohms: float
    indicated_ohms: float
    u_error_ohms: float
    limit_ohms: float

    @property
    def error_ohms(self) -> float:
        """Return indication minus reference [ohm]."""
        return self.indicated_ohms - self.reference_ohms

    @property
    def expanded_ohms(self) -> float:
        """Return the expanded uncertainty of the error, k = 2 [ohm]."""
        return COVERAGE_FACTOR * self.u_error_ohms

    @property
    def probability_conforming(self) -> float:
        """Return the probability that the error is within the limit."""
        return float(within(-self.limit_ohms, self.limit_ohms, self.error_ohms, self.u_error_ohms))

    @property
    def statement(self) -> str:
        """Return pass, fail or undecided, by the decision rule."""
        if self.probability_conforming >= PASS_PROBABILITY:
            return "pass"
        return "fail" if self.probability_conforming <= FAIL_PROBABILITY else "undecided"


@dataclass(frozen=True)
class Adjustment:
    """A change of coefficients: ids of the sets, and one line for each coefficient that tells it before and after."""

    before: str | None
    after: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class BudgetLine:
    """One line of the uncertainty budget: its part of the standard uncertainty [ohm], and degrees of freedom."""

    name: str
    u_ohms: float
    degrees_of_freedom: float = math.inf


@dataclass(frozen=True)
class Certificate:
    """A whole certificate.

    number: unique; begun, ended: days of the measurement; received: day on which the tester came, None where it is
    one's own; as_left: results after the adjustment, empty where nothing was adjusted; budget: for `budget_ohms`;
    next_agreed: next date, only where the owner agreed to one; departures: from the method, "none" for none.
    """

    number: str
    issued: datetime.date
    begun: datetime.date
    ended: datetime.date
    laboratory: Party
    place: str
    customer: Party
    item: Item
    method: str
    references: tuple[UsedReference, ...]
    conditions: Conditions
    as_found: tuple[Result, ...]
    as_left: tuple[Result, ...]
    adjustment: Adjustment | None
    budget_ohms: float
    budget: tuple[BudgetLine, ...]
    authorised_by: str
    specifications: tuple[Specification, ...] = SPECIFICATIONS
    received: datetime.date | None = None
    departures: str = "none"
    next_agreed: datetime.date | None = None
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a certificate that would be wrong or incomplete."""
        if not _NUMBER.fullmatch(self.number):
            raise InputError(
                f"The certificate's number {self.number[:60]!r} has to be 1 to 40 letters, digits and . _ / - only."
            )
        for name, text in (
            ("the laboratory's name", self.laboratory.name),
            ("the laboratory's address", self.laboratory.address),
            ("the place", self.place),
            ("the customer's name", self.customer.name),
            ("the tester's id", self.item.tester),
            ("the item's description", self.item.description),
            ("the item's condition", self.item.condition),
            ("the method", self.method),
            ("the departures from the method", self.departures),
            ("who authorises it", self.authorised_by),
        ):
            if not text.strip():
                raise InputError(f"The certificate {self.number} lacks {name}; fill it in.")
        if not self.begun <= self.ended <= self.issued:
            raise InputError(
                f"The certificate {self.number} was begun on {self.begun}, ended on {self.ended} and issued on "
                f"{self.issued}; these days have to follow each other."
            )
        if not self.as_found or not self.references:
            raise InputError(
                f"The certificate {self.number} has no results as found, or no references; both are needed."
            )
        if bool(self.as_left) != (self.adjustment is not None):
            raise InputError(
                f"The certificate {self.number} needs results as left where the tester was adjusted, and only there."
            )
        if self.next_agreed is not None and self.next_agreed <= self.ended:
            raise InputError(
                f"The certificate {self.number}: the next date {self.next_agreed} is not after {self.ended}."
            )
        for result in (*self.as_found, *self.as_left):
            numbers = (result.reference_ohms, result.indicated_ohms, result.u_error_ohms, result.limit_ohms)
            if result.range not in RANGES:
                raise InputError(
                    f"The certificate {self.number} has a result in the range {result.range[:20]!r}; "
                    f"known: {', '.join(RANGES)}."
                )
            allowed = self.specification(result.range).allowed_ohms(result.reference_ohms)
            if not math.isclose(result.limit_ohms, allowed, rel_tol=1e-9):
                raise InputError(
                    f"The certificate {self.number} has a limit of {result.limit_ohms:g} ohm at "
                    f"{result.reference_ohms:g} ohm, where its specification allows {allowed:g}."
                )
            if not all(map(math.isfinite, numbers)) or result.u_error_ohms <= 0 or result.limit_ohms <= 0:
                raise InputError(
                    f"The certificate {self.number}: a result at {result.reference_ohms:g} ohm has an uncertainty of "
                    f"{result.u_error_ohms:g} and a limit of {result.limit_ohms:g} ohm; both must be above zero."
                )

    def specification(self, range_name: str) -> Specification:
        """Return the specification of a range. Raises InputError where there is none."""
        for each in self.specifications:
            if each.range == range_name:
                return each
        raise InputError(f"The certificate {self.number} has no specification for the range {range_name}; add one.")

    @property
    def results(self) -> tuple[Result, ...]:
        """Return the results that hold from now on: as left, or as found where nothing was adjusted."""
        return self.as_left or self.as_found

    @property
    def u_budget_ohms(self) -> float:
        """Return the budget's combined standard uncertainty [ohm]."""
        return math.sqrt(math.fsum(line.u_ohms**2 for line in self.budget))

    @property
    def statement(self) -> str:
        """Return the statement of the whole: fail where any result fails, pass where all pass."""
        statements = {result.statement for result in self.results}
        if "fail" in statements:
            return "fail"
        return "undecided" if "undecided" in statements else "pass"

    @property
    def traceability(self) -> str:
        """Return the sentence on metrological traceability."""
        without = [each.name for each in self.references if each.certificate is None and each.ohms > 1.0]
        if not without:
            return "Traceable to the SI through the certificates of the references listed, as far as these are."
        if len(without) == sum(each.ohms > 1.0 for each in self.references):
            return "No reference has a certificate: no traceability to the SI is claimed."
        return f"Traceable to the SI through the certificates listed, except at: {', '.join(without)} (no certificate)."
