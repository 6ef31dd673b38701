"""Hosts and ports as the user writes them. Pure."""

from __future__ import annotations

import ipaddress

from cuesync.errors import InputError


def host_and_port(text: str, what: str, example: str) -> tuple[str, int]:
    """ "HOST:PORT" taken apart; an IPv6 address may stand in brackets. InputError says what is allowed."""
    host, _, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not host or not (port.isascii() and port.isdigit()) or not 0 < int(port[:9]) <= 65535:
        raise InputError(
            f'"{text}" does not say {what}. Write host and port (1 to 65535), as in "{example}".'
        )
    return host, int(port)


def is_loopback(host: str) -> bool:
    """Whether a host is this computer's own loopback, by number or as `localhost`."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
