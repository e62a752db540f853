"""Which addresses are inside, and that no name leads there unnoticed."""

from ipaddress import IPv4Address, IPv6Address

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.outside import addresses, inside
from service.ports import NotDeliveredError


@pytest.mark.parametrize(
    ("address", "kind"),
    [
        ("127.0.0.1", "this machine"),
        ("127.9.9.9", "this machine"),
        ("::1", "this machine"),
        ("10.1.2.3", "a private network"),
        ("172.16.0.1", "a private network"),
        ("192.168.1.1", "a private network"),
        ("100.64.0.1", "a private network"),
        ("fd00::1", "a private network"),
        ("fec0::1", "a private network"),
        ("169.254.169.254", "one link"),
        ("fe80::1", "one link"),
        ("fe80::1%eth0", "one link"),
        ("224.0.0.1", "everybody"),
        ("ff02::1", "everybody"),
        ("0.0.0.0", "nobody"),  # noqa: S104
        ("::", "nobody"),
        ("240.0.0.1", "a "),
        ("255.255.255.255", "a "),
        ("::ffff:127.0.0.1", "this machine"),
        ("::ffff:10.0.0.1", "a private network"),
        ("::ffff:169.254.169.254", "one link"),
        ("64:ff9b::7f00:1", "this machine"),
        ("64:ff9b::a9fe:a9fe", "one link"),
        ("2002:7f00:1::", "this machine"),
        ("2002:a00:1::1", "a private network"),
        ("127.1", "no address"),
        ("0x7f000001", "no address"),
        ("example", "no address"),
    ],
)
def test_what_is_inside_is_told(address: str, kind: str) -> None:
    found = inside(address)
    assert found is not None
    assert kind in found


@pytest.mark.parametrize(
    "address", ["93.184.216.34", "2606:4700::1111", "64:ff9b::5db8:d822", "::ffff:93.184.216.34"]
)
def test_what_is_public_is_none_of_it(address: str) -> None:
    assert inside(address) is None


@given(st.ip_addresses(v=4))
def test_an_ipv4_address_is_as_much_inside_when_it_is_written_into_one_of_ipv6(address: IPv4Address) -> None:
    plain = inside(str(address))
    assert inside(f"::ffff:{address}") == plain
    assert inside(str(IPv6Address(int(IPv6Address("64:ff9b::")) | int(address)))) == plain
    if plain is None:
        assert address.is_global
        assert not address.is_multicast


@given(st.ip_addresses(v=6))
def test_an_ipv6_address_that_is_not_global_is_inside(address: IPv6Address) -> None:
    if not address.is_global and address.ipv4_mapped is None:
        assert inside(str(address)) is not None


def leads(*found: str, allow_private: bool = False) -> list[str]:
    return addresses("mes.example", 443, allow_private=allow_private, look_up=lambda _host, _port: found)


def test_every_address_of_a_name_must_be_outside() -> None:
    assert leads("93.184.216.34") == ["93.184.216.34"]
    with pytest.raises(
        NotDeliveredError, match=r"mes.example \(10.0.0.7\) is a private network: let an administrator"
    ):
        leads("93.184.216.34", "10.0.0.7")


def test_inside_may_be_allowed_but_not_what_is_nobodys_or_of_one_link() -> None:
    assert leads("10.0.0.7", "127.0.0.1", allow_private=True) == ["10.0.0.7", "127.0.0.1"]
    for never in ("169.254.169.254", "0.0.0.0", "ff02::1", "fe80::1"):  # noqa: S104
        with pytest.raises(NotDeliveredError, match="no route may go there"):
            leads(never, allow_private=True)


def test_a_name_that_leads_nowhere_is_told() -> None:
    def unknown(_host: str, _port: int) -> list[str]:
        raise OSError(8, "Name or service not known")

    with pytest.raises(NotDeliveredError, match=r"cannot be found.*correct the name"):
        addresses("mes.example", 443, allow_private=False, look_up=unknown)
    with pytest.raises(NotDeliveredError, match="has no address"):
        leads()


@pytest.mark.parametrize("written", ["localhost", "127.1", "2130706433", "0x7f.1", "[::1]"])
def test_however_this_machine_is_written_it_is_found_to_be_it(written: str) -> None:
    """The system's own look-up takes forms that `ipaddress` does not; what it makes of them is what is held."""
    with pytest.raises(NotDeliveredError, match=r"this machine|cannot be found"):
        addresses(written, 80, allow_private=False)
