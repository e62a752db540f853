"""What the dialects have in common: how a server lets us in, and the mark of a transaction that will write."""

from dataclasses import dataclass, field
from pathlib import Path

WRITING = "linklag_writing"  # execution option of an engine whose transactions write: nobody else writes beside them


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """What is shown to a database server. A file of SQLite asks for none of it."""

    password: str | None = field(default=None, repr=False)
    tls: bool = False  # encrypt, and check certificate and name of the server
    ca_file: Path | None = None  # certificates to trust (PEM)
    cert_file: Path | None = None  # certificate that we show, and its key (PEM)
    key_file: Path | None = None
