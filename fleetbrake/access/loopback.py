"""Whether a request comes from the machine itself: everything that can be seen of it has to say so."""

from collections.abc import Mapping
from ipaddress import IPv6Address, ip_address
from typing import Final
from urllib.parse import urlsplit

#: Headers by which an intermediary says for whom it asks; the machine's own browser sends none of them.
#: Forwarded: RFC 7239, Via: RFC 9110 section 7.6.3 (from memory); the others are common practice.
_PASSED_ON: Final = frozenset({"forwarded", "via", "x-real-ip", "x-client-ip", "true-client-ip"})
_PASSED_ON_PREFIX: Final = "x-forwarded"


def is_loopback(host: str) -> bool:
    """Whether an address or host name, without a port, is this machine's own: 127.0.0.0/8, ::1 or localhost."""
    name = host.strip().removeprefix("[").removesuffix("]").rstrip(".").lower()
    if name == "localhost":
        return True
    try:
        address = ip_address(name)
    except ValueError:
        return False
    if isinstance(address, IPv6Address) and address.ipv4_mapped is not None:
        return address.ipv4_mapped.is_loopback
    return address.is_loopback


def is_own_request(headers: Mapping[str, str], remote_ip: str | None, *, with_origin: bool = True) -> bool:
    """Whether a browser of this machine asks this machine, under its own name, without anybody in between.

    The host must be a loopback name, since a foreign name may be made to lead here. The origin must be there and be
    the same as the host: browsers send it with every web socket, and pages of other servers have another one. Where a
    browser just looks (``with_origin`` false) it may be missing.

    Parameters
    ----------
    headers : the request's headers, names in any case.
    remote_ip : the other end of the connection; None stands for this machine.
    """
    told = {name.lower(): value for name, value in headers.items()}
    if any(name in _PASSED_ON or name.startswith(_PASSED_ON_PREFIX) for name in told):
        return False
    if remote_ip is not None and not is_loopback(remote_ip):
        return False
    host, origin = told.get("host", ""), told.get("origin", "")
    if not with_origin and not origin:
        return bool(host) and _names_loopback(f"//{host}")
    return bool(host) and _names_loopback(f"//{host}") and _names_loopback(origin) and urlsplit(origin).netloc == host


def _names_loopback(url: str) -> bool:
    try:
        parts = urlsplit(url)
        named = parts.hostname
        _ = parts.port  # a port that is no number is an error only when asked for
    except ValueError:
        return False
    return named is not None and parts.username is None and is_loopback(named)
