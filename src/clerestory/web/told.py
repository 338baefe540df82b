"""What the server says to pages in English, listed so that a page can say it in another language.

Sentences that the server makes pass through journals, catalogues and other processes before a page shows them. So they
stay English until then; the page looks for the pattern that a sentence was made by, with a name in braces where a value
stands, and says it in its own language (`told` in say.js). Each stands here as the code has it; a test finds those that
it has no longer.
"""

from __future__ import annotations

import re

from clerestory.languages import later

TOLD = (
    later("left to the tool"),
)


def patterns() -> list[str]:
    """All of them, those with the most words of their own first: they fit the fewest sentences."""
    return sorted(TOLD, key=lambda text: -len(re.sub(r"\{\w+\}", "", text)))
