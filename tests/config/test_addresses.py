"""Which addresses are reached over the public internet."""

from __future__ import annotations

from ipaddress import ip_address

import pytest

from service.config.addresses import is_public


@pytest.mark.parametrize(
    "address",
    [
        # IANA special-purpose address registries (RFC 6890): not globally reachable
        "0.0.0.0", "10.1.2.3", "100.64.0.1", "127.0.0.1", "169.254.169.254", "172.16.0.1",
        "172.31.255.255", "192.0.0.1", "192.0.2.1", "192.168.1.1", "198.18.0.1", "203.0.113.9",
        "240.0.0.1", "255.255.255.255",
        "::", "::1", "fc00::1", "fd12:3456::1", "fe80::1", "2001:db8::1", "100::1",
        # one host only, please
        "224.0.0.1", "239.255.255.250", "ff02::1",
        # private IPv4 addresses in IPv6 clothes: mapped, 6to4, Teredo, NAT64, site-local
        "::ffff:192.168.1.1", "::ffff:169.254.169.254", "2002:c0a8:0101::1",
        "2001:0:c0a8:101::", "64:ff9b::7f00:1", "fec0::1",
    ],
)  # fmt: skip
def test_private_addresses_are_not_public(address: str) -> None:
    assert not is_public(ip_address(address))


@pytest.mark.parametrize("address", ["193.0.14.129", "2001:7fd::1", "64:ff9b::c100:e81"])
def test_public_addresses_are(address: str) -> None:
    """Those of a root name server, and the first of them behind NAT64."""
    assert is_public(ip_address(address))
