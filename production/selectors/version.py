"""A short digest of what a page shows, to tell whether it changed."""

from __future__ import annotations

import hashlib

from django.db.models import Model, Subquery

from clinic.models import Office

__all__ = ["newest", "version_of"]


def newest(*tables: type[Model]) -> tuple[int | None, ...]:
    """Return each table's highest primary key, all in one query."""
    rows = (Subquery(t._default_manager.order_by("-pk").values("pk")[:1]) for t in tables)
    found = Office.objects.order_by("pk").values_list(*rows)[:1]
    return found[0] if found else ()


def version_of(*parts: object) -> str:
    """Return a short digest of ``parts``; equal parts give equal versions in every process."""
    return hashlib.blake2b(repr(parts).encode(), digest_size=9).hexdigest()
