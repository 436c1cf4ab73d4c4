"""Accessibility as axe-core finds it, and the few findings that can't be mended from here."""

from __future__ import annotations

from dataclasses import dataclass

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

GRAVE = ("serious", "critical")


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A rule that an element breaks."""

    rule: str
    target: str
    html: str
    why: str

    def __str__(self) -> str:
        return f"{self.rule} at {self.target}: {self.why} {self.html}"


def grave_findings(page: Page) -> list[Finding]:
    """What axe-core calls serious or critical on the page as it is."""
    found = Axe().run(page, options={"resultTypes": ["violations"]}).response
    return [
        Finding(
            rule=rule["id"],
            target=" ".join(map(str, node["target"])),
            html=node["html"][:300],
            why=" ".join(node["failureSummary"].split())[:300],
        )
        for rule in found["violations"]
        if rule["impact"] in GRAVE
        for node in rule["nodes"]
    ]
