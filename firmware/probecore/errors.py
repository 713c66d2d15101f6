"""What can go wrong in the core, by whose fault it is.

Each error has a code, which programs may test, and a message, which a person reads: what is wrong, what was seen,
what to try next.
"""


class ProbeError(Exception):
    """Base of all errors of the core: `code` (short text for programs) and `message` (one sentence for people)."""

    def __init__(self, code, message):
        """Keep the code and the sentence."""
        super().__init__(message)
        self.code = code
        self.message = message


class MisuseError(ProbeError):
    """The caller asked for something that has no meaning."""


class LinkError(ProbeError):
    """Bytes on the link that cannot be what the other end sent."""


class StoredDataError(ProbeError):
    """Stored bytes that are damaged, cut short or not ours."""


class RangeError(ProbeError):
    """A value outside the range in which an answer exists."""
