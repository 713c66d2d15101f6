"""The error of a part that does not answer, or answers what it should not."""

from probecore.errors import ProbeError


class PartError(ProbeError):
    """A chip on the board failed: `code` names part and failure, `message` says what was seen and what to check."""
