"""The link to a tester, from the computer's end.

`client` speaks the protocol and `puller` fetches a ledger, both without touching a port; `transport` moves bytes;
`session` puts them together; `ports` says what is plugged in.
"""

from probeledger.link.client import Client, Hello
from probeledger.link.ports import Port, present_ports
from probeledger.link.puller import Pulled, Puller
from probeledger.link.session import Session, open_session
from probeledger.link.transport import SerialTransport, SocketTransport, Transport, open_transport

__all__ = [
    "Client",
    "Hello",
    "Port",
    "Pulled",
    "Puller",
    "SerialTransport",
    "Session",
    "SocketTransport",
    "Transport",
    "open_session",
    "open_transport",
    "present_ports",
]
