"""ONVIF (Core Specification section 8.3.5): a device's clock, by GetSystemDateAndTime, which needs no log-in.

XML from strangers: bounded, without document types or entities.
"""

from datetime import UTC, datetime
from xml.etree.ElementTree import Element

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import ParseError, fromstring

from monitor.devices.decode.raw import Absent, Garbled, text

PATH = "/onvif/device_service"
_MOST_OCTETS = 65_536
QUESTION = (
    b'<?xml version="1.0" encoding="utf-8"?>'
    b'<e:Envelope xmlns:e="http://www.w3.org/2003/05/soap-envelope" xmlns:t="http://www.onvif.org/ver10/device/wsdl">'
    b"<e:Body><t:GetSystemDateAndTime/></e:Body></e:Envelope>"
)


def clock_s(body: bytes) -> float:
    """The device's UTC time in seconds since 1970.

    Raises Absent where the device refuses (a SOAP fault) or gives no UTC time, Garbled for anything else.
    """
    if len(body) > _MOST_OCTETS:
        raise Garbled(f"an answer of {len(body)} octets")
    try:
        root = fromstring(body, forbid_dtd=True)
    except (ParseError, DefusedXmlException, ValueError, LookupError) as error:
        raise Garbled(f"no XML that may be read: {error}"[:200]) from None
    if _find(root, "Fault") is not None:
        reason = _find(root, "Text")
        raise Absent(f"refused: {text((reason.text or '').encode()) if reason is not None else 'no reason given'}")
    utc = _find(root, "UTCDateTime")
    if utc is None:
        raise Absent("no UTC time in the answer")
    try:
        year, month, day, hour, minute, second = (
            _number(utc, name) for name in ("Year", "Month", "Day", "Hour", "Minute", "Second")
        )
        # A leap second is written as 60 by some devices.
        return datetime(year, month, day, hour, minute, min(second, 59), tzinfo=UTC).timestamp()
    except (ValueError, OverflowError) as error:
        raise Garbled(f"a time that cannot be: {error}"[:120]) from None


def _find(element: Element, name: str) -> Element | None:
    return next((one for one in element.iter() if str(one.tag).rpartition("}")[2] == name), None)


def _number(element: Element, name: str) -> int:
    found = _find(element, name)
    if found is None or not (found.text or "").strip().isdecimal():
        raise ValueError(f"{name} is missing or no number")
    return int((found.text or "").strip())
