"""The local pages: the start page, and those on a visit: plan, sort, finish, film."""

from clerestory.web.server import Serving, begin, serve

__all__ = ["Serving", "begin", "serve"]
