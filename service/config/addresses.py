"""IP addresses: which of them are reached over the public internet."""

from __future__ import annotations

from collections.abc import Sequence
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_network

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network
Networks = Sequence[Network]

_NAT64 = ip_network("64:ff9b::/96")  # RFC 6052: the last 32 bits are an IPv4 address


def is_public(address: Address) -> bool:
    """Whether an address is reached over the public internet and by one host only."""
    if address in _NAT64:
        return is_public(IPv4Address(int(address) & 0xFFFF_FFFF))
    return all(
        one.is_global
        and not one.is_multicast
        and not one.is_reserved
        and not (isinstance(one, IPv6Address) and one.is_site_local)
        for one in _equivalents(address)
    )


def _equivalents(address: Address) -> list[Address]:
    """The address and every IPv4 address that it stands for."""
    found: list[Address] = [address]
    if isinstance(address, IPv6Address):
        inner = (address.ipv4_mapped, address.sixtofour, *(address.teredo or ()))
        found += [one for one in inner if one is not None]
    return found
