"""Clerestory: plan, sort, finish and film a visit to a great church, with one camera model used both ways."""

__version__ = "0.1.0"
