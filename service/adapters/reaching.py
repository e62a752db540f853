"""How a broker may be reached: with its certificate checked, and not without encryption or credentials off this machine.

Knows TLS and addresses; must not know a protocol. What all clients of a broker share.
"""

import ssl
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path

CONNECT_TIMEOUT_S = 10.0
STABLE_S = 10.0  # a connection that stood so long starts the back-off anew
RECONNECT_MIN_S = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Tls:
    """Encryption, with the broker's certificate and name checked. Files are PEM."""

    ca_file: Path | None = None  # in place of the system's
    cert_file: Path | None = None  # that we show the broker
    key_file: Path | None = None  # of cert_file, if not in the same file

    def context(self) -> ssl.SSLContext:
        """The context for connections. Raises OSError where a file cannot be read or is no certificate."""
        context = ssl.create_default_context(cafile=self.ca_file)
        if self.cert_file is not None:
            context.load_cert_chain(self.cert_file, self.key_file)
        return context


def is_loopback(host: str) -> bool:
    """Return whether a host is this machine, as far as its name says."""
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def refuse_insecure(host: str, tls: Tls | None, *, has_login: bool) -> None:
    """Raise ValueError with the fix where a broker on another machine would be reached without encryption or credentials."""
    lacks = [] if tls is not None else ["TLS is off"]
    if not has_login and (tls is None or tls.cert_file is None):
        lacks.append("there are no credentials")
    if lacks:
        raise ValueError(
            f"broker {host} is another machine and {' and '.join(lacks)}, so anyone on the way could read or "
            "forge pulses: give tls and a user name or a certificate, or accept it with allow_insecure"
        )


def words_of(fault: OSError) -> str:
    """The fault in words a person can act on."""
    if isinstance(fault, ssl.SSLCertVerificationError):
        return (
            f"its certificate is not trusted ({fault.verify_message}): give the plant's CA file, "
            "or the host name that the certificate states"
        )
    return str(fault) or type(fault).__name__
