"""The local pages on a visit: plan, sort, finish, film."""

from clerestory.web.server import app, serve

__all__ = ["app", "serve"]
