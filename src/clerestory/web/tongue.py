"""In which language a page is answered."""

from __future__ import annotations

import hashlib
import json
from functools import cache

from starlette.requests import HTTPConnection, Request
from starlette.responses import Response

from clerestory.languages import LANGUAGES, NAMES, Language, sentences, users_language, words_of

CHOSEN = "clerestory-language"  # the cookie in which a page keeps the language chosen on it; signs.js sets it


def language_of(asked: HTTPConnection) -> Language:
    """The language of who asks: as chosen on the page, by CLERESTORY_LANGUAGE, or as the browser is set; one that is
    only a region's measures, such as en-US with its feet, is the plain one: pages draw and measure in metres."""
    found = users_language(asked.cookies.get(CHOSEN, ""), asked.headers.get("accept-language", ""))
    return found if found in NAMES else "en"


@cache
def _words(language: Language) -> tuple[bytes, str]:
    """A language's words for scripts, and a tag that changes with them."""
    said = words_of(language)
    data = json.dumps({"words": said, "told": sentences() if said else []}, ensure_ascii=False).encode()
    return data, f'"{hashlib.sha256(data).hexdigest()[:16]}"'


async def words(request: Request) -> Response:
    """All words of the language asked for; nothing where the browser has them already."""
    asked = request.query_params.get("language", "")
    data, tag = _words(next((language for language in LANGUAGES if language == asked), "en"))
    headers = {"etag": tag, "cache-control": "private, no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(data, media_type="application/json", headers=headers)
