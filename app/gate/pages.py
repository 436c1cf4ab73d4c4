"""Which pages are for whom."""

from __future__ import annotations

from fruitvision.accounts import Role

# In the order of the bar; the first one that a person may open is the person's first page.
PAGES = ("blocks", "walk", "photos", "forecast", "sales", "score", "papers", "setup", "help")
# Managers and readers open all of them; a reader's farm refuses every change.
_OF_ROLE = {
    Role.SCOUT: ("walk", "blocks", "photos", "papers", "help"),
    Role.SALES: ("sales", "help"),
}


def pages_of(role: Role | None) -> tuple[str, ...]:
    """Names of the pages that somebody may open; all where nobody needs to sign in."""
    return PAGES if role is None else _OF_ROLE.get(role, PAGES)
