"""The review of a range on paper."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

from clinic.models import Office
from production.documents.paper import Paper, make_paper
from production.selectors.review import figures as select
from production.selectors.review.definitions import DEFINITIONS, NAMES


def build(span: select.Range, page: Mapping[str, Any], charts: Mapping[str, bytes]) -> Paper:
    """Return the figures, charts and definitions of ``span`` as a PDF."""
    pictures = {
        name.replace("-", "_"): "data:image/svg+xml;base64," + base64.b64encode(svg).decode()
        for name, svg in charts.items()
    }
    return make_paper(
        f"review-{span.first}-{span.last}.pdf",
        "documents/review.html",
        {
            **page,
            "pictures": pictures,
            "named_definitions": [(NAMES[key], words) for key, words in DEFINITIONS.items()],
            "paper": True,
            "office": Office.get(),
        },
    )
