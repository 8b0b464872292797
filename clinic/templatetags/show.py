"""Template helpers shared by every page."""

from __future__ import annotations

import datetime as dt
import math
from functools import lru_cache
from typing import Any

from django import template
from django.utils import timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString

from clinic.permissions import may

register = template.Library()
#: A number and its unit stay on one line.
NBSP = "\u00a0"


@register.filter(name="may")
def user_may(user: Any, capability: str) -> bool:
    """``{% if user|may:"book" %}``."""
    return may(user, capability)


@register.simple_tag
@lru_cache(maxsize=256)
def icon(name: str, label: str = "") -> SafeString:
    """One picture of the sprite; ``label`` when it stands alone and must be spoken."""
    if label:
        return format_html(
            '<svg class="icon" role="img" aria-label="{}"><use href="/static/icons.svg#{}"/></svg>',
            label,
            name,
        )
    return format_html(
        '<svg class="icon" aria-hidden="true"><use href="/static/icons.svg#{}"/></svg>', name
    )


@register.filter
def minutes(value: float | dt.timedelta | None) -> str:
    """Show a duration as “45 min” or “2 h 05”."""
    if value is None:
        return "–"
    total = value.total_seconds() / 60 if isinstance(value, dt.timedelta) else float(value)
    whole = round(abs(total))
    sign = "−" if total < 0 and whole else ""
    if whole < 60:
        return f"{sign}{whole}{NBSP}min"
    hours, rest = divmod(whole, 60)
    if hours < 48:
        return f"{sign}{hours}{NBSP}h{NBSP}{rest:02d}"
    days, hours = divmod(hours, 24)
    return f"{sign}{days}{NBSP}d{NBSP}{hours}{NBSP}h"


@register.filter
def countdown(until: dt.datetime) -> str:
    """Show the time left as the page then counts it: “4:05”, “1 h 20”, “over by 2:10”."""
    left = (until - timezone.now()).total_seconds()
    minutes, seconds = divmod(round(abs(left)), 60)
    words = f"{minutes // 60} h {minutes % 60:02d}" if minutes >= 60 else f"{minutes}:{seconds:02d}"
    return words if left >= 0 else f"over by {words}"


@register.filter
def percent(value: float | None, digits: int = 0) -> str:
    """Show a share; certain only when it is: 99.97 % is “> 99 %”, not “100 %”."""
    if value is None:
        return "–"
    shown = f"{100 * value:.{digits}f}"
    if float(shown) >= 100 and value < 1:
        return f">{NBSP}{100 - 10**-digits:.{digits}f}{NBSP}%"
    if float(shown) <= 0 and value > 0:
        return f"<{NBSP}{10**-digits:.{digits}f}{NBSP}%"
    return f"{shown}{NBSP}%"


@register.filter
def figure(value: float | str | None, digits: int = 0) -> str:
    """Show a number with its thousands apart and a true minus: “151,991”, “−53.4”."""
    known = isinstance(value, int | float)  # what is not in the report comes as ""
    return f"{value:,.{digits}f}".replace("-", "−") if known else "–"


@register.filter
def not_more(value: float | None, digits: int = 1) -> str:
    """Show a number rounded down: 9.96 mm of 10 mm wanted is “9.9”, not “10.0”."""
    if value is None:
        return "–"
    return figure(math.floor(value * 10**digits + 1e-9) / 10**digits, digits)


@register.filter
def size(value: float | None) -> float | None:
    """Return a number without its sign."""
    return None if value is None else abs(value)


@register.filter
def clock(value: dt.datetime | None) -> str:
    """Show the time, with the day when it is not today: “16:10”, “Thu 26 Nov 09:00”."""
    if value is None:
        return "–"
    zone = timezone.get_current_timezone()
    return _clock(value, zone, timezone.now().astimezone(zone).date())


@lru_cache(maxsize=4096)
def _clock(value: dt.datetime, zone: dt.tzinfo, today: dt.date) -> str:
    """Say it once: a page shows the same few hundred times again and again."""
    local = value.astimezone(zone)
    if local.date() == today:
        return f"{local:%H:%M}"
    if local.date() == today + dt.timedelta(days=1):
        return f"tomorrow {local:%H:%M}"
    if abs((local.date() - today).days) < 300:
        return f"{local:%a} {local.day} {local:%b} {local:%H:%M}"
    return f"{local.day} {local:%b %Y %H:%M}"


@register.filter
def day(value: dt.date) -> str:
    """Name a coming day: “today”, “tomorrow”, “Monday 30 November”."""
    today = timezone.localdate()
    near = {today: "today", today + dt.timedelta(days=1): "tomorrow"}
    return near.get(value, f"{value:%A} {value.day} {value:%B}")


@register.filter
def get(mapping: Any, key: Any) -> Any:
    """Look up ``mapping[key]``, or None."""
    try:
        return mapping.get(key)
    except AttributeError:
        return None


@register.simple_tag(takes_context=True)
def here(context: template.Context, prefixes: str) -> str:
    """``aria-current`` for the menu entry whose sections (space between) we are in."""
    request = context.get("request")
    if request and request.path.startswith(tuple(prefixes.split())):
        return SafeString('aria-current="page"')
    return ""
