"""From a template to a PDF, without reaching for anything outside the template."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

from django.template.loader import render_to_string
from django.utils.html import format_html

from production.documents.fonts import unprintable

__all__ = ["Paper", "make_paper"]

# What a template may load: pictures that are part of it.
PROTOCOLS = ("data",)
VARIANT = "pdf/ua-1"
SIZES = 3
UNPRINTED = 'class="unprinted"'
NO_FONT = format_html(
    '<p class="box small strong">{}</p>',
    "Some words cannot be printed: this computer has no font for their script. Compare name "
    "and allergies on the screen.",
)


@dataclass(frozen=True)
class Paper:
    """A finished document: its file name holds a code or a day, never a patient's name."""

    name: str
    pdf: bytes


def make_paper(
    name: str, template: str, context: dict[str, Any], *, one_page: bool = False
) -> Paper:
    """Render ``template`` to PDF.

    No file and no address is read, whatever the data say: a picture is given as
    ``data:`` or not at all. The document's identifier is a digest of its content,
    so the same records give the same bytes.

    Parameters
    ----------
    name
        File name, ``.pdf`` included.
    template
        Path below ``templates/``.
    context
        What the template shows.
    one_page
        The paper is a label or slip: when the words need more than one page, the
        template is rendered again with ``fit`` 1, then 2, to set them smaller.
    """
    # Imported here: loading the layout engine costs half a second that no command should pay.
    from weasyprint import HTML, URLFetcher

    fetcher = URLFetcher(allowed_protocols=PROTOCOLS, allow_redirects=False)
    for fit in range(SIZES if one_page else 1):
        html = render_to_string(template, {**context, "fit": fit})
        if unprintable(html) or UNPRINTED in html:
            html = render_to_string(template, {**context, "fit": fit, "warning": NO_FONT})
        laid_out = HTML(string=html, url_fetcher=fetcher).render(pdf_variant=VARIANT)
        if len(laid_out.pages) == 1:
            break
    identifier = hashlib.sha256(html.encode()).digest()[:16]
    return Paper(name, laid_out.write_pdf(pdf_variant=VARIANT, pdf_identifier=identifier))
