"""Who a document comes from."""

from __future__ import annotations

import msgspec


class Letterhead(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """What stands at the head and the end of a company's documents.

    Attributes:
        company_name: as it should be read.
        contact: lines to reach it by.
        logo: PNG.
        disclaimer: the company's own words beside those of the service.
    """

    company_name: str = ""
    contact: tuple[str, ...] = ()
    logo: bytes = b""
    disclaimer: str = ""
