"""WS-Discovery (OASIS 2009, and the 2005 draft that cameras speak): what answered a Probe. XML from strangers.

Both forms are taken: ProbeMatch elements inside ProbeMatches as the standard says, and bare ones as some devices
send. Answers may be late and doubled; one device is one endpoint address.
"""

import re
from dataclasses import dataclass
from urllib.parse import unquote, urlsplit
from xml.etree.ElementTree import Element

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import ParseError, fromstring

from monitor.devices.decode.raw import Garbled, text

_MOST_OCTETS = 16_384
_MOST_MATCHES = 32


@dataclass(frozen=True, slots=True)
class Endpoint:
    """A device that answered: its lasting address, what it is, where its service is."""

    reference: str
    types: tuple[str, ...]
    addresses: tuple[str, ...]
    name: str = ""
    hardware: str = ""

    @property
    def camera(self) -> bool:
        """Does it say that it transmits video (ONVIF Core Specification, NetworkVideoTransmitter)?"""
        return any(kind.endswith("NetworkVideoTransmitter") for kind in self.types)


def probe(message_id: str, types: str = "") -> bytes:
    """A Probe for devices of these types (``dn:`` of ONVIF, ``wsdp:`` of DPWS), or of any.

    Some hosts leave a Probe without types unanswered, others one with types that they do not know.
    """
    kinds = f"<d:Types>{types}</d:Types>" if types else ""
    return (
        '<?xml version="1.0" encoding="utf-8"?>'
        '<e:Envelope xmlns:e="http://www.w3.org/2003/05/soap-envelope"'
        ' xmlns:w="http://schemas.xmlsoap.org/ws/2004/08/addressing"'
        ' xmlns:d="http://schemas.xmlsoap.org/ws/2005/04/discovery"'
        ' xmlns:dn="http://www.onvif.org/ver10/network/wsdl"'
        ' xmlns:wsdp="http://schemas.xmlsoap.org/ws/2006/02/devprof">'
        f"<e:Header><w:MessageID>urn:uuid:{message_id}</w:MessageID>"
        "<w:To>urn:schemas-xmlsoap-org:ws:2005:04:discovery</w:To>"
        "<w:Action>http://schemas.xmlsoap.org/ws/2005/04/discovery/Probe</w:Action></e:Header>"
        f"<e:Body><d:Probe>{kinds}</d:Probe></e:Body></e:Envelope>"
    ).encode()


def matches(data: bytes) -> list[Endpoint]:
    """The endpoints in an answer; raises Garbled for what is no such answer."""
    if len(data) > _MOST_OCTETS:
        raise Garbled(f"an answer of {len(data)} octets")
    try:
        root = fromstring(data, forbid_dtd=True)
    except (ParseError, DefusedXmlException, ValueError, LookupError) as error:
        raise Garbled(f"no XML that may be read: {error}"[:200]) from None
    found = [one for one in root.iter() if _local(one) == "ProbeMatch"][:_MOST_MATCHES]
    if not found:
        raise Garbled("no ProbeMatch in it")
    return [_endpoint(one) for one in found]


def _local(element: Element) -> str:
    """An element's name without its namespace: devices use the drafts' and the standard's in turn."""
    return str(element.tag).rpartition("}")[2]


def _said(element: Element, name: str) -> str:
    found = next((one for one in element.iter() if _local(one) == name), None)
    return (found.text or "").strip() if found is not None else ""


def _endpoint(match: Element) -> Endpoint:
    reference = next((one for one in match.iter() if _local(one) == "EndpointReference"), match)
    scopes = _said(match, "Scopes").split()[:64]
    hosts = []
    for address in _said(match, "XAddrs").split()[:16]:
        host = _host(address)
        if host:
            hosts.append(host)
    return Endpoint(
        _clean(_said(reference, "Address")),
        tuple(_clean(kind) for kind in _said(match, "Types").split()[:16]),
        tuple(dict.fromkeys(hosts)),
        _scope(scopes, "name"),
        _scope(scopes, "hardware"),
    )


def _host(address: str) -> str | None:
    try:
        host = urlsplit(address).hostname
    except ValueError:
        return None
    return host if host and re.fullmatch(r"[0-9A-Za-z.:_-]{1,64}", host) else None


def _scope(scopes: list[str], name: str) -> str:
    """A device tells its name and hardware as scopes: ONVIF Core Specification section 7.3.2.2."""
    for scope in scopes:
        head, found, rest = scope.partition(f"/{name}/")
        if found and "onvif" in head:
            return _clean(unquote(rest))
    return ""


def _clean(said: str) -> str:
    return text(said.encode("utf-8", "replace"))
