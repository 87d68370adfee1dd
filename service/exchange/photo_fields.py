"""What a photo shows, written into the photo itself as XMP, without touching its pixels.

References
----------
IPTC Photo Metadata Standard, "Artwork or Object in the Image" (names from memory). ISO 16684-1 (XMP) and its
part 3: the APP1 segment of JPEG, the iTXt chunk of PNG.
"""

from __future__ import annotations

import struct
import zlib
from typing import Any
from xml.sax.saxutils import escape

from service.exchange.whole_pieces import describe, fit_xml, title_of

Body = dict[str, Any]
JPEG_START, PNG_START = b"\xff\xd8", b"\x89PNG\r\n\x1a\n"
XMP_HEADER = b"http://ns.adobe.com/xap/1.0/\x00"
PNG_KEYWORD = b"XML:com.adobe.xmp"
LONGEST_SEGMENT = 65_533 - len(XMP_HEADER)
KEPT_FIRST = (0xE0, 0xE1)  # JFIF and Exif stand before everything else


def write_fields(photo: bytes, piece: Body, source: str) -> bytes | None:
    """The photo with the fields in it; None for a kind of file that this does not write."""
    packet = make_packet(piece, source)
    if photo.startswith(JPEG_START):
        return _into_jpeg(photo, packet)
    if photo.startswith(PNG_START):
        return _into_png(photo, packet)
    return None


def make_packet(piece: Body, source: str) -> bytes:
    """The XMP packet of one piece."""
    bracket = piece["bracket"]
    fields = [
        _words("AOTitle", title_of(piece)),
        _listed("AOCreator", piece["maker"]),
        _plain("AOSourceInvNo", piece["number"]),
        _plain("AOSource", source),
        _plain("AOCircaDateCreated", bracket["edtf"] and bracket["sentence"]),
        _words("AOContentDescription", describe(piece) or None),
        _words("AOPhysicalDescription", _measure(piece)),
    ]
    packet = (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/">'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        '<rdf:Description rdf:about="" '
        'xmlns:Iptc4xmpExt="http://iptc.org/std/Iptc4xmpExt/2008-02-29/">'
        '<Iptc4xmpExt:ArtworkOrObject><rdf:Bag><rdf:li rdf:parseType="Resource">'
        f"{''.join(fields)}"
        "</rdf:li></rdf:Bag></Iptc4xmpExt:ArtworkOrObject>"
        '</rdf:Description></rdf:RDF></x:xmpmeta><?xpacket end="r"?>'
    )
    return fit_xml(packet).encode()


def _measure(piece: Body) -> str | None:
    return ", ".join(f"{m['what']} {m['mm']:g} mm" for m in piece["measurements"]) or None


def _plain(name: str, text: str | None) -> str:
    return f"<Iptc4xmpExt:{name}>{escape(text)}</Iptc4xmpExt:{name}>" if text else ""


def _words(name: str, text: str | None) -> str:
    if not text:
        return ""
    item = f'<rdf:li xml:lang="x-default">{escape(text)}</rdf:li>'
    return f"<Iptc4xmpExt:{name}><rdf:Alt>{item}</rdf:Alt></Iptc4xmpExt:{name}>"


def _listed(name: str, text: str | None) -> str:
    if not text:
        return ""
    return f"<Iptc4xmpExt:{name}><rdf:Seq><rdf:li>{escape(text)}</rdf:li></rdf:Seq></Iptc4xmpExt:{name}>"


def _into_jpeg(photo: bytes, packet: bytes) -> bytes | None:
    """A segment after JFIF and Exif; None where the packet is too long for one."""
    if len(packet) > LONGEST_SEGMENT:
        return None
    place = len(JPEG_START)
    while photo[place] == 0xFF and photo[place + 1] in KEPT_FIRST:
        place += 2 + int.from_bytes(photo[place + 2 : place + 4], "big")
    content = XMP_HEADER + packet
    segment = b"\xff\xe1" + struct.pack(">H", len(content) + 2) + content
    return photo[:place] + segment + photo[place:]


def _into_png(photo: bytes, packet: bytes) -> bytes:
    """A chunk right after the header chunk, as a reader that stops at the pixels needs it."""
    place = len(PNG_START) + 25  # the header chunk is 13 bytes and its 12 bytes of frame
    content = b"iTXt" + PNG_KEYWORD + b"\x00\x00\x00\x00\x00" + packet
    chunk = struct.pack(">I", len(content) - 4) + content + struct.pack(">I", zlib.crc32(content))
    return photo[:place] + chunk + photo[place:]
