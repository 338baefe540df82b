"""Several frames, one view: align, burst, bracket, clear, join."""

from clerestory.merge.combine import combine
from clerestory.merge.result import IN_DOUBT, Merged, Refused, Stitched

__all__ = ["IN_DOUBT", "Merged", "Refused", "Stitched", "combine"]
