"""What a check of the archive found, and what it cannot know."""

from dataclasses import dataclass, field

__all__ = ["Finding", "LedgerState", "Verified"]


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong.

    Attributes:
        code: "file", "altered", "parsed", "key", "order", "missing", "twice", "head", "unpulled", "time", "amendment",
            "pull".
        message: in plain words; tester, ledger, sequence: of what, where it is about one.
    """

    code: str
    message: str
    tester: str | None = None
    ledger: str | None = None
    sequence: int | None = None


@dataclass
class LedgerState:
    """What was found of one ledger.

    Attributes:
        testers: that it was in; first, last, records: numbers and count of its records [1].
        head: SHA-256 of its last record; kept_head: number of the newest record that a kept head covers, or None.
        unknown: what cannot be known, in plain words.
    """

    ledger: str
    testers: tuple[str, ...]
    first: int | None = None
    last: int | None = None
    records: int = 0
    head: bytes | None = None
    kept_head: int | None = None
    unknown: list[str] = field(default_factory=list)


@dataclass
class Verified:
    """The outcome: findings (none where all holds), the ledgers, and how many records were looked at [1]."""

    findings: list[Finding] = field(default_factory=list)
    ledgers: list[LedgerState] = field(default_factory=list)
    records: int = 0

    @property
    def holds(self) -> bool:
        """Whether nothing was found."""
        return not self.findings
