"""Where a name leads, and whether that is outside: so that nobody can make this machine call what only it can reach.

Whoever may add a route may name any host. Without this, they could have the worker talk to services on this machine and in
the plant's network that trust whoever comes from there (server-side request forgery). So every address that a name has must
be public, and the connection goes to the very address that was looked at: a name that is looked up twice may have changed.

Knows addresses; must not know what is sent.

Sources: RFC 6890 (special-purpose addresses, which `ipaddress` follows), RFC 4291 2.5.5.2 (IPv4-mapped), RFC 6052 2.1
(64:ff9b::/96), RFC 3056 (6to4), RFC 4380 (Teredo); from memory.
"""

import socket
from collections.abc import Callable, Sequence
from ipaddress import IPv4Address, IPv6Address, IPv6Network, ip_address

from service.ports import NotDeliveredError

Address = IPv4Address | IPv6Address
LookUp = Callable[[str, int], Sequence[str]]

_NAT64 = IPv6Network("64:ff9b::/96")


def look_up(host: str, port: int) -> list[str]:
    """Return the addresses of a name, in the system's order. Raises OSError."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(each[4][0]) for each in found))


def addresses(host: str, port: int, *, allow_private: bool, look_up: LookUp = look_up) -> list[str]:
    """Return the addresses that a host may be reached under. All of them must be allowed.

    Raises NotDeliveredError where the name leads nowhere, or inside.
    """
    try:
        found = list(look_up(host.strip("[]"), port))
    except (OSError, UnicodeError) as error:
        words = getattr(error, "strerror", None) or "no such name"
        raise NotDeliveredError(
            f"{host} cannot be found ({words}): correct the name, or mend the name service"
        ) from None
    if not found:
        raise NotDeliveredError(f"{host} has no address: correct the name")
    for each in found:
        refuse_inside(host, each, allow_private=allow_private)
    return found


def refuse_inside(host: str, address: str, *, allow_private: bool) -> None:
    """Raise NotDeliveredError where an address may not be called."""
    kind = inside(address)
    if kind is None or (allow_private and kind in {"this machine", "a private network"}):
        return
    told = "" if address == host.strip("[]") else f" ({address})"
    mend = (
        "let an administrator allow targets inside for this route"
        if kind in {"this machine", "a private network"}
        else "no route may go there"
    )
    raise NotDeliveredError(f"{host}{told} is {kind}: {mend}, or give another target")


def inside(address: str) -> str | None:
    """Return what an address is where it is not a public one, in words; None where it is."""
    try:
        given = ip_address(address.partition("%")[0])
    except ValueError:
        return "no address"
    return next((kind for each in _meant(given) if (kind := _kind(each)) is not None), None)


def _meant(given: Address) -> list[Address]:
    """An address, and those of IPv4 that are written into it."""
    if isinstance(given, IPv4Address):
        return [given]
    meant: list[Address] = []
    if given.ipv4_mapped is not None:
        return [given.ipv4_mapped]
    if given.sixtofour is not None:
        meant.append(given.sixtofour)
    if given.teredo is not None:
        meant += given.teredo
    if given in _NAT64:
        meant.append(IPv4Address(int(given) & 0xFFFFFFFF))
    return [given, *meant] if given not in _NAT64 else meant


def _kind(address: Address) -> str | None:
    if address.is_loopback:
        return "this machine"
    if address.is_unspecified or address.is_multicast or address.is_link_local:
        return "an address that is nobody's, everybody's or of one link"
    if isinstance(address, IPv6Address) and address.is_site_local:
        return "a private network"
    if address.is_reserved and not address.is_private:
        return "a reserved address"
    return None if address.is_global else "a private network"
