"""The one kind of error a user is meant to read."""


class UserError(Exception):
    """One clear sentence: what is wrong, where, and what to do. Printed as it stands, never as a traceback."""
